"""A value is given, flagged, refused or missing, each with its reason."""

from types import SimpleNamespace

import pandas as pd
import pytest

from heart.variability import NotEnough
from measuring.inputs import WindowInputs
from measuring.measured_outcome import measure_outcome
from measuring.sensors import Sensors
from results.estimate import Estimate
from study.settings import QualityRule
from windows._window import Window

RULE = {
    "families": ["work"],
    "windows": ["set"],
    "measured": "duration_s",
    "says": "too short",
    "source": "convention",
}


def rules(**limits):
    return {"time": QualityRule(**RULE | limits)}


def value_of(
    measure, *, judged=None, by_default=None, problem="", event=None, segment=None, **recorded
):
    outcome = SimpleNamespace(measure=measure, FAMILY="work")
    event = SimpleNamespace(**{"excluded": None, "supplied": ""} | (event or {}))
    window = Window("set", "set", 100.0, 140.0, problem)
    inputs = WindowInputs(event=event, segment=segment, window=window, **recorded)
    judged = judged or rules()
    return measure_outcome("effort", outcome, window, inputs, judged, by_default or judged)


def test_a_value_within_all_rules_is_given_without_a_reason():
    assert value_of(lambda: 7) == {"value": 7.0, "status": "ok", "reason": ""}


def test_a_refused_value_is_absent_and_says_why():
    refused = value_of(lambda: 7, judged=rules(refused_below=60.0))
    assert refused == {"value": None, "status": "refused", "reason": "too short (here 40 s)"}
    shown = value_of(lambda: 7, problem="the cuff stays inflated into the next set")
    assert shown["value"] is None
    assert shown["reason"] == "the cuff stays inflated into the next set"


def test_a_flagged_value_is_kept_with_its_reason():
    flagged = value_of(lambda: 7, judged=rules(flagged_below=60.0))
    assert flagged == {"value": 7.0, "status": "flagged", "reason": "too short (here 40 s)"}


def test_an_excluded_event_gives_no_value_whatever_the_rules_say():
    excluded = value_of(lambda: 7, event={"excluded": "edit 3 by A. B.: stopped"})
    assert (excluded["value"], excluded["status"]) == (None, "refused")
    assert excluded["reason"] == "edit 3 by A. B.: stopped"


def test_what_was_not_recorded_is_missing_and_what_is_too_little_is_refused():
    from measuring.inputs import Absent

    def absent():
        raise Absent("no saturation was recorded in this session")

    def too_little():
        raise NotEnough("fewer than three intervals")

    assert value_of(absent)["status"] == "missing"
    assert value_of(too_little)["status"] == "refused"
    assert value_of(too_little)["reason"] == "fewer than three intervals"


@pytest.mark.parametrize("ends_s", [[], [110.0, 110.8]])
def test_an_outcome_of_the_heart_is_missing_without_a_recording_whatever_the_rules_say(ends_s):
    beats = pd.DataFrame({"nn_time_s": ends_s, "nn_ms": 800.0, "kind": "normal"})
    beats["begins_normal"] = True
    value = value_of(
        lambda nn_ms: nn_ms.max(),
        judged=rules(refused_below=60.0),
        beats=beats.astype({"nn_ms": float}),
    )
    missing, refused = (
        ("missing", "no heart recording in this session"),
        ("refused", "too short (here 40 s)"),
    )
    assert (value["status"], value["reason"]) == (refused if ends_s else missing)


def test_a_value_that_only_a_changed_rule_lets_pass_is_flagged_and_says_so():
    value = value_of(lambda: 7, judged=rules(), by_default=rules(refused_below=60.0))
    assert (value["value"], value["status"]) == (7.0, "flagged")
    assert value["reason"] == "given only under a rule this study changed: too short (here 40 s)"
    stricter = value_of(lambda: 7, judged=rules(refused_below=60.0), by_default=rules())
    assert stricter["status"] == "refused"


def test_a_time_from_the_recording_is_a_caution_on_all_that_stands_on_it():
    value = value_of(lambda: 7, event={"supplied": "end of the set supplied by the recording"})
    assert (value["status"], value["reason"]) == (
        "flagged",
        "end of the set supplied by the recording",
    )


@pytest.mark.parametrize("status", ["ok", "flagged", "refused"])
def test_an_estimate_brings_its_own_verdict(status):
    estimate = Estimate(7.0, 0.5, status, "few readings" if status != "ok" else "")
    value = value_of(lambda: estimate)
    assert value["status"] == status
    assert value["value"] == (None if status == "refused" else 7.0)


def test_the_sensor_of_a_set_is_that_of_its_own_row_and_not_of_its_neighbour():
    segments = pd.DataFrame(
        {
            "session_id": ["ses-1", "ses-1", "ses-2"],
            "event_id": ["set-01", "set-02", "set-01"],
            "event_onset_s": [100.0, 100.0004, 100.0],
            "file": ["one.csv", "two.csv", "three.csv"],
        }
    )

    def file_of(session_id, event_id):
        event = SimpleNamespace(trial_type="set", session_id=session_id, event_id=event_id)
        sensor = Sensors(segments).of_event(event, None)
        return sensor and sensor["file"]

    assert file_of("ses-1", "set-02") == "two.csv"
    assert file_of("ses-2", "set-01") == "three.csv"
    assert file_of("ses-2", "set-02") is None
