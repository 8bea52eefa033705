"""Stated errors of single values hold in simulated stretches with a known, slowly varying level."""

import numpy as np
import pytest
from scipy.signal import lfilter

from muscle import desaturation, levels, recovery
from muscle.readings import Readings
from muscle.resting_variation import STEADY, resting_variation

BASELINE_S, SET_S, RECOVERY_S = 300.0, 40.0, 60.0
RESTING_PCT, NADIR_PCT, TAU_S = 65.0, 35.0, 15.0
QUANTITIES = ("baseline", "nadir", "end", "drop", "area", "slope", "half", "tau")
RARELY = 0.08


def course_pct(time_s):
    """Rest until 0, a fall that has levelled off by the end of the set, a mono-exponential rise."""
    falling = RESTING_PCT - (RESTING_PCT - NADIR_PCT) * np.clip(time_s / (SET_S - 10.0), 0, 1)
    rising = RESTING_PCT - (RESTING_PCT - NADIR_PCT) * np.exp(-(time_s - SET_S) / TAU_S)
    return np.where(time_s < SET_S, falling, rising)


def slow_course(rng, time_s, memory_s):
    """A first-order autoregressive level of SD 1 with the given memory."""
    keep = float(np.exp(-(time_s[1] - time_s[0]) / memory_s))
    steps = rng.normal(size=len(time_s)) * np.sqrt(1 - keep**2)
    steps[0] /= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], steps)


def standardised_errors(*, counted, wander_pct, stretches=150):
    """Error over stated error by quantity; `counted`: the baseline's slow variation is used."""
    rng = np.random.default_rng(11)
    time_s = np.arange(-BASELINE_S, SET_S + RECOVERY_S, 0.5)
    errors = {name: [] for name in QUANTITIES}
    for _ in range(stretches):
        memory_s = rng.uniform(10.0, 40.0)
        readings = course_pct(time_s) + rng.normal(0.0, 0.35, len(time_s))
        readings += wander_pct * slow_course(rng, time_s, memory_s)
        readings, resting = np.round(readings, 1), time_s < 0
        at_rest = resting_variation(time_s[resting], readings[resting]) if counted else STEADY
        trace = Readings(time_s, readings, 0.8, at_rest)
        rest = levels.baseline(trace, 0.0, window_s=60.0)
        nadir = levels.nadir(trace, 0.0, SET_S, window_s=5.0)
        after = (SET_S, SET_S + RECOVERY_S)
        estimates = {
            "baseline": (rest, RESTING_PCT),
            "nadir": (nadir, NADIR_PCT),
            "end": (levels.end_level(trace, SET_S, window_s=5.0), NADIR_PCT),
            "drop": (levels.drop(rest, nadir), RESTING_PCT - NADIR_PCT),
            "area": (
                desaturation.area_below(trace, 0.0, SET_S, level_pct=rest),
                (RESTING_PCT - NADIR_PCT) * (SET_S - (SET_S - 10.0) / 2),
            ),
            "slope": (
                desaturation.desaturation_slope(trace, 0.0, window_s=15.0),
                (NADIR_PCT - RESTING_PCT) / (SET_S - 10.0),
            ),
            "half": (
                recovery.half_time(trace, *after, nadir_pct=nadir, target_pct=rest, window_s=5.0),
                TAU_S * np.log(2),
            ),
            "tau": (
                recovery.exponential_tau(
                    trace, *after, longest_delay_s=15.0, min_r2=0.8, largest_se_share=0.25
                ),
                TAU_S,
            ),
        }
        for name, (estimate, truth) in estimates.items():
            if estimate.usable:
                errors[name].append((estimate.value - truth) / estimate.se)
    return {name: np.abs(of_quantity) for name, of_quantity in errors.items()}


def test_where_the_level_wanders_errors_beyond_twice_the_stated_one_are_rare():
    for name, errors in standardised_errors(counted=True, wander_pct=0.5).items():
        assert len(errors) > 140, name
        assert np.mean(errors > 2) < RARELY, (name, np.mean(errors > 2))


def test_without_the_slow_variation_of_rest_the_stated_errors_would_be_too_small():
    for name, errors in standardised_errors(counted=False, wander_pct=0.5, stretches=50).items():
        assert np.mean(errors > 2) > 0.15, (name, np.mean(errors > 2))


def test_of_a_steady_level_the_errors_stay_those_of_the_readings():
    counted = standardised_errors(counted=True, wander_pct=0.0, stretches=15)
    plain = standardised_errors(counted=False, wander_pct=0.0, stretches=15)
    for name, errors in counted.items():
        assert np.median(errors / plain[name]) > 0.8, name


@pytest.mark.parametrize("n", [0, 1, 9, 40])
def test_a_rest_too_short_to_tell_is_taken_as_steady(n):
    assert resting_variation(np.arange(float(n)), np.full(n, 65.0)) == STEADY


def test_the_size_and_memory_of_a_wandering_rest_are_recovered():
    rng = np.random.default_rng(5)
    time_s = np.arange(0.0, 3000.0, 0.5)
    for memory_s in (15.0, 40.0):
        variation = resting_variation(time_s, 60.0 + 0.8 * slow_course(rng, time_s, memory_s))
        assert variation.sd == pytest.approx(0.8, rel=0.25)
        assert variation.memory_s == pytest.approx(memory_s, rel=0.4)


def test_a_mean_over_many_memories_varies_less_than_a_moment():
    variation = resting_variation(
        np.arange(0.0, 600.0), 60.0 + slow_course(np.random.default_rng(2), np.arange(600.0), 10.0)
    )
    assert variation.of_mean(0.0) == pytest.approx(variation.sd)
    # 2 L / T for windows T much longer than the memory L
    assert variation.of_mean(1e4) ** 2 == pytest.approx(
        variation.sd**2 * 2 * variation.memory_s / 1e4, rel=0.02
    )
    time_s = np.arange(0.0, 60.0)
    mean = np.full((1, 60), 1 / 60)
    assert variation.covariance(time_s, mean)[0, 0] ** 0.5 == pytest.approx(
        variation.of_mean(60.0), rel=0.02
    )
