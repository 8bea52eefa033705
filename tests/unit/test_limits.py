"""What the report says cannot be concluded, and of which study."""

import numpy as np
import pandas as pd
import pytest

from comparison.window_lengths import lengths_of, unequal_lengths, with_lengths
from measuring.properties import drift_share_pct
from report.sections.limits import (
    of_unequal_windows,
    of_what_was_measured,
    of_whole_windows,
    shared_reasons,
)

UNSTEADY = "heart rate is not steady here"


def values(statuses, *, outcome="rmssd_ms", window="set", reason=UNSTEADY):
    return pd.DataFrame(
        {
            "outcome": outcome,
            "window": window,
            "status": statuses,
            "reason": [None if status == "ok" else reason for status in statuses],
        }
    )


def test_a_caution_on_every_value_of_a_window_is_one_sentence_about_the_window():
    outcomes = pd.concat(
        [
            values(["flagged"] * 3),
            values(["flagged"] * 2 + ["refused"], outcome="sdnn_ms"),
            values(["flagged"] * 3, outcome="sdnn_ms", window="rest"),
            values(["flagged"] * 3, window="rest"),
        ]
    )
    assert list(of_whole_windows(outcomes)) == [
        "In sets and in rests, RMSSD and SDNN are to be read with care in every value: "
        "heart rate is not steady here."
    ]


def test_a_caution_on_some_values_is_no_sentence_about_the_window():
    assert list(of_whole_windows(values(["flagged", "ok", "flagged"]))) == []


def test_what_is_withheld_throughout_is_told_once_whatever_was_measured_in_single_windows():
    outcomes = values(["refused"] * 2, outcome="lf_power_ms2")
    outcomes["reason"] = ["too short (here 30)", "too short (here 60); breathing is unknown"]
    assert list(of_whole_windows(outcomes)) == [
        "In sets, LF power is withheld in every value: too short."
    ]


def test_reasons_are_shared_only_where_every_value_has_them():
    assert shared_reasons(pd.Series(["a; b (here 1)", "b (here 2); c"])) == ["b"]
    assert shared_reasons(pd.Series(["a", None])) == []


@pytest.mark.parametrize(
    ("outcome", "value", "says"),
    [
        ("lf_hf_ratio", 2.0, "LF/HF is reported for comparison only"),
        ("rmssd_ms", 30.0, "A fall in RMSSD"),
        ("smo2_nadir_pct", 30.0, "Saturation is the balance"),
        ("to_failure", 1.0, "Sets to failure differ in repetitions"),
    ],
)
def test_limits_of_a_kind_of_value_are_told_where_the_study_has_it(outcome, value, says):
    row = {"outcome": outcome, "condition": "none"}
    told = list(of_what_was_measured(pd.DataFrame([row | {"value": value}])))
    assert any(text.startswith(says) for text in told)
    other = 0.0 if outcome == "to_failure" else np.nan
    assert list(of_what_was_measured(pd.DataFrame([row | {"value": other}]))) == []


# ---------------------------------------------------------------- drift and length


def test_the_share_of_a_drift_in_the_variance_is_that_of_the_line():
    time_s = np.arange(90.0)
    wave = 20 * np.sin(2 * np.pi * 0.1 * time_s)
    line = np.linspace(-1, 1, 90)
    assert drift_share_pct(time_s, 800 + wave) < 2
    assert drift_share_pct(time_s, 800 + line) == pytest.approx(100)
    # variances of wave and line: 200, and that of an even spread over 2 a, a^2 / 3
    half = np.sqrt(3 * 200)
    assert drift_share_pct(time_s, 800 + wave + half * line) == pytest.approx(50, abs=5)


def windows(seconds):
    """Values of two people in two conditions, and quality with windows of these lengths."""
    rows = [
        {"participant_id": p, "session_id": c, "event_id": "e", "window": "recovery_steady"}
        | {"condition": c, "segment": "recovery_steady", "signal": "beats"}
        | {"start_s": 100.0, "end_s": 100.0 + seconds[c]}
        for p in ("sub-01", "sub-02")
        for c in ("none", "target")
    ]
    table = pd.DataFrame(rows)
    return table.drop(columns=["segment", "start_s", "end_s", "signal"]), table.drop(
        columns="window"
    )


def test_an_outcome_that_grows_with_its_window_says_where_windows_differ_in_length():
    outcomes, quality = windows({"none": 270.0, "target": 90.0})
    said = unequal_lengths(outcomes, lengths_of(quality), ["none", "target"])
    assert said == (
        "windows differ in length between conditions (mean 270 s with none and 90 s with target), "
        "and the outcome grows with the length"
    )
    contrasts = pd.DataFrame(
        {"outcome": "sdnn_ms", "window": "recovery_steady", "exercise": "all", "note": ["a note"]}
    )
    told = with_lengths(contrasts, said)
    assert told["note"].tolist() == [f"a note; {said}"]
    assert list(of_unequal_windows(told)) == [f"SDNN in steady recovery: {said}."]


def test_windows_of_one_length_are_not_mentioned():
    outcomes, quality = windows({"none": 330.0, "target": 320.0})
    assert unequal_lengths(outcomes, lengths_of(quality), ["none", "target"]) == ""
    contrasts = pd.DataFrame(
        {"outcome": "sdnn_ms", "window": "recovery_steady", "exercise": "all", "note": ["a note"]}
    )
    assert with_lengths(contrasts, "")["note"].tolist() == ["a note"]
    assert list(of_unequal_windows(contrasts)) == []
