"""Recovery after a set: how far the heart rate has fallen, and how RMSSD returns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from heart.recovery import fall_of_rate, rmssd_course
from heart.repair.series import with_beginnings, with_differences
from heart.variability import NotEnough
from unit.pulse_frequency import beats_at, grid_s
from windows._window import Window

WIDTHS_S = {"end_rate_window_s": 5.0, "recovery_rate_window_s": 10.0}


def recovery_of(nn_ms, *, after_s, recovery_s=120.0, set_end_s=30.0):
    window = Window("recovery_first_60_s", "set", set_end_s, set_end_s + recovery_s)
    beats_s = np.cumsum(nn_ms) / 1000.0
    return fall_of_rate((beats_s, nn_ms), window, set_end_s, after_s, **WIDTHS_S)


def test_a_fall_from_160_to_132_in_a_minute_is_a_recovery_of_28():
    nn_ms = 60_000.0 / np.concatenate([np.full(80, 160.0), np.full(200, 132.0)])
    assert recovery_of(nn_ms, after_s=60.0) == pytest.approx(28.0)


def test_a_rate_that_goes_on_rising_after_the_set_is_a_negative_recovery():
    nn_ms = 60_000.0 / np.concatenate([np.full(80, 160.0), np.full(200, 170.0)])
    assert recovery_of(nn_ms, after_s=30.0) == pytest.approx(-10.0)


def test_the_rate_at_the_end_of_a_set_is_that_of_its_last_five_seconds():
    # 120 per minute up to 25 s, 180 up to 30 s, then 90.
    nn_ms = np.concatenate([np.full(50, 500.0), np.full(15, 1000 / 3), np.full(180, 2000 / 3)])
    assert recovery_of(nn_ms, after_s=30.0) == pytest.approx(180.0 - 90.0)


def test_the_later_rate_is_that_of_ten_seconds_about_its_moment():
    # 90 per minute from 85 to 95 s after the clock's zero, 120 before and after.
    before, about, after = np.full(170, 500.0), np.full(15, 2000 / 3), np.full(100, 500.0)
    nn_ms = np.concatenate([before, about, after])
    assert recovery_of(nn_ms, after_s=60.0) == pytest.approx(120.0 - 90.0)


def test_a_recovery_cut_short_by_what_follows_has_no_fall_of_rate():
    with pytest.raises(NotEnough, match="cut short after 45 s"):
        recovery_of(np.full(400, 500.0), after_s=60.0, recovery_s=45.0)


def test_recovery_is_refused_where_beats_are_missing_after_the_set():
    with pytest.raises(NotEnough, match="cover"):
        recovery_of(np.full(120, 500.0), after_s=60.0)


def normal_beats(beats_s):
    return pd.DataFrame(
        {
            "session_id": "ses-1",
            "time_s": beats_s,
            "nn_time_s": beats_s,
            "nn_ms": 1000 * np.diff(beats_s, prepend=np.nan),
            "kind": "normal",
        }
    )


def differences_of(beats_s):
    series = with_differences(with_beginnings(normal_beats(beats_s)))
    return series["nn_time_s"].to_numpy(), series["difference_ms"].to_numpy()


def test_rmssd_after_exercise_follows_vagal_return():
    time_s = grid_s(200.0)
    size = 0.002 + 0.03 * np.clip(time_s / 200.0, 0, 1)
    beats_s = beats_at(time_s, 1.8 * (1.0 + size * np.cos(2 * np.pi * 0.3 * time_s)))
    course = rmssd_course(*differences_of(beats_s), 0.0, 190.0)
    assert [point["after_s"] for point in course] == list(np.arange(15.0, 176.0, 15.0))
    assert (np.diff([point["rmssd_ms"] for point in course]) > 0).all()


def test_every_point_of_the_course_is_the_rmssd_of_its_thirty_seconds():
    rng = np.random.default_rng(3)
    beats_s = 100.0 + np.cumsum(rng.uniform(0.5, 0.6, 300))
    ends_s, differences_ms = differences_of(beats_s)
    course = rmssd_course(ends_s, differences_ms, 110.0, 180.0)
    assert len(course) == 3
    for number, point in enumerate(course):
        begin_s = 110.0 + 15.0 * number
        inside = (ends_s >= begin_s) & (ends_s <= begin_s + 30.0)
        expected = np.sqrt(np.mean(differences_ms[inside] ** 2))
        assert point["after_s"] == 15.0 * number + 15.0
        assert point["rmssd_ms"] == pytest.approx(expected)


def test_thirty_seconds_with_fewer_than_ten_differences_are_left_out():
    ends_s = np.arange(0.0, 60.0, 0.5)
    differences_ms = np.where(ends_s < 20.5, np.nan, 5.0)
    course = rmssd_course(ends_s, differences_ms, 0.0, 60.0)
    assert [point["after_s"] for point in course] == [15.0, 30.0, 45.0]
    fewer = np.where(ends_s < 26.0, np.nan, 5.0)
    assert [point["after_s"] for point in rmssd_course(ends_s, fewer, 0.0, 60.0)] == [30.0, 45.0]


def test_no_difference_is_formed_at_a_repaired_beat_or_across_a_gap():
    beats = normal_beats(np.array([1.0, 1.8, 2.6, 3.5, 4.3, 5.1, 9.0, 9.8, 10.6]))
    beats.loc[3, "kind"] = "ectopic"
    beats.loc[6, "nn_ms"] = np.nan
    series = with_differences(with_beginnings(beats)).set_index("time_s")["difference_ms"]
    # The intervals before and after the ectopic beat count in no difference.
    assert series.loc[[2.6, 10.6]].to_numpy() == pytest.approx([0.0, 0.0], abs=1e-6)
    assert series.loc[[1.8, 3.5, 4.3, 5.1, 9.8]].isna().all()
