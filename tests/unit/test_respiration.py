"""Breathing rate is found where it can be seen, and called unknown where it cannot."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from benchmarks.breathing import simulated_session, told
from demo.heart_period import simulate_beats
from heart.beats import FROM_BEATS, breathing_of
from heart.breathing import (
    LOW_BY_INTERVALS,
    Repetitions,
    respiration_from_beats,
    respiration_from_belt,
)
from heart.rhythms import counted_hz


def breathing_beats(
    seed,
    *,
    duration_s=200,
    heart_rate_bpm=70,
    breathing_rate_hz=0.25,
    depth=0.10,
    noise=0.04,
    swing=0.02,
    slow=0.015,
):
    """Simulated beats and their R amplitudes: `depth` and `swing` are what breathing does to
    amplitude and intervals, `slow` what blood pressure does to the intervals."""
    rng = np.random.default_rng(seed)
    simulated = simulate_beats(
        duration_s,
        heart_rate_bpm=heart_rate_bpm,
        breathing_rate_hz=breathing_rate_hz,
        breathing_modulation=swing,
        breathing_irregularity=0.04,
        random_bands=[(0.1, 0.012, slow)],
        jitter_s=0.001,
        rng=rng,
    )
    beats = simulated.beat_time_s
    amplitude = 1 + depth * np.interp(beats, simulated.time_s, simulated.breathing)
    return simulated, beats, amplitude + rng.normal(0, noise, beats.size)


def rate_error_hz(simulated, table):
    truth = np.interp(table["time_s"], simulated.time_s, simulated.breathing_rate_hz)
    known = table["status"] == "known"
    return float(np.sqrt(np.mean((table["rate_hz"] - truth)[known] ** 2)))


def ramp(low, high):
    return lambda time_s: low + (high - low) * np.clip((time_s - 40) / 60, 0, 1)


def test_the_rate_at_rest_is_found_within_a_hundredth_of_a_hertz():
    errors, known = [], []
    for seed in range(9):
        simulated, beats, amplitude = breathing_beats(seed)
        table = respiration_from_beats(beats, amplitude)
        errors.append(rate_error_hz(simulated, table))
        known.append((table["status"] == "known").mean())
    assert np.median(errors) <= 0.01
    assert np.median(known) >= 0.95


def test_the_rate_is_followed_while_heart_and_breathing_speed_up():
    errors, known = [], []
    for seed in range(9):
        simulated, beats, amplitude = breathing_beats(
            seed, duration_s=140, heart_rate_bpm=ramp(70, 150), breathing_rate_hz=ramp(0.25, 0.60)
        )
        table = respiration_from_beats(beats, amplitude)
        errors.append(rate_error_hz(simulated, table))
        known.append((table["status"] == "known").mean())
    assert np.median(errors) <= 0.01
    assert np.median(known) >= 0.95


def test_the_confidence_of_a_rate_is_kept():
    """Of rates told with a probability of 0.9, at least that share lies within 0.03 Hz."""
    near, known = [], []
    for seed in range(12):
        simulated, beats, _ = breathing_beats(seed, swing=0.006, noise=0.1)
        table = respiration_from_beats(beats)
        truth = np.interp(table["time_s"], simulated.time_s, simulated.breathing_rate_hz)
        told = table["status"] == "known"
        near.append((np.abs(table["rate_hz"] - truth) <= 0.03)[told].sum())
        known.append(told.sum())
    assert np.sum(known) > 12 * 100
    assert np.sum(near) >= 0.9 * np.sum(known)


@pytest.mark.parametrize("tilt", [None, 0.08])
def test_the_confidence_of_a_rate_is_kept_where_breaths_last_half_to_double_as_long(tilt):
    """At rest and in sets."""
    near, known = np.zeros(2), np.zeros(2)
    for seed in range(2024, 2032):
        session = simulated_session(np.random.default_rng(seed), tilt=tilt, uneven=0.4)
        moments = told(session)
        known += np.array([moments["rest"][1], moments["sets"][1]])
        near += np.array([moments["rest"][2], moments["sets"][2]])
    assert (known > [300, 150]).all()
    assert (near >= 0.9 * known).all()


def test_breaths_are_counted_where_a_short_one_passes_beside_the_rate_that_is_followed():
    """Breaths of 4 s, two of 2 s among them, counted beside a rate of 15 a minute."""
    limits_s = np.cumsum([0, *[4] * 10, 2, 2, *[4] * 10])
    beats_s = np.arange(0, limits_s[-1], 0.4)
    swing = np.cos(2 * np.pi * np.interp(beats_s, limits_s, np.arange(limits_s.size)))
    at_s = np.arange(1.0, limits_s[-1])
    counted = counted_hz(beats_s, swing, at_s, np.full(at_s.size, 0.25), smoothed_breaths=0.15)
    assert counted[at_s == 42] == pytest.approx((2 + 6 / 4) / 10, abs=0.01)
    assert counted[(at_s > 8) & (at_s < 30)] == pytest.approx(0.25, abs=0.005)


def test_no_breaths_are_counted_where_nothing_was_recorded():
    time_s = np.arange(20.0, 200.0, 0.8)
    at_s = np.arange(0.0, 220.0)
    breathing = np.sin(2 * np.pi * 0.25 * time_s)
    counted = counted_hz(time_s, breathing, at_s, np.full(at_s.size, 0.25), smoothed_breaths=0.15)
    far = (at_s <= time_s[0] - 5.0) | (at_s >= time_s[-1] + 5.0)
    assert np.array_equal(np.isnan(counted), far)
    assert np.median(counted[~far]) == pytest.approx(0.25, abs=0.005)
    none = counted_hz(
        np.empty(0), np.empty(0), at_s, np.full(at_s.size, 0.25), smoothed_breaths=0.15
    )
    assert np.isnan(none).all()


def test_no_rhythm_is_told_where_only_beats_are_marked_unevenly():
    """An error of one beat lengthens an interval and shortens the next, as a fast breath would."""
    for seed in (5, 7, 29, 34):
        session = simulated_session(np.random.default_rng(seed), swing=0.0, jitter_s=0.002)
        assert told(session)["sets"][1] <= 2


@pytest.mark.parametrize("slow", [0.015, 0.045])
def test_a_slow_rhythm_of_any_strength_does_not_hide_breathing_in_the_intervals(slow):
    """At rest, up to four times the swing of breathing."""
    known = []
    for seed in range(4):
        simulated, beats, _ = breathing_beats(seed, swing=0.015, slow=slow)
        table = respiration_from_beats(beats)
        known.append((table["status"] == "known").mean())
        assert rate_error_hz(simulated, table) <= 0.012
    assert np.median(known) >= 0.9


def test_a_rate_that_the_intervals_alone_cannot_tell_from_slower_rhythms_is_unknown():
    _, beats, _ = breathing_beats(3, breathing_rate_hz=0.165, slow=0.0)
    table = respiration_from_beats(beats)
    assert (table["reason"] == LOW_BY_INTERVALS).mean() > 0.5
    simulated, beats, amplitude = breathing_beats(3, breathing_rate_hz=0.165)
    table = respiration_from_beats(beats, amplitude)
    assert (table["status"] == "known").mean() > 0.9
    assert rate_error_hz(simulated, table) <= 0.012


def set_with_movement(seed, *, breathing_rate_hz, cadence_hz=0.28, **given):
    """A minute of repetitions that tilt the R axis as much as breathing and move beats by 3 ms."""
    simulated, beats, amplitude = breathing_beats(
        seed,
        duration_s=180,
        heart_rate_bpm=lambda time_s: np.interp(time_s, [60, 80, 120, 150], [75, 115, 115, 75]),
        breathing_rate_hz=lambda time_s: np.interp(
            time_s, [55, 75, 120, 140], [0.24, breathing_rate_hz, breathing_rate_hz, 0.24]
        ),
        **given,
    )
    moving = (beats > 60) & (beats < 120)
    turn = np.where(moving, np.sin(2 * np.pi * cadence_hz * beats), 0.0)
    return simulated, np.sort(beats + 0.003 * turn), amplitude + 0.12 * turn


NOTED = [Repetitions(60.0, 120.0, 0.28)]


def in_the_set(table):
    return table[(table["time_s"] > 65) & (table["time_s"] < 115)]


def test_breathing_is_followed_beside_the_movement_of_repetitions():
    known, near = [], []
    for seed in range(4):
        simulated, beats, amplitude = set_with_movement(seed, breathing_rate_hz=0.42)
        table = in_the_set(respiration_from_beats(beats, amplitude, repetitions=NOTED))
        truth = np.interp(table["time_s"], simulated.time_s, simulated.breathing_rate_hz)
        told = table["status"] == "known"
        known.append(told.mean())
        near.append((np.abs(table["rate_hz"] - truth)[told] <= 0.03).mean())
    assert np.median(known) >= 0.7
    assert min(near) >= 0.9


def test_movement_at_the_cadence_is_never_taken_for_breathing():
    for seed in range(4):
        _, beats, amplitude = set_with_movement(seed, breathing_rate_hz=0.42, depth=0.0, swing=0.0)
        blind = in_the_set(respiration_from_beats(beats, amplitude))
        table = in_the_set(respiration_from_beats(beats, amplitude, repetitions=NOTED))
        assert (blind["status"] == "known").mean() > 0.5
        assert (table["status"] == "known").mean() < 0.05


def test_breathing_at_the_cadence_is_unknown_and_the_reason_names_it():
    _, beats, amplitude = set_with_movement(1, breathing_rate_hz=0.28)
    table = in_the_set(respiration_from_beats(beats, amplitude, repetitions=NOTED))
    unknown = table[table["status"] == "unknown"]
    assert len(unknown) > 0.6 * len(table)
    assert unknown["reason"].str.contains("cadence on the session sheet, 0.28 Hz, hides").all()


@pytest.mark.parametrize("heart_rate_bpm", [70, 150])
def test_beats_without_breathing_in_them_are_unknown(heart_rate_bpm):
    share = []
    for seed in range(12):
        _, beats, amplitude = breathing_beats(
            seed, heart_rate_bpm=heart_rate_bpm, depth=0.0, swing=0.0
        )
        table = respiration_from_beats(beats, amplitude)
        share.append((table["status"] == "known").mean())
        unknown = table["status"] == "unknown"
        assert table.loc[unknown, "rate_hz"].isna().all()
        assert (table.loc[unknown, "reason"] != "").all()
    assert np.mean(share) <= 0.05


def test_beats_like_a_clock_are_unknown_because_they_do_not_vary():
    beats = np.arange(120) * 0.75
    table = respiration_from_beats(beats, np.ones(120))
    assert (table["status"] == "unknown").all()
    assert (table["reason"] == "the signal does not vary").all()
    assert (table["confidence"] == 0).all()


def test_confidence_lies_between_zero_and_one_and_falls_with_noise():
    means = []
    for noise in (0.02, 0.30):
        _, beats, amplitude = breathing_beats(2, noise=noise, swing=0.0)
        confidence = respiration_from_beats(beats, amplitude)["confidence"]
        assert confidence.between(0, 1).all()
        means.append(confidence.mean())
    assert means[0] > means[1]


def test_gain_and_offset_of_the_amplitude_do_not_matter():
    _, beats, amplitude = breathing_beats(3)
    plain = respiration_from_beats(beats, amplitude)
    scaled = respiration_from_beats(beats, 40.0 - 7.0 * amplitude)
    np.testing.assert_allclose(plain["rate_hz"], scaled["rate_hz"], atol=1e-6)


def test_a_stretch_without_beats_is_unknown_and_its_surroundings_are_not():
    _, beats, amplitude = breathing_beats(4)
    seen = (beats < 80) | (beats > 120)
    table = respiration_from_beats(beats[seen], amplitude[seen]).set_index("time_s")
    assert (table.loc[90:110, "status"] == "unknown").all()
    assert table.loc[100, "reason"] == "too few values within 20 s"
    assert (table.loc[20:65, "status"] == "known").mean() > 0.9


def test_beats_without_an_amplitude_are_passed_over():
    simulated, beats, amplitude = breathing_beats(5)
    amplitude[::9] = np.nan
    assert rate_error_hz(simulated, respiration_from_beats(beats, amplitude)) <= 0.012


def test_one_ectopic_amplitude_does_not_upset_the_rate():
    simulated, beats, amplitude = breathing_beats(6)
    amplitude[100] *= 4
    table = respiration_from_beats(beats, amplitude)
    assert rate_error_hz(simulated, table) <= 0.012
    assert (table["status"] == "known").mean() > 0.9


def test_intervals_help_where_the_amplitude_is_weak():
    known = {0.0: [], 0.01: []}
    for swing, shares in known.items():
        for seed in range(4):
            _, beats, amplitude = breathing_beats(seed, depth=0.015, swing=swing)
            table = respiration_from_beats(beats, amplitude)
            shares.append((table["status"] == "known").mean())
    assert np.mean(known[0.01]) > np.mean(known[0.0]) + 0.2


def test_where_the_r_wave_shows_no_breathing_the_intervals_of_an_ecg_may():
    simulated, beats, amplitude = breathing_beats(2, depth=0.0)
    # breathing swings the intervals of this heart by 2 %, as at rest; blood pressure by 1.5 %
    repaired = pd.DataFrame({"time_s": beats, "nn_time_s": beats})
    detected = pd.DataFrame({"time_s": beats, "amplitude": amplitude, "shape": "normal"})
    table = breathing_of([], detected, repaired)
    known = table[table["status"] == "known"]
    assert len(known) > 0.9 * len(table)
    assert rate_error_hz(simulated, table) <= 0.012
    assert known["reason"].str.startswith("from the intervals").mean() > 0.6


def test_where_a_belt_shows_no_breathing_the_beats_may():
    simulated, beats, _ = breathing_beats(2)
    repaired = pd.DataFrame({"time_s": beats, "nn_time_s": beats})
    time_s = np.arange(0, 200, 0.1)
    value = np.random.default_rng(0).normal(0, 0.1, 2000)
    value[:1000] += np.interp(time_s[:1000], simulated.time_s, simulated.breathing)
    belt = SimpleNamespace(signal="respiration", time_s=time_s, value=value)
    table = breathing_of([belt], pd.DataFrame({"time_s": beats}), repaired).set_index("time_s")
    assert (table.loc[20:85, "reason"] == "").all()
    assert (table.loc[115:185, "reason"] == FROM_BEATS).mean() > 0.9


def test_intervals_alone_never_take_the_slow_oscillation_for_breathing():
    rng = np.random.default_rng(8)
    beats = simulate_beats(
        240, heart_rate_bpm=65, random_bands=[(0.1, 0.005, 0.03)], jitter_s=0.002, rng=rng
    ).beat_time_s
    table = respiration_from_beats(beats)
    assert (table["status"] == "unknown").mean() > 0.9


def test_rates_above_half_the_heart_rate_are_never_reported():
    _, beats, amplitude = breathing_beats(9, heart_rate_bpm=50, depth=0.0, noise=0.1)
    table = respiration_from_beats(beats, amplitude)
    assert not (table["rate_hz"] > 50 / 120 + 0.03).any()


@pytest.mark.parametrize("rate_hz", [0.15, 0.30, 0.70])
def test_a_belt_gives_the_rate_at_any_sampling(rate_hz):
    rng = np.random.default_rng(10)
    time_s = np.sort(rng.uniform(0, 120, 120 * 20))
    value = 500 + 30 * np.sin(2 * np.pi * rate_hz * time_s) + rng.normal(0, 5, time_s.size)
    table = respiration_from_belt(time_s, value)
    assert (table["status"] == "known").mean() > 0.95
    error_hz = np.abs(table["rate_hz"] - rate_hz).to_numpy()
    assert np.nanmax(error_hz[5:-5]) < 0.01
    assert np.nanmax(error_hz) < 0.02  # the first and last windows are half empty


def test_a_belt_that_slipped_off_is_unknown():
    time_s = np.arange(0, 120, 0.04)
    value = np.random.default_rng(11).normal(0, 1, time_s.size)
    table = respiration_from_belt(time_s, value)
    assert (table["status"] == "known").mean() < 0.05
    stuck = respiration_from_belt(time_s, np.full(time_s.size, 3.0))
    assert (stuck["status"] == "unknown").all()


def test_missing_belt_samples_are_passed_over():
    time_s = np.arange(0, 120, 0.04)
    value = np.sin(2 * np.pi * 0.3 * time_s)
    value[1000:1400] = np.nan
    table = respiration_from_belt(time_s, value).set_index("time_s")
    assert table.loc[20, "rate_hz"] == pytest.approx(0.3, abs=0.005)
    assert table.loc[48, "status"] == "unknown"


def test_no_beats_give_an_empty_table_with_its_columns():
    table = respiration_from_beats(np.array([]), np.array([]))
    assert table.empty
    assert list(table.columns) == ["time_s", "rate_hz", "confidence", "status", "reason"]


def test_arguments_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="3 values for 4 beats"):
        respiration_from_beats(np.arange(4.0), np.ones(3))
    with pytest.raises(ValueError, match="sorted"):
        respiration_from_beats(np.array([1.0, 0.5]), np.ones(2))
    with pytest.raises(ValueError, match="samples"):
        respiration_from_belt(np.arange(4.0), np.ones(3))
