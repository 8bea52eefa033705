"""Windows follow from the session sheet; gates decide what may be given in them."""

import pandas as pd
import pytest

from study.settings import Gate
from windows.cutting import release_of_cuff, windows_of_event
from windows.quality_rules import verdict

CUTTING = {
    "baseline_settle_s": 60.0,
    "recovery_steady_from_s": 90.0,
    "shortest_steady_s": 60.0,
}


def session(*rows):
    columns = ["onset_s", "duration_s", "trial_type", "limb"]
    return pd.DataFrame(rows, columns=columns)


def windows(events, row):
    event = next(events.iloc[[row]].itertuples())
    return {w.name: w for w in windows_of_event(event, events, **CUTTING)}


def test_a_baseline_loses_its_first_minute():
    found = windows(session((10.0, 360.0, "baseline", None)), 0)["baseline"]
    assert (found.start_s, found.end_s, found.problem) == (70.0, 370.0, "")


def test_a_baseline_shorter_than_its_settling_time_is_refused_in_words():
    found = windows(session((10.0, 50.0, "baseline", None)), 0)["baseline"]
    assert found.duration_s == 0
    assert "shorter than 60 s" in found.problem


def test_recovery_after_a_set_begins_when_the_cuff_is_released():
    events = session((100.0, 50.0, "set", "leg"), (80.0, 75.0, "cuff", "leg"))
    found = windows(events, 0)["recovery_first_60_s"]
    assert (found.start_s, found.end_s) == (155.0, 215.0)


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
    assert windows(events, 0)["recovery_first_60_s"].duration_s == pytest.approx(40.0)


def test_a_cuff_that_stays_inflated_into_the_next_set_leaves_no_recovery():
    events = session(
        (100.0, 50.0, "set", "leg"), (80.0, 200.0, "cuff", "leg"), (180.0, 50.0, "set", "leg")
    )
    assert "stays inflated" in windows(events, 0)["recovery_first_60_s"].problem


def test_a_short_recovery_has_no_steady_block():
    found = windows(session((1000.0, 120.0, "recovery", None)), 0)
    assert found["recovery_first_60_s"].duration_s == 60
    assert "no steady block" in found["recovery_steady"].problem


def gate(**limits):
    rule = {
        "outcomes": ["rmssd_ms"],
        "windows": ["set"],
        "measured": "duration_s",
        "says": "too short",
        "source": "convention",
    }
    return Gate(**rule | limits)


def test_a_value_at_its_limit_passes_and_one_beyond_it_does_not():
    gates = {"time": gate(refused_below=30.0, flagged_below=60.0)}
    assert verdict("rmssd_ms", "set", gates, lambda _: 60.0) == ("ok", "")
    assert verdict("rmssd_ms", "set", gates, lambda _: 59.0) == ("flagged", "too short (here 59)")
    assert verdict("rmssd_ms", "set", gates, lambda _: 29.0) == ("refused", "too short (here 29)")


def test_a_rule_of_another_window_or_outcome_does_not_count():
    gates = {"time": gate(refused_below=30.0)}
    assert verdict("rmssd_ms", "baseline", gates, lambda _: 1.0)[0] == "ok"
    assert verdict("sdnn_ms", "set", gates, lambda _: 1.0)[0] == "ok"


def test_the_worst_rule_decides_and_only_its_reasons_are_given():
    gates = {
        "a": gate(flagged_below=60.0, says="short"),
        "b": gate(refused_below=40.0, says="far too short"),
        "c": gate(refused_below=35.0, says="hopeless"),
    }
    status, reason = verdict("rmssd_ms", "set", gates, lambda _: 30.0)
    assert status == "refused"
    assert reason == "far too short (here 30); hopeless (here 30)"


def test_what_cannot_be_measured_lets_a_rule_pass():
    assert verdict("rmssd_ms", "set", {"a": gate(refused_below=30.0)}, lambda _: None)[0] == "ok"
