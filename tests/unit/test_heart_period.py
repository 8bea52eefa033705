"""The beats that everything else is tested with are what they claim to be."""

import numpy as np
import pytest

from demo.heart_period import (
    beats_from_rate,
    inject_errors,
    interval_power_ms2,
    narrow_band_course,
    simulate_beats,
)


def test_a_steady_rate_gives_evenly_spaced_beats():
    time_s = np.arange(0, 60.001, 0.01)
    beats = beats_from_rate(time_s, np.full(time_s.size, 1.25))
    np.testing.assert_allclose(np.diff(beats), 0.8, atol=1e-9)
    assert beats.size == 76


def test_a_ramp_of_the_rate_gives_as_many_beats_as_its_integral():
    beats = simulate_beats(60, heart_rate_bpm=lambda time_s: 70 + 80 * time_s / 60).beat_time_s
    assert beats.size == 1 + 110
    assert 60 / np.diff(beats)[-1] == pytest.approx(150, abs=1)


@pytest.mark.parametrize("frequency_hz", [0.10, 0.25])
def test_a_tone_leaves_the_interval_power_that_theory_says(frequency_hz):
    beats = simulate_beats(
        600, heart_rate_bpm=75, tones=[(frequency_hz, 0.02, 0.0)], step_s=0.002
    ).beat_time_s
    intervals_ms = 1000 * np.diff(beats)
    angle = 2 * np.pi * frequency_hz * (beats[1:] + beats[:-1]) / 2
    design = np.column_stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    _, cosine, sine = np.linalg.lstsq(design, intervals_ms, rcond=None)[0]
    expected = interval_power_ms2(
        heart_rate_bpm=75, frequency_hz=frequency_hz, modulation_amplitude=0.02
    )
    assert (cosine**2 + sine**2) / 2 == pytest.approx(expected, rel=0.01)


def test_interval_power_of_a_slow_tone_is_half_the_squared_amplitude():
    # T^2 A^2 / 2 with T = 1000 ms, A = 0.03: 450 ms2, worked by hand
    power = interval_power_ms2(heart_rate_bpm=60, frequency_hz=1e-6, modulation_amplitude=0.03)
    assert power == pytest.approx(450, rel=1e-6)


def test_breathing_is_in_the_beats_at_the_rate_that_was_asked_for():
    beats = simulate_beats(
        300, heart_rate_bpm=70, breathing_rate_hz=0.3, breathing_modulation=0.03
    ).beat_time_s
    intervals = np.diff(beats) - np.diff(beats).mean()
    candidates_hz = np.arange(0.1, 0.55, 0.005)
    power = [
        abs(np.sum(intervals * np.exp(-2j * np.pi * rate * beats[1:]))) for rate in candidates_hz
    ]
    assert candidates_hz[int(np.argmax(power))] == pytest.approx(0.3, abs=0.005)


def test_a_random_band_has_its_rms_and_stays_near_its_centre():
    time_s = np.arange(0, 600, 0.1)
    course = narrow_band_course(
        time_s, centre_hz=0.1, width_hz=0.01, rms=0.02, rng=np.random.default_rng(1)
    )
    assert course.std() == pytest.approx(0.02)
    power = np.abs(np.fft.rfft(course)) ** 2
    frequency_hz = np.fft.rfftfreq(time_s.size, 0.1)
    near = np.abs(frequency_hz - 0.1) < 0.04
    assert power[near].sum() > 0.99 * power.sum()


def test_the_same_seed_gives_the_same_beats():
    def beats(seed):
        return simulate_beats(
            60,
            heart_rate_bpm=70,
            random_bands=[(0.1, 0.01, 0.02)],
            jitter_s=0.001,
            rng=np.random.default_rng(seed),
        ).beat_time_s

    np.testing.assert_array_equal(beats(3), beats(3))
    assert not np.array_equal(beats(3), beats(4))


def test_randomness_without_a_generator_is_refused():
    with pytest.raises(ValueError, match="rng"):
        simulate_beats(60, heart_rate_bpm=70, jitter_s=0.001)


def test_a_rate_that_falls_to_zero_is_refused():
    with pytest.raises(ValueError, match="above zero"):
        simulate_beats(60, heart_rate_bpm=70, tones=[(0.1, 1.2, 0.0)])


def test_every_kind_of_error_changes_the_series_as_it_says():
    clean = np.arange(200) * 0.8
    expected_count = {"ectopic": 200, "missed": 190, "extra": 210, "misplaced": 200}
    for kind, count in expected_count.items():
        disturbed, truth = inject_errors(
            clean, share=0.05, rng=np.random.default_rng(5), kinds=(kind,)
        )
        assert disturbed.size == count
        assert (truth["kind"] == kind).all() and len(truth) == 10
        if kind == "ectopic":
            early_s = truth["true_time_s"] - truth["time_s"]
            assert early_s.between(0.18 * 0.8, 0.40 * 0.8).all()
        if kind == "misplaced":
            off_s = (truth["true_time_s"] - truth["time_s"]).abs()
            assert off_s.between(0.06 * 0.8, 0.15 * 0.8).all()
        if kind == "missed":
            assert not np.isin(truth["time_s"], disturbed).any()


def test_injecting_errors_leaves_the_clean_series_alone():
    clean = np.arange(100) * 0.8
    before = clean.copy()
    inject_errors(clean, share=0.1, rng=np.random.default_rng(0))
    np.testing.assert_array_equal(clean, before)


def test_errors_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="do not fit"):
        inject_errors(np.arange(20.0), share=0.9, rng=np.random.default_rng(0))


def test_an_unknown_kind_of_error_is_refused():
    with pytest.raises(ValueError, match="late"):
        inject_errors(np.arange(20.0), share=0.1, rng=np.random.default_rng(0), kinds=("late",))
