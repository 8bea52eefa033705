"""Respiratory modulation through a set in which rate and breathing rise."""

from __future__ import annotations

import numpy as np
import pytest

from heart import modulation
from heart.variability import NotEnough
from unit.pulse_frequency import Ramp, exercise_ramp, tones

RAMPS = 12


def ramps(jitter_ms: float) -> list[Ramp]:
    rng = np.random.default_rng(0)
    return [exercise_ramp(rng, jitter_s=jitter_ms / 1000.0) for _ in range(RAMPS)]


def course_of(ramp: Ramp) -> modulation.RespiratoryModulation:
    return modulation.respiratory_modulation(
        ramp.beat_time_s, ramp.time_s[::50], ramp.respiration_hz[::50]
    )


def power_between(spectra, low_hz, high_hz) -> np.ndarray:
    """Power of a short-time spectrum from one frequency to another, at each of its moments."""
    frequency = spectra.frequency_hz
    inside = (frequency >= low_hz) & (frequency <= high_hz)
    return spectra.density_per_hz[:, inside].sum(axis=1) * frequency[1]


def score(time_s: np.ndarray, power: np.ndarray, ramp: Ramp) -> tuple[float, float, float]:
    """Ratio of the means, error of the course over the mean, correlation; within the set."""
    inside = (time_s >= ramp.start_s) & (time_s < ramp.end_s)
    truth = np.interp(time_s, ramp.time_s, ramp.respiratory_power)[inside]
    in_band = power[inside]
    error = np.sqrt(np.mean((in_band - truth) ** 2)) / truth.mean()
    return in_band.mean() / truth.mean(), error, np.corrcoef(in_band, truth)[0, 1]


def passes(scores: list[tuple[float, float, float]]) -> bool:
    ratio, error, correlation = np.mean(scores, axis=0)
    return 0.97 <= ratio <= 1.03 and error <= 0.10 and correlation >= 0.99


def test_modulation_is_followed_through_a_set():
    # Rate 70 to 150 per minute and breathing 0.25 to 0.60 Hz within 60 s, timing error 0.5 ms.
    demodulated = []
    for ramp in ramps(0.5):
        course = course_of(ramp)
        demodulated.append(score(course.time_s, course.power, ramp))
    assert passes(demodulated)


def test_the_fixed_band_of_rest_fails_the_same_test():
    # Guards the test above: with 0.15-0.40 Hz the breathing leaves the band and is lost.
    fixed = []
    for ramp in ramps(0.5):
        course = modulation.heart_rate_modulation(ramp.beat_time_s)
        spectra = modulation.time_frequency_map(course.time_s, course.modulation, step_s=1.0)
        fixed.append(score(spectra.time_s, power_between(spectra, 0.15, 0.40), ramp))
    assert not passes(fixed)
    assert np.mean(fixed, axis=0)[0] < 0.8


def test_an_error_of_the_breathing_rate_as_large_as_tracking_makes_does_no_harm():
    rng = np.random.default_rng(4)
    scores = []
    for ramp in ramps(0.5):
        times = np.arange(0.0, 140.0, 1.0)
        rate = np.interp(times, ramp.time_s, ramp.respiration_hz) + rng.normal(0, 0.005, 140)
        course = modulation.respiratory_modulation(ramp.beat_time_s, times, rate)
        scores.append(score(course.time_s, course.power, ramp))
    assert passes(scores)


@pytest.mark.parametrize(
    ("hr_bpm", "breathing_hz"), [(60, 0.2), (60, 0.38), (75, 0.25), (120, 0.45), (160, 0.6)]
)
def test_steady_modulation_is_read_whatever_the_heart_rate(hr_bpm, breathing_hz):
    beats = tones(200.0, hr_bpm, (breathing_hz, 0.02, 0.5), (0.10, 0.02, 0.0))
    course = modulation.respiratory_modulation(beats, [0.0, 200.0], [breathing_hz] * 2)
    assert modulation.mean_power(course, 30.0, 170.0) == pytest.approx(2e-4, rel=0.03)


def test_breathing_outside_what_beats_can_show_is_void_with_a_reason():
    beats = tones(120.0, 75.0, (0.25, 0.02, 0.5))
    times = np.arange(0.0, 121.0)
    rate = np.full(121, 0.25)
    rate[:35] = 0.10
    rate[40:60] = np.nan
    rate[90:] = 0.70
    course = modulation.respiratory_modulation(beats, times, rate)
    reasons = {
        at_s: course.reason[np.abs(course.time_s - at_s).argmin()]
        for at_s in (5.0, 20.0, 50.0, 75.0, 100.0)
    }
    assert reasons[20.0] == "breathing is slower than 0.15 Hz"
    assert reasons[50.0] == "the breathing rate is not known"
    assert reasons[75.0] == ""
    assert reasons[5.0] == "less than 10 s from where the beats begin or end"
    assert reasons[100.0] == "breathing is faster than half the heart rate"
    assert (course.valid == (course.reason == "")).all()
    with pytest.raises(NotEnough, match="faster than half the heart rate in 100 % of the window"):
        modulation.mean_power(course, 93.0, 108.0)


def test_nothing_is_said_without_breathing_beats_or_cover():
    beats = tones(120.0, 75.0, (0.25, 0.02, 0.5))
    unknown = modulation.respiratory_modulation(beats, [0.0, 120.0], [np.nan, np.nan])
    with pytest.raises(NotEnough, match="breathing rate is not known in 100 %"):
        modulation.mean_power(unknown, 30.0, 90.0)
    with pytest.raises(NotEnough, match="needs 20 beats"):
        modulation.heart_rate_modulation(beats[:10])
    with pytest.raises(NotEnough, match="20 beats and 40 s in a row"):
        modulation.respiratory_modulation(beats[:30], [0.0, 120.0], [0.25, 0.25])
    course = modulation.respiratory_modulation(beats, [0.0, 120.0], [0.25, 0.25])
    with pytest.raises(NotEnough, match="beats do not cover"):
        modulation.mean_power(course, 110.0, 170.0)


def test_a_gap_parts_the_course_and_leaves_the_rest_untouched():
    beats = tones(300.0, 75.0, (0.25, 0.02, 0.5))
    kept = beats[(beats < 140.0) | (beats > 155.0)]
    course = modulation.respiratory_modulation(kept, [0.0, 300.0], [0.25, 0.25])
    assert modulation.mean_power(course, 180.0, 280.0) == pytest.approx(2e-4, rel=0.03)
    with pytest.raises(NotEnough, match="beats do not cover"):
        modulation.mean_power(course, 120.0, 180.0)
    with pytest.raises(NotEnough, match="no beats for 1"):
        modulation.heart_rate_modulation(kept)


def test_the_map_puts_the_power_of_a_tone_at_its_frequency():
    time = np.arange(0.0, 120.0, 0.25)
    spectra = modulation.time_frequency_map(time, 0.02 * np.sin(2 * np.pi * 0.3 * time), step_s=1.0)
    middle = (spectra.time_s > 15.0) & (spectra.time_s < 105.0)
    peak = spectra.frequency_hz[spectra.density_per_hz[middle].argmax(axis=1)]
    assert peak == pytest.approx(0.3, abs=0.005)
    power = power_between(spectra, 0.15, 0.45)
    assert power[middle] == pytest.approx(2e-4, rel=0.01)


@pytest.mark.parametrize(
    ("apart_hz", "too_close", "least", "most"),
    [(0.04, True, 1.4, 2.0), (0.062, False, 0.97, 1.125), (0.08, False, 0.97, 1.05)],
)
def test_movement_as_large_as_breathing_adds_an_eighth_where_the_two_are_told_apart(
    apart_hz, too_close, least, most
):
    beats = tones(300.0, 120.0, (0.30, 0.01, 0.0), (0.30 + apart_hz, 0.01, 1.0))
    course = modulation.respiratory_modulation(beats, [0.0, 300.0], [0.30, 0.30])
    assert least < modulation.mean_power(course, 60.0, 240.0) / 0.5e-4 < most
    close = modulation.cadence_in_band(0.30 + apart_hz, 0.30, 2.0)
    assert bool(close) is too_close


def test_a_cadence_at_the_breathing_rate_or_folded_onto_it_is_flagged():
    # 4 s per repetition is 0.25 Hz, in the middle of resting breathing.
    assert bool(modulation.cadence_in_band(0.25, 0.27, 2.0))
    # 0.25 Hz twice over meets breathing at 0.5 Hz, three times over it is not looked for.
    assert bool(modulation.cadence_in_band(0.25, 0.5, 2.0))
    assert not bool(modulation.cadence_in_band(0.25, 0.75, 2.0))
    # 1.5 Hz steps at 120 beats per minute are seen at 0.5 Hz.
    assert bool(modulation.cadence_in_band(1.5, 0.5, 2.0))
    flags = modulation.cadence_in_band([0.25, np.nan, 0.8], 0.25, 2.0)
    assert flags.tolist() == [True, False, False]
