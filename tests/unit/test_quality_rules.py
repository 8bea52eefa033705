"""Quality rules decide what may be given in a window."""

from measuring.quality_rules import verdict
from study.settings import Gate


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
