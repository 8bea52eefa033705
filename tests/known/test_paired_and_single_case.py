"""Paired comparisons, effect sizes and single-case statistics against published numbers.

"R" beside a number means: computed with R 4.2.2 (stats, effectsize, psych, multcomp/mvtnorm).
"""

import itertools

import numpy as np
import pytest
from scipy import stats

from comparison.coupling import limits_of_agreement
from comparison.effect_sizes import effect_sizes, hedges_correction, interpret_interval
from comparison.paired import paired_t, sign_flip
from comparison.single_case import non_overlap, schedule_test

# Student 1908, Biometrika 6:1: additional hours of sleep, ten patients, two drugs
SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
# Box, Hunter and Hunter 1978, Statistics for Experimenters, table 4.3: wear of shoe soles
SHOES_A = [13.2, 8.2, 10.9, 14.3, 10.7, 6.6, 9.5, 10.8, 8.8, 13.3]
SHOES_B = [14.0, 8.8, 11.2, 14.2, 11.8, 6.4, 9.8, 11.3, 9.3, 13.6]
# Darwin 1876: crossed minus self-fertilised maize, eighths of an inch (Fisher 1935, section 21)
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]

# ---------------------------------------------------------------- paired comparisons


def test_students_sleep_comparison():
    tested = paired_t(np.subtract(SLEEP_2, SLEEP_1))
    # R: t.test(paired = TRUE); the 1908 paper's t is 4.06 (from memory)
    assert tested.t == pytest.approx(4.062127683382, rel=1e-11)
    assert tested.p == pytest.approx(0.002832890197, rel=1e-9)
    assert (tested.ci_low, tested.ci_high) == pytest.approx((0.700114236723, 2.459885763277))
    assert (tested.n, tested.df) == (10, 9)


def test_equal_differences_give_no_p_but_a_reason():
    tested = paired_t([2.0, 2.0, 2.0])
    assert tested.p is None
    assert tested.reason == "all differences are the same"


@pytest.mark.parametrize("values", [[1.0], [1.0, np.nan], []])
def test_missing_or_too_few_differences_are_refused(values):
    with pytest.raises(ValueError):
        paired_t(values)


def test_fishers_exact_test_of_darwins_maize():
    # Fisher 1935: 863 of 32768 in one tail (from memory); twice that in two
    tested = sign_flip(MAIZE)
    assert (tested.count, tested.total, tested.exact) == (1726, 32768, True)
    assert tested.p == pytest.approx(0.05267333984375, abs=1e-15)


@pytest.mark.parametrize(
    "condition, reference, count", [(SLEEP_2, SLEEP_1, 4), (SHOES_B, SHOES_A, 14)]
)
def test_sign_flips_of_the_classical_pairs(condition, reference, count):
    # R: full enumeration, 4 and 14 of 1024
    tested = sign_flip(np.subtract(condition, reference))
    assert (tested.count, tested.total) == (count, 1024)


def test_the_smallest_attainable_p_falls_with_participants():
    # 2 / 2^n: with five participants no result reaches .05
    assert sign_flip([1, 2, 3, 4, 5]).p == 0.0625
    assert sign_flip([1, 2, 3, 4, 5]).attainable_minimum == 0.0625
    assert sign_flip([1, 2, 3, 4, 5, 6, 7.5]).attainable_minimum == 0.015625


def test_sign_flips_agree_with_plain_enumeration():
    rng = np.random.default_rng(11)
    for n in (1, 2, 5, 8):
        d = np.round(rng.normal(0.4, 1, n), 1)
        signs = np.array(list(itertools.product([-1, 1], repeat=n)))
        extreme = np.abs(signs @ d) >= abs(d.sum()) - 1e-9
        assert sign_flip(d).count == extreme.sum()


def test_many_participants_are_sampled_with_a_seed():
    d = np.random.default_rng(2).normal(0.5, 1, 40)
    first = sign_flip(d, rng=np.random.default_rng(1), draws=20_000)
    again = sign_flip(d, rng=np.random.default_rng(1), draws=20_000)
    assert first == again
    assert not first.exact
    assert first.p == pytest.approx(paired_t(d).p, abs=0.01)
    with pytest.raises(ValueError, match="rng"):
        sign_flip(d)


def test_standardised_differences_of_the_classical_pairs():
    # R, effectsize: d_z and its noncentral-t interval, Hedges' exact correction
    sleep = effect_sizes(SLEEP_2, SLEEP_1)
    assert (sleep["d_z"], sleep["d_z_low"], sleep["d_z_high"]) == pytest.approx(
        (1.284557562591, 0.414627756380, 2.118016513977), rel=1e-7
    )
    assert sleep["g_z"] == pytest.approx(1.173924903514, rel=1e-9)
    assert sleep["d_av"] == pytest.approx(0.832181081350, rel=1e-9)
    shoes = effect_sizes(SHOES_B, SHOES_A)
    assert (shoes["d_z"], shoes["d_z_low"], shoes["d_z_high"]) == pytest.approx(
        (1.059007745716, 0.256165772611, 1.826190262006), rel=1e-7
    )
    assert shoes["g_z_low"] == pytest.approx(0.234103478514, rel=1e-6)
    assert shoes["d_av"] == pytest.approx(0.164981813500, rel=1e-9)
    assert shoes["correlation"] == pytest.approx(0.988225530474, rel=1e-9)


def test_hedges_correction_is_the_exact_one():
    # R: exact gamma form
    corrections = [hedges_correction(df) for df in (2, 7, 9, 38)]
    assert corrections == pytest.approx(
        [0.564189583547756, 0.888202907672751, 0.913874891792552, 0.980110402130948], rel=1e-12
    )


@pytest.mark.parametrize(
    "interval, reading",
    [
        ((0.2, 1.5), "different"),
        ((-2.0, -0.1), "different"),
        ((-0.4, 0.9), "equivalent"),
        ((0.1, 0.9), "equivalent"),
        ((-0.4, 1.1), "inconclusive"),
    ],
)
def test_an_interval_is_read_against_the_smallest_effect_of_interest(interval, reading):
    assert interpret_interval(*interval, smallest_effect=1.0) == reading


# ---------------------------------------------------------------- reliability and agreement


def test_limits_of_agreement_of_two_flow_meters():
    # Bland and Altman 1986, Lancet i:307, table 1, first readings (typed from memory). The paper
    # rounds on the way: bias -2.1, SD 38.8, limits (2 SD) -79.7 and 75.5
    wright = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
    mini = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]
    limits = limits_of_agreement(np.subtract(wright, mini), sds=2)
    assert (limits["bias"], limits["sd"]) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (limits["lower_limit"], limits["upper_limit"]) == pytest.approx((-79.7, 75.5), abs=0.1)


# ---------------------------------------------------------------- one participant


def test_non_overlap_example_of_its_authors():
    # Parker and Vannest 2009, Behav Ther 40:357 (data and .963636 as printed in the help pages of
    # R's SingleCaseES; the paper prints .96, from memory)
    a = [4, 3, 4, 3, 4, 7, 5, 2, 3, 2]
    b = [5, 9, 7, 9, 7, 5, 9, 11, 11, 10, 9]
    assert non_overlap(a, b) == pytest.approx(106 / 110)


@pytest.mark.parametrize("sessions, minimum", [(3, 0.1), (4, 2 / 70), (5, 2 / 252)])
def test_smallest_p_of_completely_randomised_sessions(sessions, minimum):
    # 2 / C(2s, s): combinatorics
    y = np.random.default_rng(sessions).normal(size=2 * sessions)
    tested = schedule_test(y, ["none", "target"] * sessions, ("none", "target"), rng=None)
    assert tested.attainable_minimum == pytest.approx(minimum)


@pytest.mark.parametrize("n_blocks", [3, 5, 6])
def test_smallest_p_of_randomised_blocks(n_blocks):
    # 2 / 2^b: combinatorics
    y = np.random.default_rng(n_blocks).normal(size=2 * n_blocks)
    conditions, blocks = ["none", "target"] * n_blocks, np.repeat(np.arange(n_blocks), 2).tolist()
    tested = schedule_test(y, conditions, ("none", "target"), blocks=blocks, rng=None)
    assert tested.attainable_minimum == pytest.approx(2 / 2**n_blocks)


def test_two_conditions_in_blocks_equal_sign_flips():
    # swapping the two sessions of a block flips the sign of its difference
    y = np.random.default_rng(4).normal(size=(7, 2))
    blocks = np.repeat(np.arange(7), 2).tolist()
    tested = schedule_test(y.ravel(), ["a", "b"] * 7, ("a", "b"), blocks=blocks, rng=None)
    assert tested.p == sign_flip(y[:, 1] - y[:, 0]).p


def test_one_session_per_condition_allows_no_test():
    with pytest.raises(ValueError, match="one arrangement only"):
        schedule_test([1.0, 2.0], ["none", "target"], ("none", "target"), blocks=[1, 2], rng=None)


def test_too_many_schedules_are_drawn_with_a_seed():
    y = np.random.default_rng(9).normal(size=24)
    y[::2] += 1.5
    conditions = ["a", "b"] * 12
    tested = schedule_test(y, conditions, ("a", "b"), rng=np.random.default_rng(1))
    p = stats.ttest_ind(y[::2], y[1::2]).pvalue
    assert tested.p == pytest.approx(p, abs=0.005)
    assert not tested.exact
