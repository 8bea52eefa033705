"""The mixed model against published tables and against R; sources in mixed_model/README.md."""

import importlib.resources
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import optimize

from comparison.conditions import contrast_weights
from comparison.design import PARTICIPANT, SESSION, Design
from comparison.mixed_model import Fit, fit
from comparison.model_table import hypotheses

FOLDER = Path(__file__).parent / "mixed_model"
CELLS = pd.read_csv(FOLDER / "cells.tsv", sep="\t", dtype={"participant": str, "exercise": str})
EXPECTED = pd.read_csv(FOLDER / "expected.tsv", sep="\t", na_values=["n/a"], keep_default_na=False)
MODELS = list(EXPECTED.groupby(["table", "fixed", "sessions"], sort=False).groups)
FIXED = {
    "1": lambda name: name == "Intercept",
    "condition": lambda name: "exercise" not in name,
    "condition + exercise": lambda name: ":" not in name,
    "condition * exercise": lambda name: True,
}


def fitted(cells: pd.DataFrame, fixed: str = "condition", sessions: str = "no") -> Fit:
    """Model of some fixed terms, with random participants and, if "yes", their sessions."""
    names = pd.unique(cells["condition"])
    cells = cells.assign(condition=pd.Categorical(cells["condition"], names))
    design = Design.of_cells(cells, by_exercise=True, with_visit=False)
    kept = np.array([FIXED[fixed](name) for name in design.names])
    design = replace(
        design,
        terms=(PARTICIPANT, SESSION) if sessions == "yes" else (PARTICIPANT,),
        names=tuple(np.array(design.names)[kept]),
        X=design.X[:, kept],
        cell_means=design.cell_means[..., kept],
    )
    return fit(design, cells["y"].to_numpy())


@cache
def model_of(table: str, fixed: str, sessions: str) -> Fit:
    return fitted(CELLS[CELLS["table"] == table], fixed, sessions)


def expected_of(key, what, method=None) -> pd.DataFrame:
    rows = EXPECTED[(EXPECTED[["table", "fixed", "sessions"]] == list(key)).all(axis=1)]
    return rows[(rows["what"] == what) & (rows["method"].eq(method) if method else True)]


@pytest.mark.parametrize("key", MODELS, ids="; ".join)
def test_log_likelihood_and_variances_agree_with_r(key):
    model, variances = model_of(*key), expected_of(key, "variance")
    likelihood = expected_of(key, "log likelihood")["estimate"].item()
    assert model.log_likelihood == pytest.approx(likelihood, abs=1e-6)
    parts = model.variance_components()
    assert [part["term"] for part in parts] == variances["term"].to_list()
    # lme4's optimiser stops at a relative distance of about 1e-6 from the optimum
    assert [part["variance"] for part in parts] == pytest.approx(
        variances["estimate"].to_list(), rel=5e-6, abs=1e-8
    )
    assert model.converged
    assert model.optimiser_agreement < 1e-6
    assert model.singular == (variances["estimate"].min() == 0)


@pytest.mark.parametrize("method", ["satterthwaite", "kenward-roger"])
@pytest.mark.parametrize("key", MODELS, ids="; ".join)
def test_coefficients_and_their_tests_agree_with_r(key, method):
    model, wanted = model_of(*key), expected_of(key, "coefficient", method)
    tests = pd.DataFrame(model.tests(np.eye(len(model.design.names)), method=method))
    assert tests["estimate"].to_numpy() == pytest.approx(
        wanted["estimate"].to_numpy(), rel=1e-6, abs=1e-8
    )
    assert tests["se"].to_numpy() == pytest.approx(wanted["se"].to_numpy(), rel=1e-5)
    assert tests["df"].to_numpy() == pytest.approx(wanted["df"].to_numpy(), rel=1e-4)
    assert tests["p"].to_numpy() == pytest.approx(wanted["p"].to_numpy(), abs=1e-6)


@pytest.mark.parametrize("key", MODELS, ids="; ".join)
def test_joint_tests_agree_with_r(key):
    model = model_of(*key)
    for wanted in expected_of(key, "F").itertuples():
        test = model.joint_test(hypotheses(model.design.cell_means)[wanted.term])
        assert test["df_num"] == wanted.df_num
        assert test["F"] == pytest.approx(wanted.estimate, rel=1e-5)
        assert test["df"] == pytest.approx(wanted.df, rel=1e-4)
        assert test["p"] == pytest.approx(wanted.p, abs=1e-6)


@pytest.mark.parametrize("method", ["satterthwaite", "kenward-roger"])
@pytest.mark.parametrize("key", MODELS, ids="; ".join)
def test_condition_contrasts_weigh_every_exercise_equally_as_emmeans_does(key, method):
    model = model_of(*key)
    for wanted in expected_of(key, "contrast", method).itertuples():
        weights = contrast_weights(model.design, tuple(wanted.term.split(" - ")), "all")
        (test,) = model.tests(weights[None], method=method)
        assert test["estimate"] == pytest.approx(wanted.estimate, rel=1e-6)
        assert test["se"] == pytest.approx(wanted.se, rel=1e-5)
        assert test["df"] == pytest.approx(wanted.df, rel=1e-4)
        assert test["p"] == pytest.approx(wanted.p, abs=1e-6)


def test_nested_fit_is_the_one_printed_by_pinheiro_and_bates():
    # Pinheiro and Bates 2000, section 1.3.2: SDs 4.78105, 3.729532, 0.9615771; REML -107.8438
    model = model_of("machines", "condition", "yes")
    sds = [part["sd"] for part in model.variance_components()]
    assert sds == pytest.approx([4.78105, 3.729532, 0.9615771], rel=5e-6)
    assert model.log_likelihood == pytest.approx(-107.8438, abs=5e-5)


def test_a_zero_variance_lets_satterthwaite_jump_but_not_kenward_roger():
    # R: 29 and 5 df; five is right for six batches (balanced one-way layout)
    model = model_of("dyestuff without batch effect", "1", "no")
    assert model.singular
    (honest,) = model.tests(np.ones((1, 1)))
    (jumped,) = model.tests(np.ones((1, 1)), method="satterthwaite")
    assert (honest["df"], jumped["df"]) == pytest.approx((5, 29), rel=1e-9)
    part = model.variance_components()[0]
    assert part["variance"] == 0


def test_a_zero_variance_has_the_upper_end_of_its_profiled_likelihood():
    # closed form of the balanced one-way layout with n values in each of k batches: the restricted
    # deviance at the ratio r of variances is (kn - 1) log(W + B / (1 + nr)) + (k - 1) log(1 + nr),
    # W and B the sums of squares within and between (Searle, Casella and McCulloch 1992, ch. 3);
    # 3.841459 is the .95 quantile of chi-square with one degree of freedom
    cells = CELLS[CELLS["table"] == "dyestuff without batch effect"]
    batches = [group.to_numpy(float) for _, group in cells.groupby("participant")["y"]]
    k, n = len(batches), len(batches[0])
    within = sum(((batch - batch.mean()) ** 2).sum() for batch in batches)
    means = np.array([batch.mean() for batch in batches])
    between = n * ((means - means.mean()) ** 2).sum()

    def sum_of_squares(ratio):
        return within + between / (1 + n * ratio)

    def deviance(ratio):
        return (k * n - 1) * np.log(sum_of_squares(ratio)) + (k - 1) * np.log(1 + n * ratio)

    end = optimize.brentq(lambda ratio: deviance(ratio) - deviance(0) - 3.841459, 0, 50)
    expected = np.sqrt(end * sum_of_squares(end) / (k * n - 1))
    part = model_of("dyestuff without batch effect", "1", "no").variance_components()[0]
    assert part["sd_low"] == 0
    assert part["sd_high"] == pytest.approx(expected, rel=1e-5)


def _certified(name: str) -> tuple[pd.DataFrame, dict[str, float]]:
    """A data set of NIST's Statistical Reference Datasets (analysis of variance), which scipy
    carries, with its certified mean squares."""
    folder = importlib.resources.files("scipy.stats.tests.data.nist_anova")
    lines = (folder / f"{name}.dat").read_text(encoding="utf-8").splitlines()
    mean_squares = {
        start.lower(): float(next(line.split() for line in lines if line.startswith(start))[column])
        for start, column in (("Between", -2), ("Within", -1))
    }
    rows = [line.split() for line in lines[60:] if line.strip()]
    table = pd.DataFrame([(level, float(y)) for level, y in rows], columns=["participant", "y"])
    repeat = table.groupby("participant").cumcount().astype(str)
    return table.assign(condition="all", exercise=repeat), mean_squares


@pytest.mark.parametrize("name", ["SiRstv", "SmLs01", "SmLs02", "AtmWtAg"])
def test_variances_are_those_of_the_certified_mean_squares(name):
    # balanced, between above within: the residual is the mean square within, the variance of the
    # levels the difference of the mean squares over the replicates (Searle, Casella and McCulloch
    # 1992, Variance Components, section 3.6)
    table, certified = _certified(name)
    replicates = len(table) / table["participant"].nunique()
    model = fitted(table, "1")
    between = (certified["between"] - certified["within"]) / replicates
    variances = [part["variance"] for part in model.variance_components()]
    assert variances == pytest.approx([between, certified["within"]], rel=1e-5)
    (mean,) = model.tests(np.ones((1, 1)))
    assert mean["df"] == pytest.approx(table["participant"].nunique() - 1, rel=1e-4)
