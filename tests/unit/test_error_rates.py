"""The honesty of the default test, on invented studies without any effect.

Expected rates: simulation with 100,000 studies of eight participants, three conditions and six
exercises, session SD .25, residual SD .40 (own computation, Monte-Carlo SE .0007 to .0015).
"""

import itertools
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import contrast_weights
from comparison.design import PARTICIPANT, SESSION, Design
from comparison.error_rates import balanced_tests, simulated_error_rates
from comparison.mixed_model import fit

CONDITIONS = ["none", "low", "target"]


@pytest.fixture(scope="module")
def rates() -> pd.Series:
    found = simulated_error_rates(
        participants=8,
        exercises=6,
        studies=4_000,
        session_sd=0.25,
        residual_sd=0.40,
        rng=np.random.default_rng(20),
    )
    return found.set_index(["method", "test"])["rate"]


# four Monte-Carlo standard errors of 4,000 studies: .014 at .05, .018 at .08, .030 at .31
@pytest.mark.parametrize(
    "method, test, expected, margin",
    [
        ("kenward-roger", "joint", 0.050, 0.014),
        ("kenward-roger", "single contrast", 0.050, 0.014),
        ("kenward-roger", "any of holm-adjusted", 0.042, 0.013),
        ("contrast-specific", "single contrast", 0.051, 0.014),
        ("contrast-specific", "any of holm-adjusted", 0.046, 0.014),
        ("wald z", "joint", 0.082, 0.018),
        ("no session effect", "joint", 0.314, 0.030),
    ],
)
def test_rates_without_any_effect(rates, method, test, expected, margin):
    assert rates[method, test] == pytest.approx(expected, abs=margin)


def test_the_default_keeps_its_promise_and_the_wrong_models_do_not(rates):
    assert 0.02 < rates["kenward-roger", "joint"] < 0.065
    assert rates["wald z", "joint"] > 0.065
    assert rates["no session effect", "joint"] > 0.20


def test_unequal_session_spread_breaks_pooled_tests_and_spares_paired_ones():
    # own simulation of 100,000 studies: .072 and .049
    found = simulated_error_rates(
        participants=8,
        exercises=6,
        studies=20_000,
        session_sd=(0.05, 0.25, 0.5),
        residual_sd=0.40,
        rng=np.random.default_rng(21),
    ).set_index(["method", "test"])["rate"]
    assert found["kenward-roger", "single contrast"] == pytest.approx(0.072, abs=0.008)
    assert found["contrast-specific", "single contrast"] == pytest.approx(0.049, abs=0.006)


@pytest.mark.parametrize("session_sd", [0.25, (0.05, 0.25, 0.5)])
def test_the_rule_that_decides_keeps_the_level_of_one_contrast_and_of_the_family(session_sd):
    found = simulated_error_rates(
        participants=8,
        exercises=6,
        studies=20_000,
        session_sd=session_sd,
        residual_sd=0.40,
        rng=np.random.default_rng(24),
    ).set_index(["method", "test"])["rate"]
    # four Monte-Carlo standard errors of 20,000 studies: .006
    assert found["as decided", "single contrast"] == pytest.approx(0.05, abs=0.006)
    assert 0.02 < found["as decided", "any of holm-adjusted"] < 0.056


def test_power_for_a_true_difference():
    # own simulation of 100,000 studies, effects 0, -.15 and -.30: .464 pooled, .410 paired
    found = simulated_error_rates(
        participants=8,
        exercises=6,
        studies=8_000,
        session_sd=0.25,
        residual_sd=0.40,
        condition_effects=(0.0, -0.15, -0.30),
        rng=np.random.default_rng(22),
    ).set_index(["method", "test"])["rate"]
    assert found["kenward-roger", "single contrast"] == pytest.approx(0.464, abs=0.022)
    assert found["contrast-specific", "single contrast"] == pytest.approx(0.410, abs=0.022)


@pytest.mark.parametrize("session_sd", [0.0, 0.4])
def test_the_closed_form_is_the_fitted_model(session_sd):
    rng = np.random.default_rng(23)
    shape = (6, 5, 3, 4)
    y = rng.normal(0, 2, (6, 5, 1, 1)) + rng.normal(0, session_sd, (6, 5, 3, 1))
    y = y + rng.normal(0, 0.4, shape)
    cells = list(itertools.product(range(5), CONDITIONS, "abcd"))
    table = pd.DataFrame(cells, columns=["participant", "condition", "exercise"])
    table["condition"] = pd.Categorical(table["condition"], CONDITIONS)
    found = balanced_tests(y)
    whole = Design.of_cells(table, by_exercise=True, with_visit=False)
    sessions = replace(whole, terms=(PARTICIPANT, SESSION))
    no_sessions = replace(whole, terms=(PARTICIPANT,))
    pairs = [("low", "none"), ("target", "none"), ("target", "low")]
    weights = np.array([contrast_weights(whole, pair, "all") for pair in pairs])
    for k in range(6):
        model = fit(sessions, y[k].ravel())
        for method in ("kenward-roger", "satterthwaite"):
            contrasts = [test["p"] for test in model.tests(weights, method=method)]
            assert contrasts == pytest.approx(found[method]["contrasts"][k], rel=1e-6)
        joint = model.joint_test(weights)["p"]
        assert joint == pytest.approx(found["kenward-roger"]["joint"][k], rel=1e-6)
        alone = fit(no_sessions, y[k].ravel())
        assert [test["p"] for test in alone.tests(weights)] == pytest.approx(
            found["no session effect"]["contrasts"][k], rel=1e-6
        )


def test_the_same_seed_gives_the_same_rates():
    settings = {"participants": 5, "exercises": 2, "studies": 50, "session_sd": 0.2}
    first, second = (
        simulated_error_rates(**settings, residual_sd=0.4, rng=np.random.default_rng(1))
        for _ in range(2)
    )
    pd.testing.assert_frame_equal(first, second)
