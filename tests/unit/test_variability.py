"""Time-domain numbers: what they count, what they never count, and when they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from heart import variability
from heart.variability import NotEnough
from unit.pulse_frequency import beats_at, grid_s, narrow_noise, tones

intervals_ms = st.lists(st.integers(300, 1800), min_size=3, max_size=60).map(
    lambda values: np.array(values, dtype=float)
)


def resting_beats(duration_s: float, rng: np.random.Generator) -> np.ndarray:
    """75 beats per minute with irregular LF and respiratory modulation."""
    time = grid_s(duration_s)
    low = narrow_noise(time.size, 0.10, 0.015, 0.03, rng)
    high = narrow_noise(time.size, 0.25, 0.02, 0.02, rng)
    return beats_at(time, 1.25 * (1.0 + low + high))


def test_a_difference_is_never_formed_across_a_gap_or_a_repaired_beat():
    beats = np.array([1.0, 1.8, 2.6, 6.0, 6.9, 7.7, 8.5])
    nn_ms = np.array([800.0, 800, 800, 820, 900, 800, 800])
    normal = np.array([True, True, True, True, True, False, True])
    joined = variability.directly_following(beats, nn_ms, normal, tolerance_s=0.005)
    assert joined.tolist() == [False, True, True, False, True, False, False]
    differences = variability.successive_differences_ms(nn_ms, joined)
    assert differences.tolist() == [0.0, 0.0, 80.0]


@given(intervals_ms)
def test_rmssd_does_not_see_the_level_and_grows_with_the_spread(nn_ms):
    rmssd = variability.rmssd_ms(variability.successive_differences_ms(nn_ms))
    moved = variability.rmssd_ms(variability.successive_differences_ms(nn_ms + 111.0))
    doubled = variability.rmssd_ms(variability.successive_differences_ms(2.0 * nn_ms))
    assert moved == pytest.approx(rmssd)
    assert doubled == pytest.approx(2.0 * rmssd)


@given(intervals_ms)
def test_sd1_is_the_spread_of_differences_over_the_square_root_of_two(nn_ms):
    sdsd = np.diff(nn_ms).std(ddof=1)
    assert variability.sd1_ms(nn_ms) == pytest.approx(sdsd / np.sqrt(2.0), abs=1e-9)


@given(intervals_ms)
def test_the_two_axes_of_the_return_map_share_out_its_whole_spread(nn_ms):
    both = variability.sd1_ms(nn_ms) ** 2 + variability.sd2_ms(nn_ms) ** 2
    spread = nn_ms[:-1].var(ddof=1) + nn_ms[1:].var(ddof=1)
    assert both == pytest.approx(spread, abs=1e-6)


def test_dfa_does_not_see_unit_or_level():
    rng = np.random.default_rng(3)
    nn_ms = 800.0 + rng.normal(0, 30, 200)
    alpha = variability.dfa_alpha1(nn_ms)
    assert variability.dfa_alpha1(nn_ms / 1000.0) == pytest.approx(alpha)
    assert variability.dfa_alpha1(nn_ms + 300.0) == pytest.approx(alpha)


def test_peak_heart_rate_is_the_fastest_five_seconds_and_not_the_shortest_interval():
    nn_ms = np.concatenate([np.full(30, 800.0), [350.0], np.full(30, 800.0)])
    beats = np.cumsum(nn_ms) / 1000.0
    one_short = variability.peak_hr_bpm(beats, nn_ms)
    assert one_short == pytest.approx(60.0 * (1 + 4.65 / 0.8) / 5.0)
    fast = np.concatenate([np.full(30, 800.0), np.full(13, 400.0), np.full(30, 800.0)])
    assert variability.peak_hr_bpm(np.cumsum(fast) / 1000.0, fast) == pytest.approx(150.0)


def test_peak_heart_rate_does_not_reach_across_a_gap():
    nn_ms = np.concatenate([np.full(10, 500.0), np.full(10, 1000.0)])
    beats = np.cumsum(nn_ms) / 1000.0
    beats[4:] += 20.0
    beats[10:] += 20.0
    # Two seconds of 120 per minute, then three, then ten of 60: only the last can fill 5 s.
    assert variability.peak_hr_bpm(beats, nn_ms) == pytest.approx(60.0)
    with pytest.raises(NotEnough, match="5 s in a row"):
        variability.peak_hr_bpm(beats[:10], nn_ms[:10])


def test_mean_rate_between_two_moments_is_beats_over_time():
    beats = tones(60.0, 90.0, (0.25, 0.05, 0.3))
    rate = variability.window_hr_bpm(
        beats[1:], 1000.0 * np.diff(beats), start_s=beats[5], end_s=beats[50]
    )
    assert rate == pytest.approx(60.0 * 45 / (beats[50] - beats[5]))


@pytest.mark.parametrize("duration_s", [60, 120, 300])
def test_the_stated_error_of_rmssd_is_the_spread_between_windows_of_one_person(duration_s):
    rng = np.random.default_rng(11)
    log_rmssd, stated = [], []
    for _ in range(80):
        nn_ms = 1000.0 * np.diff(resting_beats(duration_s, rng))
        differences = variability.successive_differences_ms(nn_ms)
        log_rmssd.append(np.log(variability.rmssd_ms(differences)))
        stated.append(variability.rmssd_sampling_error(differences))
    # 80 windows know their own spread to 8 %; two standard errors and a little.
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(np.std(log_rmssd), rel=0.2)


@pytest.mark.parametrize(
    ("compute", "sentence"),
    [
        (lambda: variability.mean_nn_ms([]), "needs 1 intervals"),
        (lambda: variability.sdnn_ms([800.0]), "needs 2 intervals"),
        (lambda: variability.rmssd_ms([]), "adjacent normal intervals"),
        (lambda: variability.sd2_ms([800.0, 810.0]), "2 pairs"),
        (lambda: variability.dfa_alpha1(np.full(63, 800.0)), "needs 64 intervals"),
        (lambda: variability.dfa_alpha1(np.full(100, 800.0)), "intervals that vary"),
        (lambda: variability.rmssd_sampling_error(np.ones(15)), "16 differences"),
        (lambda: variability.highest_intrinsic_hr_bpm(12), "16 to 70 years"),
    ],
)
def test_too_little_data_is_refused_in_a_sentence(compute, sentence):
    with pytest.raises(NotEnough, match=sentence):
        compute()


def test_a_missing_value_is_an_error_and_not_a_silent_number():
    with pytest.raises(ValueError, match="not finite"):
        variability.mean_nn_ms([800.0, np.nan])
