"""The session clock: offset, drift, and time that beat intervals lose."""

import numpy as np
import pytest

from recordings.clock import fit_clock, lost_time, to_session_time


def test_a_drift_of_20_ppm_is_72_ms_per_hour():
    # Worked number: 20e-6 x 3600 s = 0.072 s.
    clock = fit_clock([0.0, 3600.0], [5.0, 3605.072])
    assert clock.drift_ppm == pytest.approx(20.0, abs=1e-6)
    assert to_session_time(clock, 3600.0) - 3605.0 == pytest.approx(0.072, abs=1e-9)


def test_session_time_follows_the_stated_formula():
    clock = fit_clock([10.0, 1810.0], [112.5, 1912.581])
    times_s = np.array([0.0, 600.0, 1810.0])
    expected = clock.offset_s + times_s * (1 + clock.drift_ppm * 1e-6)
    np.testing.assert_allclose(to_session_time(clock, times_s), expected, rtol=0, atol=0)
    assert to_session_time(clock, 1810.0) == pytest.approx(1912.581, abs=1e-9)


def test_two_marks_have_no_residual_and_the_status_says_why():
    clock = fit_clock([1.0, 1000.0], [3.0, 1002.04])
    assert clock.residual_ms == 0.0
    assert clock.status.startswith("ok:")
    assert "by construction" in clock.status


def test_three_marks_are_fitted_by_least_squares():
    file_s = np.array([0.0, 900.0, 1800.0])
    session_s = 40.0 + file_s * (1 + 45e-6) + np.array([0.004, -0.008, 0.004])
    clock = fit_clock(file_s, session_s)
    # The errors are orthogonal to a line, so the line is found exactly and they are what is left:
    # root mean square of 4, -8, 4 ms = sqrt(96 / 3).
    assert clock.offset_s == pytest.approx(40.0, abs=1e-9)
    assert clock.drift_ppm == pytest.approx(45.0, abs=1e-6)
    assert clock.residual_ms == pytest.approx(np.sqrt(32.0), abs=1e-6)
    assert clock.n_marks == 3
    assert clock.status == "ok: 3 sync marks"


def test_one_mark_gives_the_offset_and_admits_that_drift_is_unknown():
    clock = fit_clock([12.0], [30.5], given_offset_s=99.0)
    assert (clock.offset_s, clock.drift_ppm, clock.residual_ms) == (18.5, 0.0, None)
    assert clock.status.startswith("unchecked:") and "drift unknown" in clock.status


def test_without_marks_the_given_offset_stands():
    clock = fit_clock([], [], given_offset_s=7.25)
    assert (clock.offset_s, clock.n_marks) == (7.25, 0)
    assert clock.status.startswith("unchecked:") and "as given" in clock.status


def test_an_implausible_drift_is_flagged_and_still_reported():
    clock = fit_clock([0.0, 100.0], [0.0, 100.1])
    assert clock.drift_ppm == pytest.approx(1000.0, abs=1e-6)
    assert clock.status.startswith("flagged:") and "1000 ppm" in clock.status
    assert fit_clock([0.0, 100.0], [0.0, 99.9]).status.startswith("flagged:")
    assert fit_clock([0, 100], [0, 100.1], max_drift_ppm=1500).status.startswith("ok:")


def test_a_mark_set_at_the_wrong_event_shows_as_residual():
    clock = fit_clock([0.0, 600.0, 1200.0], [0.0, 600.9, 1200.0])
    assert clock.status.startswith("flagged:") and "residual" in clock.status


def test_marks_that_differ_in_number_are_an_error_in_words():
    with pytest.raises(ValueError, match="2 sync marks in the file but 3 sync events"):
        fit_clock([1.0, 2.0], [1.0, 2.0, 3.0])


@pytest.mark.parametrize("marks", [[5.0, 5.0], [9.0, 3.0], [1.0, float("nan")]])
def test_marks_must_be_numbers_that_rise(marks):
    with pytest.raises(ValueError, match="sync mark"):
        fit_clock(marks, [1.0, 2.0])


def test_one_lost_beat_is_found_in_five_minutes():
    # 375 beats of 0.8 s at 75 beats/min
    said = lost_time(374 * 0.8, 300.0)
    assert said.startswith("flagged:") and "0.80 s of beats lost" in said
    assert lost_time(375 * 0.8, 300.0).startswith("ok:")


def test_the_allowance_grows_with_time_beyond_five_minutes():
    # 0.5 s per 5 min: 0.8 s in 10 min is within 1 s.
    assert lost_time(749 * 0.8, 600.0).startswith("ok:")
    assert lost_time(748 * 0.8, 600.0).startswith("flagged:")


def test_doubled_intervals_are_too_much_time():
    assert "4.00 s too much" in lost_time(380 * 0.8, 300.0)
