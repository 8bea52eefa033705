"""What outcomes ask for is made once, from what is there."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from measuring.inputs import Absent, Breathing, WindowInputs
from results.estimate import Estimate
from windows._window import Window

BREATHING = Breathing(np.arange(4.0), np.array([0.30, 0.31, 0.30, 0.29]), np.ones(4, dtype=bool))
INTERVALS_MS = np.full(60, 600.0)


def inputs(**given):
    usual = {"breathing": BREATHING, "nn_ms": INTERVALS_MS, "logged_cadence_hz": 0.0}
    return WindowInputs(**usual | given)


def seen(rate_hz):
    return SimpleNamespace(rate_hz=Estimate(rate_hz, 0.01))


def test_repetitions_meet_breathing_only_where_the_two_cannot_be_told_apart():
    for cadence_hz, too_close in ((0.30, 1.0), (0.33, 1.0), (0.15, 1.0), (0.38, 0.0), (0.55, 0.0)):
        assert inputs(contractions=seen(cadence_hz))["cadence_in_band"] == too_close


def test_the_noted_cadence_counts_where_no_saturation_shows_it():
    absent = Absent("no saturation was recorded in this session")
    assert inputs(contractions=absent, logged_cadence_hz=0.3)["cadence_in_band"] == 1.0
    assert inputs(contractions=absent).property_of_window("cadence_in_band") is None


def sheet_row(reps_done=float("nan"), reps_planned=float("nan"), stopped_early="no"):
    return SimpleNamespace(
        onset_s=100.0,
        duration_s=40.0,
        reps_done=reps_done,
        reps_planned=reps_planned,
        stopped_early=stopped_early,
    )


def test_the_cadence_of_a_set_is_that_of_repetitions_done_else_of_those_planned_to_its_end():
    def cadence_hz(**sheet):
        return WindowInputs(event=sheet_row(**sheet))["logged_cadence_hz"]

    assert cadence_hz(reps_done=10, reps_planned=12) == 0.25
    assert cadence_hz(reps_planned=12) == 0.3
    assert cadence_hz(reps_planned=12, stopped_early="yes") == cadence_hz() == 0.0


def test_few_samples_per_contraction_count_only_where_the_sheet_does_not_settle_them():
    def samples(settled):
        contractions = SimpleNamespace(rate_hz=Estimate(0.33, 0.01), settled=settled)
        return inputs(
            contractions=contractions, time_s=np.arange(60.0), logged_cadence_hz=0.33
        ).property_of_window("samples_per_contraction_unsettled")

    assert samples(settled=True) is None
    assert samples(settled=False) == pytest.approx(3.03, abs=0.01)


def test_what_belongs_to_a_set_is_made_once_for_all_its_windows():
    event = sheet_row(reps_done=10)
    of_event = WindowInputs(event=event)
    first, second = WindowInputs(of_event, window="a"), WindowInputs(of_event, window="b")
    assert first["logged_cadence_hz"] == second["logged_cadence_hz"] == 0.25
    assert of_event.can_make("logged_cadence_hz")
    assert not of_event.can_make("duration_s")


def test_a_reason_is_kept_and_raised_again():
    nothing = pd.DataFrame(columns=["signal", "file", "channel"])
    window = inputs(segment=None, traces=nothing)
    for _ in range(2):
        with pytest.raises(Absent, match="no saturation sensor"):
            window["time_s"]


def test_the_share_of_a_window_in_which_the_ecg_was_not_accepted_is_counted_in_time():
    spans = pd.DataFrame(
        {
            "start_s": [90.0, 100.0, 110.0, 120.0],
            "end_s": [100.0, 110.0, 120.0, 130.0],
            "verdict": ["rejected", "accepted", "doubtful", "rejected"],
        }
    )
    window = Window("set", "set", 95.0, 125.0)
    known = inputs(ecg_spans=spans, window=window)
    assert known["rejected_pct"] == pytest.approx(100 * (5 + 5) / 30)
    assert known["doubtful_pct"] == pytest.approx(100 * (5 + 10 + 5) / 30)
    assert inputs(ecg_spans=spans[:0], window=window)["doubtful_pct"] == 0.0
