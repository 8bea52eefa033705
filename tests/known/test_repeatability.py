"""Repeatability and individual responses against published numbers and against built-in truth."""

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import Comparison
from comparison.individual_responses import (
    NO_BOUTS,
    difference_of_variances,
    responses_table,
    spreads_of_responses,
)
from comparison.repeatability import (
    MeanSquares,
    agreement,
    agreement_interval,
    consistency,
    error_of_measurement,
    repeatability_table,
)

# Shrout and Fleiss 1979, Psychol Bull 86:420, table 2: six targets, four judges
JUDGED = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def test_intraclass_correlations_of_six_targets_and_four_judges():
    # printed .29 and .71 (from memory); values and intervals: R 4.2.2, psych
    squares = MeanSquares.of(JUDGED)
    assert agreement(squares) == pytest.approx(0.289763779528)
    assert agreement_interval(squares) == pytest.approx((0.018786513375, 0.761084369649))
    assert consistency(squares.people, squares.residual, 4) == pytest.approx(0.714840714841)


def test_the_error_of_measurement_is_the_root_of_the_residual_mean_square():
    # Weir 2005, J Strength Cond Res 19:231: SEM = root of MS error, here 1.0194 with 15 df;
    # interval by hand: 15 x 1.0194 / 27.488 and / 6.2621 (chi squared tables)
    squares = MeanSquares.of(JUDGED)
    sem, low, high = error_of_measurement(squares.residual, squares.df_residual)
    assert sem**2 == pytest.approx(1.0194, abs=5e-5)
    assert (low, high) == pytest.approx((0.7459, 1.5627), abs=2e-4)


def rows_of(y, *, scale="identity"):
    """Values (people, conditions, exercises, bouts) as rows; a visit for each condition."""
    rows = [
        {
            "participant_id": f"sub-{person:02d}",
            "session_id": f"ses-{condition}",
            "visit": condition + 1,
            "event_id": f"set-{exercise}-{bout}",
            "event_onset_s": 100.0 * exercise + 10.0 * bout,
            "exercise": f"exercise {exercise}",
            "condition": ("none", "target")[condition],
            "y": value,
        }
        for (person, condition, exercise, bout), value in np.ndenumerate(y)
    ]
    return pd.DataFrame(rows)


def simulated(rng, *, people=40, bout_sd=1.0, response_sd=2.0, bouts=2):
    """Two conditions, three exercises: people, true responses, a shift from bout to bout, bouts."""
    shape = (people, 2, 3, bouts)
    y = 50 + 4 * rng.normal(size=(people, 1, 1, 1)) + bout_sd * rng.normal(size=shape)
    y = y - 1.5 * np.arange(bouts)
    response = 5 + response_sd * rng.normal(size=people)
    y[:, 1] += response[:, None, None]
    return y, response


def comparison_of(y):
    return Comparison.of_rows(
        rows_of(y),
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=("none", "target"),
    )


def test_bouts_repeat_with_the_error_that_was_built_in_and_a_shift_of_all_is_no_error():
    y, _ = simulated(np.random.default_rng(1), response_sd=0.0)
    row = repeatability_table(
        rows_of(y), outcome="smo2_nadir_pct", window="set", scale="identity"
    ).iloc[0]
    assert row["sem_low"] < 1.0 < row["sem_high"]
    assert row["detectable_change"] == pytest.approx(1.96 * np.sqrt(2) * row["sem"])
    # 4 between people, 1 between bouts: 16 of 17
    assert row["icc_low"] < 16 / 17 < row["icc_high"]
    assert (row["n_participants"], row["repeats"], row["df"]) == (40, 2, 39 * 6)


def test_of_one_stratum_pooled_bouts_are_the_two_way_analysis():
    values = rows_of(JUDGED[:, None, None, :].astype(float))
    row = repeatability_table(values, outcome="rpe", window="set", scale="identity").iloc[0]
    assert row["icc"] == pytest.approx(0.714840714841)
    assert row["sem"] ** 2 == pytest.approx(MeanSquares.of(JUDGED).residual)


def test_baselines_of_people_without_every_visit_are_left_out_and_counted():
    rng = np.random.default_rng(2)
    level = 60 + 5 * rng.normal(size=(12, 1)) + rng.normal(size=(12, 3))
    values = pd.DataFrame(
        [
            {"participant_id": f"sub-{p:02d}", "visit": v + 1, "y": level[p, v]}
            for p in range(12)
            for v in range(3)
            if (p, v) != (4, 2)
        ]
    )
    row = repeatability_table(
        values, outcome="mean_hr_bpm", window="baseline", scale="identity"
    ).iloc[0]
    complete = np.delete(level, 4, axis=0)
    assert row["icc"] == pytest.approx(agreement(MeanSquares.of(complete)))
    assert row["n_participants"] == 11
    assert row["note"] == "left out, without every visit: 1"


@pytest.mark.parametrize(
    ("y", "why"),
    [
        (np.ones((5, 2, 3, 1)), "no bouts were repeated"),
        (np.random.default_rng(3).normal(size=(2, 2, 3, 2)), "fewer than 3 people"),
        (np.full((5, 2, 3, 2), 40.0), "all repeats are the same"),
    ],
)
def test_what_does_not_repeat_says_why(y, why):
    row = repeatability_table(rows_of(y), outcome="rpe", window="set", scale="identity").iloc[0]
    assert row["note"] == why
    assert pd.isna(row["icc"])


def test_the_spread_of_true_responses_is_found_apart_from_that_of_bouts():
    rng = np.random.default_rng(4)
    held, beyond = 0, []
    for _ in range(60):
        y, _ = simulated(rng, people=15, bout_sd=3.0, response_sd=2.0)
        spread = spreads_of_responses(comparison_of(y))["target", "none"]
        held += spread.low <= 2.0 <= spread.high
        beyond.append(spread.sd**2)
    # 95 % of 60 studies are 57, three standard errors 5; the variance is nearly unbiased
    assert held >= 52
    assert np.mean(beyond) == pytest.approx(4.0, rel=0.25)


def test_without_true_differences_nothing_is_left_beyond_bouts():
    rng = np.random.default_rng(5)
    zero = 0
    for _ in range(30):
        y, _ = simulated(rng, people=12, bout_sd=3.0, response_sd=0.0)
        spread = spreads_of_responses(comparison_of(y))["target", "none"]
        zero += spread.low == 0.0
    assert zero >= 25


def test_bouts_that_vary_in_one_condition_alone_count_for_that_condition():
    """By hand: residuals of 1 in 3 exercises of 4 people and 2 bouts, 24 in all with 9 df.

    They add 24 / 9 * 3 / 2 / 3^2 = 4 / 9 to the variance of a person's difference.
    """
    y = np.zeros((4, 2, 3, 2))
    y[:, 1] = np.array([[1, -1], [-1, 1], [1, -1], [-1, 1]])[:, None]
    spread = spreads_of_responses(comparison_of(y))["target", "none"]
    assert spread.bout_sd == pytest.approx(2 / 3)
    assert spread.bout_df == pytest.approx(9)
    assert spread.noise.to_list() == pytest.approx([4 / 9] * 4)


def test_single_bouts_tell_nothing_of_their_own_spread():
    y, _ = simulated(np.random.default_rng(6), bouts=1)
    spread = spreads_of_responses(comparison_of(y))["target", "none"]
    assert spread.sd is None
    assert spread.note == NO_BOUTS
    table = responses_table(comparison_of(y), {("target", "none"): spread})
    assert table["ci_low"].isna().all()
    assert (table["note"] == NO_BOUTS).all()


def test_each_persons_difference_drawn_to_the_mean_lies_nearer_the_truth():
    y, response = simulated(np.random.default_rng(7), bout_sd=4.0, response_sd=2.0)
    comparison = comparison_of(y)
    spread = spreads_of_responses(comparison)["target", "none"]
    table = responses_table(comparison, {("target", "none"): spread})
    seen, expected = (table[name].to_numpy(float) for name in ("difference", "expected"))
    assert np.mean((expected - response) ** 2) < np.mean((seen - response) ** 2)
    inside = (table["ci_low"] <= response) & (response <= table["ci_high"])
    assert inside.mean() > 0.85


def test_an_interval_of_a_difference_of_variances_covers_it():
    # Zou and Donner 2008, Stat Med 27:1693: from the interval of each
    rng = np.random.default_rng(8)
    first = 4.0 * rng.chisquare(9, 2000) / 9
    second = 1.0 * rng.chisquare(20, 2000) / 20
    limits = [difference_of_variances(a, 9, b, 20) for a, b in zip(first, second, strict=True)]
    low, high = np.array(limits).T
    assert ((low <= 3.0) & (high >= 3.0)).mean() == pytest.approx(0.95, abs=0.015)
