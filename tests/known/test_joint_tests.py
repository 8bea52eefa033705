"""Conditions and exercises tested together, against printed numbers, and the error of the test."""

import numpy as np
import pandas as pd
import pytest
from scipy import special

from comparison.conditions import Comparison
from comparison.joint_tests import CONDITION, INTERACTION, joint_tests
from comparison.within_person import WithinPerson, between_conditions, condition_by_exercise
from report.joint_tests import sentence_of_interaction

EXERCISES = ("curl", "press", "row", "squat")


def comparison_of(y, exercises=EXERCISES):
    """A comparison of cells (people, conditions, exercises), everybody in one order of visits."""
    means = [
        {
            "participant_id": f"sub-{p:02d}",
            "condition": f"C{c}",
            "exercise": name,
            "visit": c,
            "y": v,
        }
        for (p, c, e), v in np.ndenumerate(y)
        for name in [exercises[e] if exercises else None]
        if not np.isnan(v)
    ]
    return Comparison.of_rows(
        pd.DataFrame(means),
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=[f"C{c}" for c in range(y.shape[1])],
    )


def cells(people=8, *, effects=None, seed=1):
    rng = np.random.default_rng(seed)
    y = rng.normal(size=(people, 3, 4)) + rng.normal(size=(people, 3, 1))
    return y if effects is None else y + effects


def together(comparison):
    return {row["term"]: row for row in joint_tests(comparison, fewest_participants=4)}


def test_four_conditions_are_tested_as_in_a_repeated_measures_analysis_of_variance():
    # effort to arise from four stools (Wretenberg, Arborelius and Lindberg 1993, as printed in
    # Pinheiro and Bates 2000, section 1.2): F 22.35564; Huynh-Feldt epsilon .848965 (R, anova.mlm)
    stools = [
        [12, 10, 7, 7, 8, 9, 8, 7, 9],
        [15, 14, 14, 11, 11, 11, 12, 11, 13],
        [12, 13, 13, 10, 8, 11, 12, 8, 10],
        [10, 12, 9, 9, 7, 10, 11, 7, 8],
    ]
    row = together(comparison_of(np.array(stools, dtype=float).T[:, :, None], None))[CONDITION]
    assert row["F"] == pytest.approx(22.35564, abs=5e-6)
    assert row["epsilon"] == pytest.approx(0.848965, abs=5e-7)
    assert row["df_num"] == pytest.approx(3 * 0.848965, abs=2e-6)
    assert row["df"] == pytest.approx(24 * 0.848965, abs=2e-5)


def test_condition_by_exercise_is_the_f_of_a_two_way_repeated_measures_analysis():
    # statsmodels.stats.anova.AnovaRM
    from statsmodels.stats.anova import AnovaRM

    comparison = comparison_of(cells())
    theirs = AnovaRM(comparison.cells, "y", "participant", within=["condition", "exercise"]).fit()
    row = together(comparison)[INTERACTION]
    expected = theirs.anova_table.loc["condition:exercise"]
    assert row["F"] == pytest.approx(expected["F Value"])
    assert row["df_num"] == pytest.approx(expected["Num DF"] * row["epsilon"])
    assert row["df"] == pytest.approx(expected["Den DF"] * row["epsilon"])


def test_an_effect_that_is_equal_everywhere_is_no_interaction_and_one_of_a_single_exercise_is():
    everywhere, in_one = np.zeros((2, 1, 3, 4))
    everywhere[:, 2], in_one[:, 2, 3] = 5.0, 5.0
    alone = together(comparison_of(cells()))[INTERACTION]
    with_both = together(comparison_of(cells(effects=everywhere)))
    assert with_both[INTERACTION]["p"] == pytest.approx(alone["p"])
    assert with_both[CONDITION]["p"] < 0.001
    assert together(comparison_of(cells(effects=in_one)))[INTERACTION]["p"] < 0.001


def test_an_exercise_that_too_few_did_in_all_conditions_is_left_out_and_named():
    y = cells()
    y[1:, 2, 3] = np.nan
    row = together(comparison_of(y))[INTERACTION]
    assert row["exercises"] == "curl; press; row"
    assert row["note"] == "without squat: too few people have all conditions"
    assert row["p"] == pytest.approx(together(comparison_of(y[:, :, :3]))[INTERACTION]["p"])


@pytest.mark.parametrize(
    ("people", "exercises", "says"),
    [
        (3, 4, "3 pairs in one of the differences"),
        (8, 1, "fewer than two exercises have all conditions"),
    ],
)
def test_few_people_or_exercises_are_told_and_not_tested(people, exercises, says):
    y = cells(people)
    y[:, 2, exercises:] = np.nan
    row = together(comparison_of(y))[INTERACTION]
    assert "p" not in row
    assert says in row["note"]


def false_interactions(layout, spreads, studies, rng):
    """Share of studies without any interaction in which the test shows one at .05."""
    people, conditions, exercises = layout.filled.shape
    test = layout.joint(condition_by_exercise((conditions, exercises), range(exercises)))
    y = rng.normal(size=(studies, people, 1, exercises)) * 0.3
    y = y + rng.normal(size=(studies, people, conditions, 1)) * 0.25
    y = y + rng.normal(size=(studies, *layout.filled.shape)) * spreads
    p = [test.of(values).p for values in y[(slice(None), *layout.cells)]]
    return np.mean(np.array(p) < 0.05)


@pytest.mark.parametrize("missing", [0.0, 0.1])
@pytest.mark.parametrize("people", [5, 8, 12])
def test_an_interaction_that_is_not_there_is_shown_in_no_more_than_one_study_of_twenty(
    people, missing
):
    # 2,000 studies a case: three standard errors of a share of .05 are .015
    rng = np.random.default_rng(people)
    filled = rng.random((people, 3, 4)) >= missing
    visits = np.array([rng.permutation(3) for _ in range(people)])[:, :, None] * np.ones(4)
    layout = WithinPerson(filled, visits)
    assert false_interactions(layout, 0.4, 2_000, rng) < 0.065


def test_more_contrasts_than_people_can_still_be_tested():
    """A Hotelling test could not; with 5 people there are 6 contrasts of condition by exercise."""
    effects = np.zeros((1, 3, 4))
    effects[:, 2] = [-4.0, 0.0, 0.0, 4.0]
    y = np.random.default_rng(2).normal(size=(5, 3, 4)) + effects
    test = WithinPerson(np.ones(y.shape, dtype=bool), np.zeros(y.shape))
    joint = test.joint(condition_by_exercise((3, 4), range(4))).of(y[test.cells])
    assert joint.p < 0.01
    assert joint.p == special.fdtrc(joint.df_num, joint.df, joint.F)


def test_contrasts_of_conditions_and_of_both_are_at_right_angles():
    contrasts = [between_conditions((3, 4), range(4)), condition_by_exercise((3, 4), range(4))]
    flat = np.concatenate(contrasts).reshape(8, 12)
    assert flat @ flat.T == pytest.approx(np.eye(8))


@pytest.mark.parametrize(
    ("effect", "says"),
    [
        (6.0, "the differences between conditions vary from exercise to exercise (F("),
        (0.0, "were not shown to vary from exercise to exercise (F("),
    ],
)
def test_what_is_said_of_exercises_follows_from_the_test(effect, says):
    effects = np.zeros((1, 3, 4))
    effects[:, 2, 0] = effect
    row = pd.Series(together(comparison_of(cells(effects=effects)))[INTERACTION])
    said = sentence_of_interaction(row, "Lowest saturation")
    assert says in said
    assert ("This does not show that they are alike." in said) == (effect == 0)


def test_an_interaction_that_was_not_tested_is_told_with_its_reason():
    row = pd.Series({"p": np.nan} | together(comparison_of(cells(3)))[INTERACTION])
    assert sentence_of_interaction(row, "Nadir") == (
        "Nadir: whether the differences between conditions vary from exercise to exercise was not "
        "tested (3 pairs in one of the differences)."
    )
