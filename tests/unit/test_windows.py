"""Windows follow from the session sheet."""

import pandas as pd
import pytest

from engine.listings import outcome_modules, window_modules, windows, windows_of
from measuring.cutting import asked_in, windows_of_event
from measuring.inputs import WindowInputs
from windows._after_set import release_of_cuff
from windows._window import Window

SETTINGS = {"baseline_settle_s": 60.0, "recovery_steady_from_s": 90.0, "shortest_steady_s": 60.0}


def session(*events):
    columns = ["onset_s", "duration_s", "trial_type", "limb"]
    return pd.DataFrame(events, columns=columns).assign(untimed="")


def windows_in(events, row):
    event = next(events.iloc[[row]].itertuples())
    known = WindowInputs(event=event, session_events=events, **SETTINGS)
    return {window.name: window for window in windows_of_event(known)}


def test_a_baseline_loses_its_first_minute():
    window = windows_in(session((10.0, 360.0, "baseline", None)), 0)["baseline"]
    assert (window.start_s, window.end_s, window.problem) == (70.0, 370.0, "")


def test_a_baseline_shorter_than_its_settling_time_is_refused_in_words():
    window = windows_in(session((10.0, 50.0, "baseline", None)), 0)["baseline"]
    assert window.duration_s == 0
    assert "shorter than 60 s" in window.problem


def test_recovery_after_a_set_begins_when_the_cuff_is_released():
    events = session((100.0, 50.0, "set", "leg"), (80.0, 75.0, "cuff", "leg"))
    window = windows_in(events, 0)["recovery_first_60_s"]
    assert (window.start_s, window.end_s) == (155.0, 215.0)


def test_a_cuff_on_the_other_limb_does_not_delay_recovery():
    events = session((100.0, 50.0, "set", "leg"), (80.0, 75.0, "cuff", "arm"))
    assert release_of_cuff(next(events.iloc[[0]].itertuples()), events) == 150.0


def test_the_next_inflation_ends_the_recovery_of_a_set():
    events = session(
        (100.0, 50.0, "set", "leg"),
        (80.0, 75.0, "cuff", "leg"),
        (195.0, 80.0, "cuff", "leg"),
        (220.0, 50.0, "set", "leg"),
    )
    assert windows_in(events, 0)["recovery_first_60_s"].duration_s == pytest.approx(40.0)


def test_a_cuff_that_stays_inflated_into_the_next_set_leaves_no_recovery():
    events = session(
        (100.0, 50.0, "set", "leg"), (80.0, 200.0, "cuff", "leg"), (180.0, 50.0, "set", "leg")
    )
    assert "stays inflated" in windows_in(events, 0)["recovery_first_60_s"].problem


def test_a_short_recovery_has_no_steady_block():
    recovery = windows_in(session((1000.0, 120.0, "recovery", None)), 0)
    assert recovery["recovery_first_60_s"].duration_s == 60
    assert "no steady block" in recovery["recovery_steady"].problem


def test_recovery_is_steady_from_a_minute_and_a_half_on_where_a_minute_is_left():
    recovery = windows_in(session((1000.0, 300.0, "recovery", None)), 0)
    first, steady = recovery["recovery_first_60_s"], recovery["recovery_steady"]
    assert (first.start_s, first.end_s) == (1000.0, 1060.0)
    assert (steady.start_s, steady.end_s, steady.problem) == (1090.0, 1300.0, "")
    shortest = windows_in(session((1000.0, 150.0, "recovery", None)), 0)["recovery_steady"]
    assert (shortest.duration_s, shortest.problem) == (60.0, "")


def test_recovery_after_a_set_without_cuff_begins_at_its_end_and_lasts_a_minute():
    window = windows_in(session((100.0, 50.0, "set", "leg")), 0)["recovery_first_60_s"]
    assert (window.start_s, window.end_s) == (150.0, 210.0)


def test_a_cuff_released_before_the_end_of_a_set_does_not_move_its_recovery():
    events = session((100.0, 50.0, "set", "leg"), (80.0, 40.0, "cuff", "leg"))
    assert windows_in(events, 0)["recovery_first_60_s"].start_s == 150.0


def test_a_set_of_unknown_time_may_follow_any_set_and_takes_its_recovery():
    unknown = float("nan")
    events = session((100.0, 50.0, "set", "leg"), (unknown, unknown, "set", "leg"))
    assert "unknown time" in windows_in(events, 0)["recovery_first_60_s"].problem


def test_a_set_without_a_time_has_its_windows_with_the_reason_and_without_limits():
    events = session((float("nan"), float("nan"), "set", "leg")).assign(untimed="no time for it")
    window = windows_in(events, 0)
    assert list(window) == ["set", "recovery_first_60_s"]
    assert all(w.problem == "no time for it" for w in window.values())


def test_cuffs_marks_and_notes_offer_no_window():
    events = session(
        (5.0, 0.0, "sync", None), (80.0, 75.0, "cuff", "leg"), (9.0, 0.0, "note", None)
    )
    assert [windows_in(events, row) for row in range(3)] == [{}, {}, {}]


@pytest.mark.parametrize("name", windows())
def test_every_window_says_what_it_is_where_it_stands_and_what_is_asked_in_it(name):
    module = window_modules()[name]
    assert module.__doc__
    assert len(module.SAYS) > 10
    asked_of = {outcome.ASKED_OF for outcome in outcome_modules().values()}
    kinds = {"baseline", "set", "rest", "recovery"}
    assert module.ASKED
    assert set(module.ASKED) <= kinds
    assert all(set(asked) <= asked_of for asked in module.ASKED.values())
    assert callable(module.cut)


def test_windows_stand_in_the_order_of_a_visit():
    promised = ["baseline", "set", "recovery_first_60_s", "rest", "recovery_steady"]
    assert windows() == promised
    assert len({window.ORDER for window in window_modules().values()}) == len(promised)


@pytest.mark.parametrize("name", outcome_modules())
def test_every_outcome_is_asked_in_a_window(name):
    assert windows_of(name)


def test_minutes_after_sets_and_minutes_of_a_recovery_are_asked_for_different_things():
    outcomes = outcome_modules()
    after_set = Window("recovery_first_60_s", "set", 0.0, 60.0)
    of_recovery = Window("recovery_first_60_s", "recovery", 0.0, 60.0)
    assert asked_in(after_set, outcomes["hrr_60_bpm"])
    assert not asked_in(of_recovery, outcomes["hrr_60_bpm"])
    assert asked_in(of_recovery, outcomes["rmssd_ms"])
    assert asked_in(after_set, outcomes["rmssd_ms"])
    assert asked_in(Window("baseline", "baseline", 0, 9), outcomes["smo2_baseline_pct"])
    assert asked_in(Window("set", "set", 0, 9), outcomes["smo2_baseline_pct"])
    assert not asked_in(Window("baseline", "baseline", 0, 9), outcomes["smo2_nadir_pct"])
