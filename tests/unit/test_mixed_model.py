"""The mixed model's promises: against algebra on whole matrices, and under changes of the data."""

import itertools

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from comparison.mixed_model import Fit, ModelError, fit, split_random
from comparison.paired import paired_t

SESSIONS = ["1 | participant", "1 | participant:condition"]
DESIGN = [*SESSIONS, "1 | participant:exercise"]
CONDITIONS = ("none", "low", "target")


def _study(
    seed: int,
    *,
    participants: int = 8,
    exercises: int = 3,
    sets: int = 1,
    missing: float = 0.0,
    participant_sd: float = 0.7,
    session_sd: float = 0.25,
) -> pd.DataFrame:
    """Invented sets of a three-condition study, orders balanced, with cells missing at random."""
    rng = np.random.default_rng(seed)
    orders = list(itertools.permutations((1, 2, 3)))
    participant = rng.normal(0, participant_sd, participants)
    session = rng.normal(0, session_sd, (participants, 3))
    habit = rng.normal(0, 0.2, (participants, exercises))
    rows = []
    for i, c, e, k in itertools.product(
        range(participants), range(3), range(exercises), range(sets)
    ):
        y = 5 + participant[i] + session[i, c] + habit[i, e] - 0.2 * c + rng.normal(0, 0.4)
        rows.append((f"P{i:02d}", CONDITIONS[c], f"E{e}", k + 1, orders[i % 6][c], y))
    columns = ["participant", "condition", "exercise", "set", "period", "y"]
    table = pd.DataFrame(rows, columns=columns)
    table["load_kg"] = rng.normal(20, 3, len(table))
    table["condition"] = pd.Categorical(table["condition"], CONDITIONS)
    return table[rng.uniform(size=len(table)) >= missing].reset_index(drop=True)


def _crossed(seed: int) -> pd.DataFrame:
    """Every plate with every sample: two crossed random effects and nothing nested."""
    rng = np.random.default_rng(seed)
    plate, sample = rng.normal(0, 0.8, 24), rng.normal(0, 1.9, 6)
    rows = [
        (f"p{i}", f"s{j}", 22 + plate[i] + sample[j] + rng.normal(0, 0.5))
        for i, j in itertools.product(range(24), range(6))
    ]
    return pd.DataFrame(rows, columns=["plate", "sample", "y"])


def _sides(seed: int) -> pd.DataFrame:
    """Curves over days on two sides of ten animals: slopes between, sides nested within."""
    rng = np.random.default_rng(seed)
    level, slope, side = rng.normal(0, 30, 10), rng.normal(0, 2, 10), rng.normal(0, 17, (10, 2))
    rows = [
        (f"d{i}", "LR"[s], day, 1070 + level[i] + slope[i] * day + side[i, s] + rng.normal(0, 9))
        for i, s, day in itertools.product(range(10), range(2), (0, 1, 2, 4, 6, 8, 10, 14, 21))
        if rng.uniform() < 0.6
    ]
    return pd.DataFrame(rows, columns=["animal", "side", "day", "y"])


# ---------------------------------------------------------------- whole-matrix algebra


def _covariance_parts(table: pd.DataFrame, random: list[str]) -> list[np.ndarray]:
    """The matrices G_i that variances and covariances multiply in V, residual last."""
    parts = []
    for text in random:
        for effects, variables in split_random(text):
            label = table[list(variables)].astype(str).agg(":".join, axis=1)
            same = label.to_numpy()[:, None] == label.to_numpy()[None]
            if effects == "1":
                columns = [np.ones(len(table))]
            elif effects == "0 + condition":
                columns = [(table["condition"] == c).to_numpy(float) for c in CONDITIONS]
            else:
                columns = [np.ones(len(table)), table[effects].to_numpy(float)]
            for column in range(len(columns)):
                for row in range(column, len(columns)):
                    G = np.outer(columns[row], columns[column])
                    parts.append(same * (G if row == column else G + G.T))
    return [*parts, np.eye(len(table))]


def _restricted_likelihood(y, X, V) -> float:
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    rest = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    determinants = np.linalg.slogdet(V)[1] + np.linalg.slogdet(information)[1]
    constant = (len(y) - X.shape[1]) * np.log(2 * np.pi)
    return -0.5 * (determinants + rest @ inverse @ rest + constant)


def _kenward_roger_by_the_book(y, X, V, G) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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
    "sessions": (_study(8), "y ~ condition * exercise + C(period)", DESIGN),
    "cells missing": (_study(2, missing=0.15), "y ~ condition * exercise", DESIGN),
    "covariate": (_study(3, missing=0.1), "y ~ condition + exercise + load_kg", SESSIONS),
    "sets": (
        _study(4, participants=5, exercises=2, sets=2),
        "y ~ condition + exercise",
        [*SESSIONS, "1 | participant:condition:exercise"],
    ),
    "unstructured": (
        _study(5, participants=9, missing=0.1, session_sd=0.8),
        "y ~ condition + exercise",
        ["0 + condition | participant"],
    ),
    "crossed": (_crossed(6), "y ~ 1", ["1 | plate", "1 | sample"]),
    "nested slopes": (_sides(7), "y ~ day + I(day**2)", ["day | animal", "1 | animal:side"]),
}


@pytest.mark.parametrize("name", DESIGNS)
def test_block_algebra_equals_whole_matrices(name):
    table, fixed, random = DESIGNS[name]
    model = fit(table, fixed, random)
    G = _covariance_parts(table, random)
    variances = model.variance_components()["variance"].to_numpy()
    V = sum(v * g for v, g in zip(variances, G, strict=True))
    X = np.array(model._spec.get_model_matrix(table), dtype=float)
    y = table["y"].to_numpy()
    assert not model.singular
    assert model.log_likelihood == pytest.approx(_restricted_likelihood(y, X, V), abs=1e-7)
    beta, covariance, df = _kenward_roger_by_the_book(y, X, V, G)
    found = model.coefficients()
    assert found["estimate"].to_numpy() == pytest.approx(beta, rel=1e-6, abs=1e-7)
    assert found["se"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-6)
    assert found["df"].to_numpy() == pytest.approx(df, rel=1e-6)


@pytest.mark.parametrize("name", DESIGNS)
def test_no_neighbouring_variances_are_more_likely(name):
    table, fixed, random = DESIGNS[name]
    model = fit(table, fixed, random)
    G = _covariance_parts(table, random)
    variances = model.variance_components()["variance"].to_numpy()
    X = np.array(model._spec.get_model_matrix(table), dtype=float)
    y = table["y"].to_numpy()
    for i, factor in itertools.product(range(len(variances)), (0.97, 1.03)):
        moved = variances * np.where(np.arange(len(variances)) == i, factor, 1.0)
        V = sum(v * g for v, g in zip(moved, G, strict=True))
        if np.linalg.eigvalsh(V)[0] > 0:
            assert _restricted_likelihood(y, X, V) < model.log_likelihood


@pytest.mark.parametrize("seed", range(8))
def test_starts_far_apart_end_at_the_same_likelihood(seed):
    table = _study(seed, participants=6, exercises=2, missing=0.1, session_sd=0.0)
    for random in (DESIGN[:2], ["0 + condition | participant"], ["load_kg | participant"]):
        model = fit(table, "y ~ condition", random, starts=(1.0, 0.3, 10.0, 0.02))
        assert model.converged
        assert model.optimiser_agreement < 1e-7


# ---------------------------------------------------------------- balanced data


def test_balanced_sessions_give_the_repeated_measures_anova():
    table = _study(11, participants=8, exercises=4, session_sd=0.5)
    model = fit(table, "y ~ condition * exercise", SESSIONS)
    means = table.groupby(["participant", "condition"], observed=True)["y"].mean().unstack()
    centred = means.sub(means.mean(axis=1), axis=0)
    effect = 8 * ((means.mean() - means.to_numpy().mean()) ** 2).sum() / 2
    error = (centred.sub(centred.mean()) ** 2).to_numpy().sum() / 14
    found = model.joint_test("condition").iloc[0]
    assert (found["df_num"], round(found["df_den"], 8)) == (2, 14)
    assert found["F"] == pytest.approx(effect / error, rel=1e-9)


def test_two_conditions_give_the_paired_t_test():
    table = _study(12, participants=7, exercises=4, session_sd=0.5)
    table = table[table["condition"] != "low"].assign(
        condition=lambda t: t["condition"].cat.remove_unused_categories()
    )
    means = table.groupby(["participant", "condition"], observed=True)["y"].mean().unstack()
    expected = paired_t(means["target"] - means["none"])
    found = fit(table, "y ~ condition + exercise", SESSIONS).contrasts("condition").iloc[0]
    assert (found["t"], found["p"]) == pytest.approx((expected.t, expected.p), rel=1e-9)
    assert found["ci_low"] == pytest.approx(expected.ci_low, rel=1e-9)


def test_unstructured_covariance_gives_each_contrast_its_own_paired_t_test():
    table = _study(13, participants=9, exercises=3, session_sd=0.9)
    model = fit(table, "y ~ condition + exercise", ["0 + condition | participant"])
    assert not model.singular
    means = table.groupby(["participant", "condition"], observed=True)["y"].mean().unstack()
    for _, found in model.contrasts("condition").iterrows():
        a, b = found["contrast"].split(" - ")
        expected = paired_t(means[a] - means[b])
        assert found["df"] == pytest.approx(8, rel=1e-7)
        assert found["t"] == pytest.approx(expected.t, rel=1e-7)


def test_session_variance_at_zero_hardly_moves_kenward_roger():
    table = _study(14, participants=8, exercises=4, session_sd=0.0)
    model = fit(table, "y ~ condition + exercise", SESSIONS)
    assert model.singular
    df = model.contrasts("condition")["df"].to_numpy()
    assert df == pytest.approx([14, 14, 14], rel=1e-6)
    jumped = model.contrasts("condition", method="satterthwaite")["df"].to_numpy()
    assert (jumped > 50).all()


# ---------------------------------------------------------------- changes that must not matter


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return _study(22, missing=0.1)


FIXED = "y ~ condition * exercise + load_kg"


@pytest.fixture(scope="module")
def model(table: pd.DataFrame) -> Fit:
    return fit(table, FIXED, DESIGN)


@pytest.mark.parametrize("shift, scale", [(0, 1000), (0, 1e-9), (1e6, 1), (-50, 1e4)])
def test_another_unit_or_origin_changes_estimates_and_nothing_else(table, model, shift, scale):
    moved = fit(table.assign(y=shift + scale * table["y"]), FIXED, DESIGN)
    before, after = model.contrasts("condition"), moved.contrasts("condition")
    assert after["estimate"].to_numpy() == pytest.approx(scale * before["estimate"], rel=1e-7)
    assert after["df"].to_numpy() == pytest.approx(before["df"].to_numpy(), rel=1e-7)
    assert after["p"].to_numpy() == pytest.approx(before["p"].to_numpy(), rel=1e-7)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_order_of_rows_does_not_matter(table, model, seed):
    order = np.random.default_rng(seed).permutation(len(table))
    shuffled = fit(table.iloc[order], FIXED, DESIGN)
    assert shuffled.log_likelihood == pytest.approx(model.log_likelihood, abs=1e-9)
    assert shuffled.coefficients()["p"].to_numpy() == pytest.approx(
        model.coefficients()["p"].to_numpy(), rel=1e-7
    )
    assert shuffled.residuals.sort_index().to_numpy() == pytest.approx(
        model.residuals.to_numpy(), abs=1e-7
    )


def test_names_of_participants_and_exercises_do_not_matter(table, model):
    renamed = table.assign(
        participant=table["participant"].map(lambda p: "x" + p[::-1]),
        exercise=table["exercise"].map({"E0": "press", "E1": "row", "E2": "squat"}),
    )
    again = fit(renamed, FIXED, DESIGN)
    assert again.log_likelihood == pytest.approx(model.log_likelihood, abs=1e-9)
    assert again.contrasts("condition")["p"].to_numpy() == pytest.approx(
        model.contrasts("condition")["p"].to_numpy(), rel=1e-7
    )


def test_the_coding_of_factors_does_not_matter(table, model):
    summed = fit(table, "y ~ C(condition, contr.sum) * C(exercise, contr.sum) + load_kg", DESIGN)
    for method in ("kenward-roger", "satterthwaite"):
        before = model.contrasts("condition", method=method)
        after = summed.contrasts("condition", method=method)
        assert after["estimate"].to_numpy() == pytest.approx(before["estimate"], rel=1e-7)
        assert after["p"].to_numpy() == pytest.approx(before["p"].to_numpy(), rel=1e-7)
        joint = model.joint_test("condition", method=method)["p"][0]
        other = summed.joint_test("C(condition, contr.sum)", method=method)["p"][0]
        assert other == pytest.approx(joint, rel=1e-6)


def test_the_table_is_left_as_it_was():
    table = _study(22)
    before = table.copy(deep=True)
    fit(table, FIXED, DESIGN).contrasts("condition", over="exercise")
    pd.testing.assert_frame_equal(table, before)


def test_refitting_another_outcome_equals_fitting_it(table, model):
    y = np.random.default_rng(3).normal(size=len(table))
    again = model.refit(y)
    fresh = fit(table.assign(y=y), FIXED, DESIGN)
    pd.testing.assert_frame_equal(again.coefficients(), fresh.coefficients())
    assert model.refit(table["y"].to_numpy()).deviance == model.deviance


def test_fitting_twice_gives_the_same_bits(table, model):
    pd.testing.assert_frame_equal(
        fit(table, FIXED, DESIGN).coefficients(), model.coefficients(), check_exact=True
    )


# ---------------------------------------------------------------- means, contrasts, joint tests


def test_marginal_means_weigh_cells_equally_and_covariates_at_their_mean(table, model):
    found = model.marginal_means("condition")
    beta = model.coefficients().set_index("term")["estimate"]
    by_hand = (
        beta["Intercept"]
        + beta["condition[T.low]"]
        + (beta["exercise[T.E1]"] + beta["exercise[T.E2]"]) / 3
        + (beta["condition[T.low]:exercise[T.E1]"] + beta["condition[T.low]:exercise[T.E2]"]) / 3
        + beta["load_kg"] * table["load_kg"].mean()
    )
    assert found["estimate"][1] == pytest.approx(by_hand, rel=1e-10)
    heavier = model.marginal_means("condition", at={"load_kg": table["load_kg"].mean() + 10})
    rise = heavier["estimate"] - found["estimate"]
    assert rise.to_numpy() == pytest.approx([10 * beta["load_kg"]] * 3, rel=1e-9)


def test_contrasts_at_each_exercise_average_to_the_marginal_contrast(model):
    pairs = [("target", "none")]
    within = model.contrasts("condition", pairs, over="exercise")
    overall = model.contrasts("condition", pairs)
    assert list(within["exercise"]) == ["E0", "E1", "E2"]
    assert within["estimate"].mean() == pytest.approx(overall["estimate"][0], rel=1e-9)
    one = model.contrasts("condition", pairs, at={"exercise": "E1"})
    assert one["p"][0] == within["p"][1]


def test_a_contrast_may_be_written_in_several_ways(model):
    by_cells = model.contrast({("target",): 1, ("none",): -1}, label="target - none")
    by_weights = model.contrast(model.cell(condition="target") - model.cell(condition="none"))
    by_name = model.contrasts("condition", [("target", "none")])
    numbers = ["estimate", "se", "df", "p"]
    assert by_cells[numbers].to_numpy() == pytest.approx(by_name[numbers].to_numpy())
    assert by_weights[numbers].to_numpy() == pytest.approx(by_name[numbers].to_numpy())
    slope = model.contrast({"load_kg": 2.0})
    coefficient = model.coefficients().set_index("term").loc["load_kg"]
    assert slope["estimate"][0] == pytest.approx(2 * coefficient["estimate"])
    assert slope["p"][0] == pytest.approx(coefficient["p"])


def test_a_joint_test_of_one_comparison_is_its_t_test(model):
    slope = model.coefficients().set_index("term").loc["load_kg"]
    found = model.joint_test("load_kg").iloc[0]
    assert (found["F"], found["df_den"], found["p"]) == pytest.approx(
        (slope["t"] ** 2, slope["df"], slope["p"])
    )


def test_a_joint_test_does_not_depend_on_which_differences_span_it(model):
    cells = [model.cell(condition=c) for c in CONDITIONS]
    two = np.array([cells[1] - cells[0], cells[2] - cells[0]])
    three = np.array([cells[1] - cells[0], cells[2] - cells[1], cells[2] - cells[0]])
    names = ["F", "df_num", "df_den", "p"]
    first = model.joint_test(two)[names].to_numpy()
    assert model.joint_test(three)[names].to_numpy() == pytest.approx(first, rel=1e-8)
    assert model.joint_test("condition")[names].to_numpy() == pytest.approx(first, rel=1e-8)
    # Fai and Cornelius' df use the principal axes of the rows given, so only F stays the same
    F = [model.joint_test(rows, method="satterthwaite")["F"][0] for rows in (two, three)]
    assert F[1] == pytest.approx(F[0], rel=1e-8)


def test_a_term_of_a_curve_is_tested_by_its_own_coefficient():
    model = fit(_sides(7), "y ~ day + I(day**2)", ["day | animal", "1 | animal:side"])
    coefficients = model.coefficients().set_index("term")
    for term in ("day", "I(day ** 2)"):
        assert model.joint_test(term)["p"][0] == pytest.approx(coefficients.loc[term, "p"])


def test_intervals_belong_to_their_df(model):
    found = model.contrasts("condition", level=0.9)
    half = stats.t.ppf(0.95, found["df"]) * found["se"]
    assert (found["ci_high"] - found["estimate"]).to_numpy() == pytest.approx(half.to_numpy())


# ---------------------------------------------------------------- what cannot be estimated


def test_an_empty_cell_is_named_and_its_contrasts_are_refused_with_a_reason():
    table = _study(31, participants=6, exercises=4)
    table = table[~((table["condition"] == "low") & (table["exercise"] == "E1"))]
    model = fit(table, "y ~ condition * exercise", SESSIONS)
    assert model.aliased == ["condition[T.low]:exercise[T.E1]"]
    assert "left out" in model.notes[0]
    found = model.contrasts("condition").set_index("contrast")
    assert found.loc["low - none", "note"].startswith("not estimable")
    assert np.isnan(found.loc["low - none", "p"])
    assert found.loc["target - none", "note"] == ""
    within = model.contrasts("condition", [("low", "none")], over="exercise")
    assert (within["note"] != "").tolist() == [False, True, False, False]
    joint = model.joint_test("condition").iloc[0]
    assert joint["df_num"] == 1
    assert joint["note"].startswith("1 of 2 comparisons")
    additive = fit(table, "y ~ condition + exercise", SESSIONS)
    assert (additive.contrasts("condition")["note"] == "").all()


def test_one_order_for_everybody_leaves_condition_and_period_inseparable():
    table = _study(32).assign(period=lambda t: t["condition"].cat.codes + 1)
    model = fit(table, "y ~ condition + C(period)", SESSIONS)
    found = model.contrasts("condition")
    assert found["note"].str.contains("cannot be told from another term").all()
    assert found["estimate"].isna().all()


def test_a_level_without_rows_is_not_estimable():
    table = _study(33)
    table = table[table["condition"] != "low"]
    found = fit(table, "y ~ condition + exercise", SESSIONS).contrasts("condition")
    assert (found["note"] == "").tolist() == [False, True, False]


# ---------------------------------------------------------------- variances


def test_variance_components_are_named_and_have_intervals(model):
    parts = model.variance_components().set_index("term")
    assert list(parts.index) == [
        "participant",
        "participant:condition",
        "participant:exercise",
        "residual",
    ]
    assert (parts["sd_low"] < parts["sd"]).all()
    assert (parts["sd_high"] > parts["sd"]).all()
    assert parts.loc["residual", "sd"] == model.sigma
    assert model.n_levels["participant:condition"] == 24


def test_a_covariance_matrix_comes_with_its_correlations():
    model = fit(_study(41, session_sd=0.8), "y ~ condition", ["0 + condition | participant"])
    parts = model.variance_components()
    assert len(parts) == 7
    off = parts[parts["effect_2"] != ""]
    assert (off["sd"].abs() <= 1).all()
    assert parts["effect"][0] == "condition[none]"


def test_slashes_stand_for_nesting():
    table = _study(42)
    one = fit(table, "y ~ condition", ["1 | participant/exercise"])
    two = fit(table, "y ~ condition", ["1 | participant", "1 | participant:exercise"])
    assert one.log_likelihood == two.log_likelihood


# ---------------------------------------------------------------- messages


@pytest.mark.parametrize(
    "change, fixed, random, message",
    [
        ({}, "y ~ conditoin", DESIGN, "no column 'conditoin'"),
        ({}, "y ~ condition", ["1 | person"], "no column 'person'"),
        ({}, "y ~ condition +", DESIGN, "formula 'y ~ condition +'"),
        ({}, "condition", DESIGN, "name the outcome"),
        ({}, "participant ~ condition", SESSIONS, "one numeric column"),
        ({}, "y ~ condition", ["participant"], "expected 'effects | grouping'"),
        ({}, "y ~ condition", ["load_kg || participant"], "one term per independent effect"),
        ({}, "y ~ condition", [], "at least one random term"),
        ({}, "y ~ condition", ["1 | participant"] * 2, "declared twice"),
        ({"y": 3.0}, "y ~ condition", DESIGN, "the same value (3) in all"),
        ({"y": lambda t: t["load_kg"] * 2}, "y ~ load_kg", DESIGN, "reproduce the outcome"),
        ({"y": lambda t: t["y"].where(t.index > 2)}, "y ~ condition", DESIGN, "'y' in 3 of"),
        ({"y": lambda t: t["y"].clip(lower=5) - 5}, "log(y) ~ condition", DESIGN, "log of zero"),
        ({"participant": "P1"}, "y ~ exercise", ["1 | participant"], "needs at least 2"),
        (
            {},
            "y ~ condition",
            ["1 | participant:condition:exercise"],
            "cannot be told from the residual",
        ),
        (
            {"twin": lambda t: "t" + t["participant"]},
            "y ~ condition",
            ["1 | participant", "1 | twin"],
            "in the same way",
        ),
        (
            {"y": lambda t: t["participant"].str[1:].astype(float)},
            "y ~ condition",
            ["1 | participant"],
            "residual variance goes to zero",
        ),
    ],
)
def test_a_model_that_cannot_be_fitted_says_what_to_mend(change, fixed, random, message):
    with pytest.raises(ModelError) as caught:
        fit(_study(51, missing=0.1).assign(**change), fixed, random)
    assert message in str(caught.value)


def test_more_coefficients_than_rows_are_refused():
    few = _study(52).head(9)
    with pytest.raises(ModelError, match="at least"):
        fit(few, "y ~ condition * exercise + load_kg", ["1 | exercise"])


def test_questions_that_the_model_cannot_answer_are_refused(model):
    with pytest.raises(ModelError, match="no level 'tarqet'"):
        model.contrasts("condition", [("tarqet", "none")])
    with pytest.raises(ModelError, match="not a factor"):
        model.contrasts("load_kg")
    with pytest.raises(ModelError, match="no term 'period'"):
        model.joint_test("period")
    with pytest.raises(ModelError, match="not one of"):
        model.coefficients(method="kr")
    with pytest.raises(ModelError, match="one per coefficient"):
        model.contrast([1.0, -1.0])
    with pytest.raises(ModelError, match="need a REML fit"):
        fit(_study(53), "y ~ condition", DESIGN, reml=False).coefficients()
