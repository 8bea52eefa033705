"""Markers of failure, coupling and dose against other libraries, and their errors by simulation."""

import numpy as np
import pytest
from scipy import stats

from comparison import correlation_by_level as coupling
from comparison import dose, failure


def sets(people=8, per_person=10, seed=0, effect=0.25):
    """Saturation, repetitions and failure of sets; lower saturation fails earlier."""
    rng = np.random.default_rng(seed)
    person = np.repeat(np.arange(people), per_person)
    saturation = 40 + 6 * rng.normal(size=people)[person] + 8 * rng.normal(size=len(person))
    to_failure = rng.exponential(30 * np.exp(effect / 8 * (saturation - 40)))
    repetitions = np.ceil(np.minimum(to_failure, 12))
    return saturation, repetitions, to_failure < 12, person


def test_area_under_the_curve_is_that_of_the_rank_sum_test():
    saturation, _, failed, person = sets()
    u = stats.mannwhitneyu(saturation[~failed], saturation[failed]).statistic
    ours = failure.area_under_curve(saturation, failed, person, np.zeros_like(person), 1)
    assert ours.value == pytest.approx(u / (failed.sum() * (~failed).sum()))
    assert ours.low < ours.value < ours.high


def test_a_condition_in_which_nobody_fails_does_not_improve_a_marker_within_conditions():
    # ten easy sets of every person, high and completed, beside sets in which the marker is noise
    rng = np.random.default_rng(3)
    person = np.repeat(np.arange(8), 20)
    easy = np.tile(np.arange(20) < 10, 8)
    saturation = np.where(easy, 80.0, 40.0) + rng.normal(size=160)
    failed = ~easy & (rng.random(160) < 0.5)
    over_all = failure.area_under_curve(saturation, failed, person, np.zeros_like(person), 1)
    within = failure.area_under_curve(saturation, failed, person, easy.astype(int), 1)
    assert over_all.value > 0.8
    assert within.low < 0.5 < within.high


def test_three_people_give_no_interval():
    saturation, _, failed, person = sets(people=3)
    result = failure.area_under_curve(saturation, failed, person, np.zeros_like(person), 1)
    assert np.isfinite(result.value)
    assert np.isnan(result.low)


def test_the_interval_of_a_share_is_that_of_people_not_of_sets():
    # everybody fails in all sets or in none: a person is one observation, 6 of 12 people
    person = np.repeat(np.arange(12), 50)
    hit = person % 2 == 0
    result = failure.share(hit, np.ones_like(hit), person, 1)
    exact = stats.binomtest(6, 12).proportion_ci()
    assert result.value == 0.5
    assert result.high - result.low > 0.8 * (exact.high - exact.low)


def test_the_best_threshold_is_levels_as_by_trying_all():
    saturation, _, failed, _ = sets(seed=2)

    def youden(threshold):
        below = saturation < threshold
        return below[failed].mean() + (~below[~failed]).mean()

    best = max(youden(t) for t in np.linspace(saturation.min(), saturation.max(), 5001))
    assert youden(failure.best_threshold(saturation, failed)) == pytest.approx(best)


def test_the_best_threshold_is_chosen_again_in_every_resample_of_people():
    saturation, _, failed, person = sets(seed=2)
    chosen = failure.best_threshold_with_interval(saturation, failed, person, 1)
    rng = np.random.default_rng(5)
    again = []
    for _ in range(400):
        drawn = rng.integers(person.max() + 1, size=person.max() + 1)
        cells = np.concatenate([np.flatnonzero(person == p) for p in drawn])
        again.append(failure.best_threshold(saturation[cells], failed[cells]))
    spread = np.ptp(saturation)
    assert chosen.value == failure.best_threshold(saturation, failed)
    assert [chosen.low, chosen.high] == pytest.approx(
        np.nanquantile(again, [0.025, 0.975]), abs=spread / 20
    )


def test_two_people_give_a_threshold_without_an_interval():
    saturation, _, failed, person = sets(people=2)
    assert np.isnan(failure.best_threshold_with_interval(saturation, failed, person, 1).low)


def test_a_threshold_judged_in_other_people_is_not_chosen_in_them():
    saturation, _, failed, person = sets()
    saturation = np.where(person == 0, saturation + 1000, saturation)
    judged = failure.threshold_of_others(saturation, failed, person)
    assert (judged[person == 0] < 100).all()


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_hazard_of_failing_is_that_of_stratified_cox_regression(seed):
    from statsmodels.duration.hazard_regression import PHReg

    # statsmodels PHReg, ties as Efron
    saturation, repetitions, failed, person = sets(people=10, per_person=12, seed=seed)
    theirs = PHReg(
        repetitions, saturation[:, None], status=failed.astype(int), strata=person, ties="efron"
    ).fit()
    ours = failure.hazard_ratio(saturation, repetitions, failed, person, person, 1)
    assert np.log(ours.value) == pytest.approx(theirs.params[0], abs=2e-5)
    assert ours.low < ours.value < ours.high


def test_saturation_that_separates_failed_sets_gives_no_finite_hazard():
    saturation = np.array([10.0, 11.0, 50.0, 51.0])
    failed = np.array([True, True, False, False])
    person = np.zeros(4, dtype=int)
    assert np.isnan(
        failure.hazard_ratio(
            saturation, np.array([5.0, 6, 12, 12]), failed, person, person, 1
        ).value
    )


def test_exact_mcnemar_is_that_of_statsmodels():
    from statsmodels.stats.contingency_tables import mcnemar

    rng = np.random.default_rng(1)
    first, second = rng.random(40) < 0.4, rng.random(40) < 0.2
    table = [
        [(first & second).sum(), (first & ~second).sum()],
        [(~first & second).sum(), (~first & ~second).sum()],
    ]
    assert failure.exact_mcnemar(first, second)[2] == pytest.approx(mcnemar(table).pvalue)
    assert failure.exact_mcnemar(first, first) == (0, 0, 1.0)


def test_levels_with_opposite_signs_are_not_averaged():
    # within sessions y rises with x; sessions with higher x have lower y
    rng = np.random.default_rng(2)
    person = np.repeat(np.arange(8), 24)
    session = np.repeat(np.arange(24), 8)
    level = 3 * rng.normal(size=24)[session]
    within = rng.normal(size=192)
    x, y = level + within, -level + within + 0.3 * rng.normal(size=192)
    levels = coupling.by_level(x, y, person=person, session=session, condition=session)
    assert levels[coupling.WITHIN_SESSION].correlation.low > 0.8
    assert levels[coupling.BETWEEN_SESSIONS].correlation.high < -0.8


def test_sets_of_one_session_are_not_independent_observations():
    # no link at any level, sessions that differ much: one in twenty may be called a link
    rng = np.random.default_rng(4)
    person = np.repeat(np.arange(8), 24)
    session = np.repeat(np.arange(24), 8)
    called = []
    for _ in range(600):
        x, y = (
            rng.normal(size=8)[person]
            + np.sqrt(0.9) * rng.normal(size=24)[session]
            + np.sqrt(0.1) * rng.normal(size=192)
            for _ in range(2)
        )
        levels = coupling.by_level(x, y, person=person, session=session, condition=session)
        called.append([level.correlation.p < 0.05 for level in levels.values()])
    # three standard errors of .05 over 600 studies
    assert np.mean(called, axis=0).max() < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 600)


def test_the_dose_slope_is_within_people_and_exercises():
    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(12), 3)
    person = np.repeat(np.arange(6), 6)
    dose_pct = np.tile([0.0, 40.0, 80.0], 12)
    # people with a higher level have it at every dose: 2 points less for every 10 %
    y = 20 * rng.normal(size=12)[group] - 0.2 * dose_pct + rng.normal(size=36)
    result = dose.dose_slope(dose_pct, y, group, person)
    assert result.low < -2.0 < result.high
    assert result.high < -1.5
    assert dose.dose_trend(dose_pct, y, group, person).value == pytest.approx(-1.0)


def test_the_dose_of_a_level_is_read_only_inside_the_doses_applied():
    group = np.repeat(np.arange(8), 3)
    dose_pct = np.tile([0.0, 40.0, 80.0], 8)
    y = 60 - 0.5 * dose_pct + np.repeat(np.linspace(-2, 2, 8), 3)
    assert dose.dose_at(30.0, dose_pct, y, group, group).value == pytest.approx(60.0)
    assert np.isnan(dose.dose_at(10.0, dose_pct, y, group, group).value)


def test_acidity_and_carbon_dioxide_within_patients():
    # Bland and Altman 1995, BMJ 310:446: pH and PaCO2 (kPa) of eight patients; r -.51 (from
    # memory), digits from R; the error there counts values, here people
    ph = """
        6.68 6.53 6.43 6.33 | 6.85 7.06 7.13 7.17 | 7.40 7.42 7.41 7.37 7.34 7.35 7.28 7.30 7.34
        | 7.36 7.33 7.29 7.30 7.35 | 7.35 7.30 7.30 7.37 7.27 7.28 7.32 7.32
        | 7.38 7.30 7.29 7.33 7.31 7.33 | 6.86 6.94 6.92 | 7.19 7.29 7.21 7.25 7.20 7.19 6.77 6.82
    """
    co2 = """
        3.97 4.12 4.09 3.97 | 5.27 5.37 5.41 5.44 | 5.67 3.64 4.32 4.73 4.96 5.04 5.22 4.82 5.07
        | 5.67 5.10 5.53 4.75 5.51 | 4.28 4.44 4.32 3.23 4.46 4.72 4.75 4.99
        | 4.78 4.73 5.12 4.93 5.03 4.93 | 6.85 6.44 6.52 | 5.28 4.56 4.34 4.32 4.41 3.69 6.09 5.58
    """
    patient = [i for i, block in enumerate(ph.split("|")) for _ in block.split()]
    result = coupling.correlation_of_deviations(
        np.array(ph.replace("|", " ").split(), dtype=float),
        np.array(co2.replace("|", " ").split(), dtype=float),
        np.array(patient),
        np.array(patient),
    )
    assert result.correlation.value == pytest.approx(-0.506769742, rel=1e-8)
