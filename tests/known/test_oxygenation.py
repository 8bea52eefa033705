"""Published and worked numbers of muscle oxygenation."""

import numpy as np
import pytest

from muscle import levels, recovery
from muscle.readings import Readings
from recordings import time_axis
from results.estimate import Estimate

RECOVERY_FIT = {
    "longest_delay_s": 15.0,
    "min_r2": 0.8,
    "largest_se_share": 0.3,
}


def recovery_course(time_s, *, end_pct, amplitude_pct, delay_s, tau_s):
    """E - A exp(-(t - TD)/tau), flat before TD: the mono-exponential of the trade."""
    since = np.maximum(time_s - delay_s, 0.0)
    return end_pct - amplitude_pct * np.exp(-since / tau_s)


def test_half_time_of_an_exponential_is_delay_plus_tau_ln_2():
    # tau 30 s without delay: 30 ln 2 = 20.794 s (arithmetic). The chord through the crossing
    # moves it by less than 0.2 s.
    time_s = np.arange(0.0, 300.0, 0.1)
    trace = recovery_course(time_s, end_pct=70.0, amplitude_pct=40.0, delay_s=0.0, tau_s=30.0)
    measured = recovery.half_time(
        Readings(time_s, trace, 0.8),
        0.0,
        120.0,
        nadir_pct=Estimate(30.0, 0.0),
        target_pct=Estimate(70.0, 0.0),
        window_s=4.0,
    )
    assert measured.status == "ok"
    assert measured.value == pytest.approx(20.79441541679836, abs=0.2)


def test_recovery_is_95_percent_done_after_three_time_constants():
    # 1 - exp(-3) = 0.950: 95 % at 3.0 tau = 89.87 s for tau 30 s (arithmetic).
    time_s = np.arange(0.0, 300.0, 0.5)
    trace = recovery_course(time_s, end_pct=70.0, amplitude_pct=40.0, delay_s=0.0, tau_s=30.0)
    tau = recovery.exponential_tau(Readings(time_s, trace, 0.8), 0.0, 299.0, **RECOVERY_FIT)
    assert -tau.value * np.log(0.05) == pytest.approx(89.87196820661973, abs=0.01)


def test_fit_of_the_worked_recovery_has_the_published_scatter():
    # E 72, A 40, TD 4 s, tau 25 s, noise 1 %, 1 Hz. An independent simulation of the same recovery
    # gave tau 25.0 +- 0.55 and T50 21.6 +- 0.7 (theory 4 + 25 ln 2 = 21.33).
    rng = np.random.default_rng(20)
    time_s = np.arange(-60.0, 180.0, 1.0)
    clean = recovery_course(time_s, end_pct=72.0, amplitude_pct=40.0, delay_s=4.0, tau_s=25.0)
    taus, halves = [], []
    for _ in range(60):
        trace = Readings(time_s, clean + rng.normal(0.0, 1.0, len(time_s)), 0.8)
        tau = recovery.exponential_tau(trace, 0.0, 179.0, **RECOVERY_FIT)
        half = recovery.half_time(
            trace,
            0.0,
            120.0,
            nadir_pct=Estimate(32.0, 0.1),
            target_pct=Estimate(72.0, 0.1),
            window_s=4.0,
        )
        taus.append(tau.value)
        halves.append(half.value)
    assert np.mean(taus) == pytest.approx(25.0, abs=3 * 0.55 / np.sqrt(60))
    assert np.std(taus) < 0.7
    assert np.mean(halves) == pytest.approx(21.6, abs=3 * 0.7 / np.sqrt(60))
    assert np.std(halves) < 0.7


def test_a_trailing_mean_would_be_late_by_half_its_window_and_the_centred_one_is_not():
    time_s = np.arange(0.0, 60.0, 0.1)
    ramp = 0.5 * time_s
    centred = time_axis.centred_mean(time_s, ramp, 5.0)
    inside = np.isfinite(centred)
    assert centred[inside] == pytest.approx(ramp[inside], abs=1e-9)
    # The mean of the 5 s that end now is the centred mean of 2.5 s ago: late by w/2 (arithmetic).
    trailing = np.interp(time_s - 2.5, time_s[inside], centred[inside])
    late_s = (ramp - trailing)[100:500] / 0.5
    assert late_s == pytest.approx(np.full(400, 2.5), abs=1e-6)


def test_the_nadir_under_a_ripple_lies_within_a_point_where_the_raw_minimum_is_far_too_low():
    # Ripple +-4 % at 0.5 Hz, 10 Hz, noise 1 %; true nadir 35.07. An independent simulation gave raw
    # minimum 29.2, 3 s mean 34.1, 5 s mean 34.5.
    rng = np.random.default_rng(13)
    time_s = np.arange(0.0, 120.0, 0.1)
    since = np.maximum(time_s - 60.0, 0.0)
    course = 35.0 + 35.0 * np.exp(-since / 10.0)
    course = course - course[time_s <= 118.0].min() + 35.07
    trace = course + np.where(time_s > 60, 4 * np.sin(np.pi * since), 0.0)
    trace = trace + rng.normal(0.0, 1.0, len(time_s))
    rippling = Readings(time_s, trace, 0.8, ripple_hz=0.5)
    measured = levels.nadir(rippling, 60.0, 118.0, window_s=3.0)
    assert trace.min() < 31.0
    assert measured.value == pytest.approx(35.07, abs=1.0)
