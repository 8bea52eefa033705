"""From a lead and the decisions of people to the beats, breathing and quality of one session."""

from __future__ import annotations

from itertools import combinations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from heart.beat_amplitude import beat_amplitudes
from heart.beats import breathing_of, whole_recording, with_edits
from heart.quality import Witnesses, above_quiet, probability_all_right
from unit.sinus_rhythm import sinus_beats

RULES = SimpleNamespace(clear_correlation=0.8, clear_deviation=0.25)
NO_EDITS = pd.DataFrame(columns=["action", "time_s", "new_time_s", "end_s"])


def edits(**columns):
    return pd.DataFrame([{"new_time_s": np.nan, "end_s": np.nan} | columns])


def test_the_height_of_a_beat_is_read_at_the_beat():
    time_s = np.arange(0.0, 60.0, 0.004)
    beats_s = np.arange(1.0, 59.0, 0.8) + 0.0013
    height = 1.0 + 0.2 * np.sin(2 * np.pi * 0.25 * beats_s)
    ecg_mv = (height * np.exp(-0.5 * ((time_s[:, None] - beats_s) / 0.012) ** 2)).sum(axis=1)
    amplitude = beat_amplitudes(time_s, ecg_mv, beats_s)
    assert np.corrcoef(amplitude, height)[0, 1] > 0.999
    np.testing.assert_allclose(amplitude / amplitude.mean(), height / height.mean(), rtol=0.01)


def test_a_beat_outside_the_recording_has_no_height():
    time_s = np.arange(0.0, 10.0, 0.004)
    amplitude = beat_amplitudes(time_s, np.sin(2 * np.pi * 8 * time_s), [5.0, 12.0])
    assert np.isfinite(amplitude).tolist() == [True, False]


def test_heights_of_beats_of_another_shape_do_not_enter_breathing():
    beats_s = sinus_beats(2)
    height = 1.0 + 0.1 * np.sin(2 * np.pi * 0.25 * beats_s)
    strange = np.arange(beats_s.size) % 4 == 0
    height[strange] = np.random.default_rng(0).uniform(0.2, 3.0, strange.sum())
    shape = np.where(strange, "other", "normal")
    detected = pd.DataFrame({"time_s": beats_s, "amplitude": height, "shape": shape})
    repaired = pd.DataFrame({"time_s": beats_s, "nn_time_s": beats_s})
    table = breathing_of([], detected, repaired)
    by_height = table[(table["status"] == "known") & (table["reason"] == "")]
    assert len(by_height) > 0.9 * len(table)
    assert np.median(by_height["rate_hz"]) == pytest.approx(0.25, abs=0.005)


def test_no_interval_reaches_across_a_span_that_a_person_excluded():
    beats_s = sinus_beats(3)
    detected = pd.DataFrame({"time_s": beats_s})
    inside = (beats_s > 60.5) & (beats_s < 61.5)
    assert 1 <= inside.sum() <= 2
    excluded = edits(action="exclude_span", time_s=60.5, end_s=61.5)
    repaired = with_edits(detected, excluded, RULES)
    first_after = repaired[(repaired["time_s"] > 61.5) & (repaired["kind"] == "normal")].iloc[0]
    assert np.isnan(first_after["nn_ms"])
    assert not repaired["kind"].eq("missed").any()


def test_what_an_edit_moved_stands_beside_the_number_without_it():
    beats_s = sinus_beats(4)
    detected = pd.DataFrame({"time_s": beats_s})
    moved = edits(action="move_beat", time_s=beats_s[100], new_time_s=beats_s[100] + 0.12)
    unedited = with_edits(detected, NO_EDITS, RULES)
    row = whole_recording(with_edits(detected, moved, RULES), unedited, detected).iloc[0]
    intervals_ms = 1000 * np.diff(beats_s)
    expected = np.sqrt(np.mean(np.diff(intervals_ms) ** 2))
    assert row["rmssd_ms_without_edits"] == pytest.approx(expected, rel=1e-6)
    assert row["corrected_pct"] == pytest.approx(100 / beats_s.size)
    assert row["corrected_pct_without_edits"] == 0
    # An added beat is not a normal one: two intervals and three differences are left out.
    left_out = np.delete(np.diff(intervals_ms), [98, 99, 100])
    assert row["rmssd_ms"] == pytest.approx(np.sqrt(np.mean(left_out**2)), rel=1e-6)
    assert row["rmssd_ms"] != row["rmssd_ms_without_edits"]


def test_a_witness_takes_from_the_probability_and_two_take_a_span_below_acceptance():
    right = (1.0, 3.0, 0.05, 0.0, 0.1, 0.0, 0)
    wrong = (0.3, 0.3, 1.0, 1.0, 1.5, 0.0, 2)
    assert probability_all_right(Witnesses(*right)) > 0.99
    for first, second in combinations((0, 1, 2, 3, 6), 2):
        doubted = [wrong[k] if k == first else right[k] for k in range(7)]
        assert (
            probability_all_right(Witnesses(*doubted))
            < probability_all_right(Witnesses(*right)) - 0.005
        )
        doubted[second] = wrong[second]
        least_margin_or_change = {first, second} & {1, 2}
        assert probability_all_right(Witnesses(*doubted)) < (
            0.9 if least_margin_or_change else 0.96
        )


def test_a_beat_for_which_nothing_speaks_takes_its_span_below_acceptance():
    assert probability_all_right(Witnesses(1.0, 0.3, 0.05, 0.0, 0.1, 0.0, 0)) > 0.9
    assert probability_all_right(Witnesses(1.0, 0.0, 0.05, 0.0, 0.1, 0.0, 0)) < 0.9


def test_a_change_of_interval_counts_more_amid_more_movement_than_the_recording_usually_has():
    """An irregular heart in the quiet is accepted; the same change in a burst of noise is not."""
    fast = np.array([0.2, 0.2, 0.22, 0.8])
    quiet, _, _, burst = zip(fast, above_quiet(fast), strict=True)
    irregular = Witnesses(1.0, 3.0, 0.9, 0.0, *quiet, 0)
    assert probability_all_right(irregular) > 0.9
    assert probability_all_right(Witnesses(1.0, 3.0, 0.9, 0.0, *burst, 0)) < 0.9
    assert probability_all_right(Witnesses(1.0, 3.0, 0.1, 0.0, *burst, 0)) > 0.98


def test_a_recording_that_is_as_noisy_throughout_has_no_burst_and_noise_too_small_to_see_neither():
    assert above_quiet(np.full(5, 0.9)) == pytest.approx(0.0)
    assert above_quiet(np.array([0.0, 0.0, 0.04, 0.05])).max() <= 0.0


def test_intervals_as_seen_know_nothing_of_a_beat_that_a_person_added():
    beats_s = sinus_beats(5)
    detected = pd.DataFrame({"time_s": np.delete(beats_s, 80)})
    added = edits(action="add_beat", time_s=beats_s[80])
    repaired = with_edits(detected, added, RULES).set_index("time_s")
    assert np.isnan(repaired.loc[beats_s[80], "rr_ms"])
    assert repaired.loc[beats_s[81], "rr_ms"] == pytest.approx(1000 * (beats_s[81] - beats_s[79]))
    assert repaired.loc[beats_s[81], "nn_ms"] == pytest.approx(1000 * (beats_s[81] - beats_s[80]))
