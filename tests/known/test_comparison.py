"""Contrasts between conditions and planned sizes against published numbers.

"R" beside a number means: computed with R 4.2.2 (lme4, pbkrtest, effectsize).
"""

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import Comparison
from comparison.contrasts import Rules, contrast_table
from comparison.effect_size_table import effect_size_table
from comparison.planning import detectable_noncentrality, power

PLAIN = {"power": 0.8, "confidence": 0.95, "fewest_participants": 4, "seed": 1}
# Productivity of six workers on three machines, three times each (Milliken and Johnson 1984,
# Analysis of Messy Data, as printed in Pinheiro and Bates 2000, Mixed-Effects Models, section 1.3)
MACHINES = {
    "A": "52.0 52.8 53.1 51.8 52.8 53.1 60.0 60.2 58.4 51.1 52.3 50.3 50.9 51.8 51.4 "
    "46.4 44.8 49.2",
    "B": "62.1 62.6 64.0 59.7 60.0 59.0 68.6 65.8 69.7 63.2 62.8 62.2 64.8 65.0 65.4 "
    "43.7 44.2 43.0",
    "C": "67.5 67.2 66.9 61.5 61.7 62.3 70.8 70.6 71.0 64.1 66.2 64.0 72.1 72.0 71.1 "
    "62.0 61.4 60.5",
}
# Effort to arise from four types of stool, nine subjects (Wretenberg, Arborelius and Lindberg 1993,
# Ergonomics 36:519, as printed in Pinheiro and Bates 2000, section 1.2)
STOOLS = {
    "T1": [12, 10, 7, 7, 8, 9, 8, 7, 9],
    "T2": [15, 14, 14, 11, 11, 11, 12, 11, 13],
    "T3": [12, 13, 13, 10, 8, 11, 12, 8, 10],
    "T4": [10, 12, 9, 9, 7, 10, 11, 7, 8],
}
# Student 1908, Biometrika 6:1: additional hours of sleep, ten patients, two drugs
SLEEP = {
    "first": [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    "second": [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
}


def comparison_of(values: dict[str, list], *, repeats: int = 1) -> Comparison:
    """Values by condition, one or more per participant in order."""
    means = [
        {
            "participant_id": f"sub-{n // repeats + 1:02d}",
            "condition": condition,
            "exercise": None,
            "visit": visit,
            "y": float(value),
        }
        for visit, (condition, numbers) in enumerate(values.items(), start=1)
        for n, value in enumerate(numbers)
    ]
    return Comparison.of_rows(
        pd.DataFrame(means),
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=list(values),
    )


def modelled(comparison: Comparison) -> pd.DataFrame:
    """Marginal contrasts of the mixed model."""
    contrasts = comparison.pooled()
    return pd.DataFrame({f"{a} - {b}": test for ((a, b), _), test in contrasts.items()}).T


def test_repeats_of_a_session_add_no_degrees_of_freedom_to_its_condition():
    # Pinheiro and Bates 2000, section 1.3: 7.9667 and 13.9167, SE 2.177, 10 df (the model of single
    # scores without the worker:machine effect would give SE 1.054 and 46 df)
    contrasts = modelled(comparison_of({k: v.split() for k, v in MACHINES.items()}, repeats=3))
    assert contrasts.loc["B - A", "estimate"] == pytest.approx(7.966667, abs=5e-7)
    assert contrasts.loc["C - A", "estimate"] == pytest.approx(13.916667, abs=5e-7)
    assert contrasts.loc["B - A", "se"] == pytest.approx(2.176975, abs=5e-7)
    assert contrasts["df"].to_list() == pytest.approx([10, 10, 10], rel=1e-6)


def test_four_conditions_give_all_six_pairs_with_the_pooled_error():
    # Pinheiro and Bates 2000, section 1.2: 3.8889, 2.2222, .6667, SE .5187, 24 df;
    # p 9.75342e-08, 2.56293e-04, .210951 (R, Kenward-Roger)
    pairs = modelled(comparison_of(STOOLS))
    assert list(pairs.index) == ["T2 - T1", "T3 - T1", "T4 - T1", "T3 - T2", "T4 - T2", "T4 - T3"]
    first = pairs.iloc[:3]
    assert first["estimate"].to_list() == pytest.approx([3.888889, 2.222222, 0.666667], abs=5e-7)
    assert first["se"].to_list() == pytest.approx([0.518684] * 3, abs=5e-7)
    assert first["df"].to_list() == pytest.approx([24] * 3, rel=1e-6)
    assert first["p"].to_list() == pytest.approx([9.753421e-08, 2.562927e-04, 0.210951], rel=1e-5)


def test_with_two_conditions_contrast_and_model_are_the_paired_t_test():
    # t 4.062128, p .00283289, sign flips 4/1024; d_av .832181, g_z 1.173925 [.378918, 1.935602]
    # (R); t 4.06 as in Student 1908, from memory
    comparison = comparison_of(SLEEP)
    row = contrast_table(comparison, Rules(**PLAIN)).set_index("contrast").loc["second - first"]
    assert row["t"] == pytest.approx(4.062128, abs=5e-7)
    assert row["p"] == pytest.approx(0.00283289, abs=5e-9)
    assert modelled(comparison)["p"].iloc[0] == pytest.approx(row["p"], rel=1e-6)
    assert row["p_adjusted"] == pytest.approx(row["p"], rel=1e-12)
    assert row["sign_flip_p"] == 4 / 1024
    # one difference is zero, so that its sign does not count: 4 and not 2 arrangements
    assert row["sign_flip_minimum"] == 4 / 1024
    sizes = effect_size_table(comparison, {}, by_exercise=False).iloc[0]
    assert sizes["d_av"] == pytest.approx(0.832181, abs=5e-7)
    assert sizes[["g_z", "g_z_low", "g_z_high"]].to_list() == pytest.approx(
        [1.173925, 0.378918, 1.935602], abs=5e-6
    )
    # R: mean and sd of either drug, cor; the raw effect is that of the paired t test
    row_of_study = ["condition_mean", "condition_sd", "reference_mean", "reference_sd"]
    assert sizes[row_of_study].to_list() == pytest.approx(
        [2.33, 2.002249, 0.75, 1.789010], abs=5e-6
    )
    assert sizes["correlation"] == pytest.approx(0.795170, abs=5e-7)
    raw = sizes[["difference", "difference_low", "difference_high"]].to_list()
    assert raw == pytest.approx([1.58, 0.700114, 2.459886], abs=5e-6)
    # in the other unit: d_av over d_z is SD of differences over average SD
    for end in ("", "_low", "_high"):
        assert sizes[f"d_av{end}"] / sizes[f"d_z{end}"] == pytest.approx(
            0.832181 / 1.284558, rel=1e-5
        )


@pytest.mark.parametrize(
    ("d_z", "n", "expected"),
    [
        # R power.t.test(type = "paired"), strict
        (0.5, 8, 0.232077),
        (0.5, 12, 0.352824),
        (0.5, 20, 0.564504),
        (0.5, 34, 0.807778),
        (0.8, 8, 0.496382),
        (0.8, 12, 0.713660),
        (0.8, 20, 0.923899),
    ],
)
def test_power_of_the_paired_error_is_the_published_one(d_z, n, expected):
    assert power(d_z * np.sqrt(n), n - 1.0, alpha=0.05) == pytest.approx(expected, abs=5e-7)


@pytest.mark.parametrize("d_z", [0.2, 0.5, 0.8, 1.5])
@pytest.mark.parametrize("n", [3, 8, 20, 60])
@pytest.mark.parametrize("alpha", [0.05, 0.05 / 3])
def test_power_agrees_with_another_library(d_z, n, alpha):
    from statsmodels.stats.power import TTestPower

    expected = TTestPower().power(d_z, n, alpha, alternative="two-sided")
    assert power(d_z * np.sqrt(n), n - 1.0, alpha=alpha) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("d_z", "needed"), [(0.2, 199), (0.5, 34), (0.8, 15)])
def test_published_sample_sizes_are_the_first_that_reach_80_percent(d_z, needed):
    # Cohen 1988, Statistical Power Analysis, paired t, two-sided .05: 199, 34, 15 (from memory)
    for n, enough in ((needed, True), (needed - 1, False)):
        reach = detectable_noncentrality(n - 1.0, power_wanted=0.8, alpha=0.05) / np.sqrt(n)
        assert (reach <= d_z) == enough
