"""The mixed model's promises: against algebra on whole matrices, and under changes of the data."""

import itertools

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import contrast_weights
from comparison.design import EXERCISE, PARTICIPANT, SESSION, Design, ModelError
from comparison.mixed_model import Fit, fit
from comparison.paired import paired_t

CONDITIONS = ("none", "low", "target")


def study(
    seed: int,
    *,
    participants: int = 8,
    exercises: int = 3,
    missing: float = 0.0,
    session_sd: float = 0.25,
) -> pd.DataFrame:
    """Invented cells of a three-condition study, orders balanced, some missing at random."""
    rng = np.random.default_rng(seed)
    orders = list(itertools.permutations("123"))
    participant = rng.normal(0, 0.7, participants)
    session = rng.normal(0, session_sd, (participants, 3))
    habit = rng.normal(0, 0.2, (participants, exercises))
    bouts = [
        (
            f"P{i:02d}",
            CONDITIONS[c],
            f"E{e}",
            orders[i % 6][c],
            5 + participant[i] + session[i, c] + habit[i, e] - 0.2 * c + rng.normal(0, 0.4),
        )
        for i, c, e in itertools.product(range(participants), range(3), range(exercises))
    ]
    cells = pd.DataFrame(bouts, columns=["participant", "condition", "exercise", "visit", "y"])
    cells["condition"] = pd.Categorical(cells["condition"], CONDITIONS)
    return cells[rng.uniform(size=len(cells)) >= missing].reset_index(drop=True)


def fitted(cells: pd.DataFrame, *, by_exercise=True, with_visit=True) -> Fit:
    design = Design.of_cells(cells, by_exercise=by_exercise, with_visit=with_visit)
    return fit(design, cells["y"].to_numpy())


def condition_tests(model: Fit, pairs=None, **how) -> pd.DataFrame:
    """Marginal contrasts of the conditions, one row per pair."""
    names = model.design.conditions
    pairs = pairs or [(b, a) for a, b in itertools.combinations(names, 2)]
    weights = np.array([contrast_weights(model.design, pair, "all") for pair in pairs])
    return pd.DataFrame(model.tests(weights, **how), index=[f"{b} - {a}" for b, a in pairs])


# ---------------------------------------------------------------- by the book


def covariance_parts(cells: pd.DataFrame, terms) -> list[np.ndarray]:
    """The matrices G_i that variances multiply in V, residual last."""
    parts = []
    for term in terms:
        label = cells[term.split(":")].astype(str).agg(":".join, axis=1).to_numpy()
        parts.append((label[:, None] == label[None]).astype(float))
    return [*parts, np.eye(len(cells))]


def restricted_likelihood(y, X, V) -> float:
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    rest = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    determinants = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1]
    constant = (len(y) - X.shape[1]) * np.log(2 * np.pi)
    return -0.5 * (determinants + rest @ inverse @ rest + constant)


def kenward_roger_by_the_book(y, X, V, G) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Estimates, adjusted covariance and df of coefficients, formula by formula from the 1997
    paper with n x n matrices."""
    inverse = np.linalg.inv(V)
    Phi = np.linalg.inv(X.T @ inverse @ X)
    beta = Phi @ X.T @ inverse @ y
    P = [-X.T @ inverse @ g @ inverse @ X for g in G]
    Q = [[X.T @ inverse @ g @ inverse @ h @ inverse @ X for h in G] for g in G]
    n = len(G)
    information = np.empty((n, n))
    for i, j in itertools.product(range(n), repeat=2):
        information[i, j] = 0.5 * (
            np.trace(inverse @ G[i] @ inverse @ G[j])
            - 2 * np.trace(Phi @ Q[i][j])
            + np.trace(Phi @ P[i] @ Phi @ P[j])
        )
    W = np.linalg.inv(information)
    middle = sum(W[i, j] * (Q[i][j] - P[i] @ Phi @ P[j]) for i in range(n) for j in range(n))
    df = []
    for k in range(X.shape[1]):
        direction = np.zeros((X.shape[1], 1))
        direction[k] = 1
        Theta = direction @ direction.T / Phi[k, k]
        traces = [np.trace(Theta @ Phi @ p @ Phi) for p in P]
        A1 = sum(W[i, j] * traces[i] * traces[j] for i in range(n) for j in range(n))
        # for one df A1 = A2 and the two moments that the paper matches give 2 / A2
        df.append(2 / A1)
    return beta, Phi + 2 * Phi @ middle @ Phi, np.array(df)


DESIGNS = {
    "visits": (study(8), {}),
    "cells missing": (study(2, missing=0.15), {"with_visit": False}),
    "visits and cells missing": (study(9, missing=0.1), {}),
    "one exercise": (study(5, participants=9, exercises=1), {"by_exercise": False}),
}


@pytest.mark.parametrize("name", DESIGNS)
def test_sums_over_participants_equal_whole_matrices(name):
    cells, how = DESIGNS[name]
    model = fitted(cells, **how)
    G = covariance_parts(cells, model.design.terms)
    variances = [part["variance"] for part in model.variance_components()]
    V = sum(v * g for v, g in zip(variances, G, strict=True))
    X, y = model.design.X, cells["y"].to_numpy()
    assert not model.singular
    assert model.log_likelihood == pytest.approx(restricted_likelihood(y, X, V), abs=1e-7)
    beta, covariance, df = kenward_roger_by_the_book(y, X, V, G)
    tests = pd.DataFrame(model.coefficients())
    assert tests["estimate"].to_numpy() == pytest.approx(beta, rel=1e-6, abs=1e-7)
    assert tests["se"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-6)
    assert tests["df"].to_numpy() == pytest.approx(df, rel=1e-6)
    # Henderson 1975: what V says of the residual, and of the effects that add up to the rest
    rest = np.linalg.solve(V, y - X @ beta)
    assert model.residuals == pytest.approx(variances[-1] * rest, abs=1e-7)
    effects = pd.DataFrame(model.random_effects())
    of_people = effects[effects["term"] == PARTICIPANT].set_index("level")["value"]
    first = (cells["participant"] == "P00").to_numpy()
    assert of_people["P00"] == pytest.approx(variances[0] * rest[first].sum(), abs=1e-7)


@pytest.mark.parametrize("name", DESIGNS)
def test_no_neighbouring_variances_are_more_likely(name):
    cells, how = DESIGNS[name]
    model = fitted(cells, **how)
    G = covariance_parts(cells, model.design.terms)
    variances = np.array([part["variance"] for part in model.variance_components()])
    for i, factor in itertools.product(range(len(variances)), (0.97, 1.03)):
        moved = variances * np.where(np.arange(len(variances)) == i, factor, 1.0)
        V = sum(v * g for v, g in zip(moved, G, strict=True))
        likelihood = restricted_likelihood(cells["y"].to_numpy(), model.design.X, V)
        assert likelihood < model.log_likelihood


# ---------------------------------------------------------------- balanced data


def test_balanced_sessions_give_the_repeated_measures_anova():
    cells = study(11, exercises=4, session_sd=0.5)
    model = fitted(cells, with_visit=False)
    means = cells.groupby(["participant", "condition"], observed=True)["y"].mean().unstack()
    centred = means.sub(means.mean(axis=1), axis=0)
    effect = 8 * ((means.mean() - means.to_numpy().mean()) ** 2).sum() / 2
    error = (centred.sub(centred.mean()) ** 2).to_numpy().sum() / 14
    cell_means = model.design.cell_means
    test = model.joint_test((cell_means[1:] - cell_means[:1]).mean(axis=1))
    assert (test["df_num"], round(test["df"], 8)) == (2, 14)
    assert test["F"] == pytest.approx(effect / error, rel=1e-9)


def test_two_conditions_give_the_paired_t_test():
    cells = study(12, participants=7, exercises=4, session_sd=0.5)
    cells = cells[cells["condition"] != "low"]
    means = cells.groupby(["participant", "condition"], observed=True)["y"].mean().unstack()
    expected = paired_t(means["target"] - means["none"])
    test = condition_tests(fitted(cells, with_visit=False)).loc["target - none"]
    assert (test["t"], test["p"]) == pytest.approx((expected.t, expected.p), rel=1e-9)
    assert test["ci_low"] == pytest.approx(expected.ci_low, rel=1e-9)


def test_session_variance_at_zero_hardly_moves_kenward_roger():
    model = fitted(study(43, exercises=4, session_sd=0.0), with_visit=False)
    assert model.theta[1] == 0
    honest = condition_tests(model)["df"].to_numpy()
    jumped = condition_tests(model, method="satterthwaite")["df"].to_numpy()
    assert honest == pytest.approx([14, 14, 14], rel=1e-6)
    assert (jumped > 50).all()


# ---------------------------------------------------------------- changes that must not matter


@pytest.fixture(scope="module")
def cells() -> pd.DataFrame:
    return study(22, missing=0.1)


@pytest.fixture(scope="module")
def model(cells) -> Fit:
    return fitted(cells)


@pytest.mark.parametrize("shift, scale", [(0, 1000), (0, 1e-9), (1e6, 1), (-50, 1e4)])
def test_another_unit_or_origin_changes_estimates_and_nothing_else(cells, model, shift, scale):
    moved = fitted(cells.assign(y=shift + scale * cells["y"]))
    before, after = condition_tests(model), condition_tests(moved)
    assert after["estimate"].to_numpy() == pytest.approx(
        scale * before["estimate"].to_numpy(), rel=1e-7
    )
    assert after["df"].to_numpy() == pytest.approx(before["df"].to_numpy(), rel=1e-7)
    assert after["p"].to_numpy() == pytest.approx(before["p"].to_numpy(), rel=1e-7)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_order_of_rows_does_not_matter(cells, model, seed):
    order = np.random.default_rng(seed).permutation(len(cells))
    shuffled = fitted(cells.iloc[order])
    assert shuffled.log_likelihood == pytest.approx(model.log_likelihood, abs=1e-9)
    assert shuffled.residuals == pytest.approx(model.residuals[order], abs=1e-7)


def test_names_of_participants_and_exercises_do_not_matter(cells, model):
    renamed = cells.assign(
        participant=cells["participant"].map(lambda p: "x" + p[::-1]),
        exercise=cells["exercise"].map({"E0": "squat", "E1": "row", "E2": "press"}),
    )
    again = fitted(renamed)
    assert again.log_likelihood == pytest.approx(model.log_likelihood, abs=1e-9)
    assert condition_tests(again)["p"].to_numpy() == pytest.approx(
        condition_tests(model)["p"].to_numpy(), rel=1e-7
    )


def test_fitting_twice_gives_the_same_bits(cells, model):
    again = fitted(cells)
    assert again.coefficients() == model.coefficients()


# ---------------------------------------------------------------- what cannot be estimated


def test_an_empty_cell_is_named_and_its_contrasts_are_refused_with_a_reason():
    cells = study(31)
    cells = cells[(cells["condition"] != "target") | (cells["exercise"] != "E2")]
    model = fitted(cells)
    assert model.aliased == ["condition[T.target]:exercise[T.E2]"]
    assert "not estimable and left out" in model.notes[0]
    tests = condition_tests(model)
    assert tests.loc["low - none", "note"] == ""
    assert np.isnan(tests.loc["target - none", "estimate"])
    assert "not estimable" in tests.loc["target - none", "note"]
    weights = [contrast_weights(model.design, ("target", "none"), e) for e in ("E1", "E2")]
    inside, empty = model.tests(np.array(weights))
    assert np.isfinite(inside["p"])
    assert "not estimable" in empty["note"]


def test_a_difference_of_nothing_is_zero_and_no_rounding_error():
    cells = study(32)
    moved = cells.groupby("exercise")["y"].transform("mean")
    model = fitted(cells.assign(y=cells["y"] - moved), with_visit=False)
    tests = pd.DataFrame(model.coefficients()).set_index("term")
    cell_means = model.design.cell_means
    weights = (cell_means[:, 1] - cell_means[:, 0]).mean(axis=0)
    (between_exercises,) = model.tests(weights[None])
    assert between_exercises["estimate"] == 0
    assert between_exercises["p"] == 1
    assert tests["se"].min() > 0


def test_variance_components_are_named_and_their_intervals_hold_them(model):
    parts = model.variance_components()
    assert [part["term"] for part in parts] == [PARTICIPANT, SESSION, EXERCISE, "residual"]
    for part in parts:
        assert part["sd"] ** 2 == pytest.approx(part["variance"])
        assert part["sd_low"] < part["sd"] or part["singular"]
        assert part["sd"] < part["sd_high"]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t[t["participant"] == "P00"], "has 1 level; its variance needs at least 2"),
        (lambda t: t[t["exercise"] == "E0"], "cannot be told from the residual"),
        (lambda t: t[t["condition"] == "low"], "cannot be told from the residual|the same way"),
        (lambda t: t.assign(y=3.0), "the same value"),
        (lambda t: t.assign(y=t["condition"].cat.codes * 2.0), "reproduce the outcome exactly"),
    ],
)
def test_a_model_that_cannot_be_fitted_says_why(change, message):
    with pytest.raises(ModelError, match=message):
        fitted(change(study(33)), with_visit=False)


def test_more_coefficients_than_rows_are_refused():
    cells = study(34, participants=2, exercises=3).iloc[::2]
    with pytest.raises(ModelError, match="rows"):
        fitted(cells)
