"""Decisions of people are carried out or the run stops, with the row that cannot be."""

import hashlib

import pandas as pd
import pytest

from project import write_tiny_study
from results.decisions import decisions_of
from study.loading import Study
from study.problems import StudyError
from study.session_sheet import events_of

COLUMNS = ("edit_id", "participant_id", "session_id", "signal", "action", "time_s", "new_time_s")
COLUMNS += ("end_s", "event_onset_s", "event_id", "file_sha256", "editor", "edited_at", "reason")


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01", "sub-02"))


def decide(study, *decisions):
    """Write edits.tsv: decisions about the first visit, on the intervals as they are."""
    file = study / "raw" / "sub-01_ses-1_intervals.txt"
    known = {
        "participant_id": "sub-01",
        "session_id": "ses-1",
        "signal": "rr",
        "file_sha256": hashlib.sha256(file.read_bytes()).hexdigest(),
        "editor": "A. B.",
        "edited_at": "2031-01-01",
        "reason": "seen on the video",
    }
    edits = [{"edit_id": n, **known, **decision} for n, decision in enumerate(decisions, 1)]
    lines = ["\t".join(COLUMNS)]
    lines += ["\t".join(str(row.get(column, "n/a")) for column in COLUMNS) for row in edits]
    (study / "edits.tsv").write_text("\n".join(lines) + "\n")
    return study


@pytest.mark.parametrize(
    ("decision", "expected"),
    [
        (
            {"action": "move_offset", "event_onset_s": 160, "new_time_s": 150},
            "column new_time_s: found 150, allowed: after its onset, 160 s",
        ),
        (
            {"action": "move_onset", "event_onset_s": 160, "new_time_s": 200},
            "column new_time_s: found 200, allowed: before its end, 200 s",
        ),
        (
            {"action": "move_onset", "event_onset_s": 160, "new_time_s": 100},
            "the set would begin at 100 s, before the baseline of row 2 of events.tsv ends",
        ),
        (
            {"action": "exclude_event", "event_onset_s": 999},
            "no event of sub-01 ses-1 begins at 999 s; the nearest begins at",
        ),
        (
            {"action": "exclude_span", "time_s": 90, "end_s": 80},
            "column end_s: found '80', allowed: above time_s, 90",
        ),
        (
            {"action": "exclude_span", "signal": "cuff_pressure", "time_s": 80, "end_s": 90},
            "exclude_span changes ecg or rr or muscle_oxygen and nothing else",
        ),
        (
            {"action": "remove_beat", "time_s": 80, "file_sha256": "n/a"},
            "column file_sha256: found 'n/a', allowed: required for remove_beat",
        ),
        ({"action": "exclude_session", "session_id": "ses-9"}, "ses-9"),
    ],
)
def test_a_decision_that_cannot_be_carried_out_is_refused_before_the_run(study, decision, expected):
    with pytest.raises(StudyError) as raised:
        Study(decide(study, decision))
    assert expected in str(raised.value)
    assert "edits.tsv, row 2" in str(raised.value)


WHOLE = {"signal": "n/a", "file_sha256": "n/a"}


def test_an_event_a_visit_and_a_participant_are_left_out_without_a_signal(study):
    decide(
        study,
        WHOLE | {"action": "exclude_event", "event_id": "sub-01_ses-1_set-01"},
        WHOLE | {"action": "exclude_session", "session_id": "ses-2"},
        WHOLE | {"action": "exclude_participant", "participant_id": "sub-02", "session_id": "n/a"},
    )
    assert Study(study).participants == ["sub-01", "sub-02"]
    events = events_of(study)
    left_out = events[events["excluded"].notna()]
    assert set(left_out.loc[left_out["session_id"] == "ses-1", "event_id"]) == {
        "sub-01_ses-1_set-01",
        *events.loc[
            (events["participant_id"] == "sub-02") & (events["session_id"] == "ses-1"), "event_id"
        ],
    }
    assert events.loc[events["participant_id"] == "sub-02", "excluded"].notna().all()
    assert (
        events.loc[
            (events["participant_id"] == "sub-01") & (events["session_id"] == "ses-3"), "excluded"
        ]
        .isna()
        .all()
    )


def test_the_ledger_says_what_each_decision_changed(study):
    decide(
        study,
        {"action": "move_onset", "event_onset_s": 160, "new_time_s": 162.5},
        {"action": "move_offset", "event_id": "sub-01_ses-1_set-01", "new_time_s": 198},
        {"action": "remove_beat", "time_s": 30.0},
        {"action": "exclude_span", "time_s": 40.0, "end_s": 42.0},
        WHOLE | {"action": "exclude_session", "session_id": "ses-2"},
    )
    beats = pd.DataFrame(
        {
            "session_id": "ses-1",
            "time_s": [30.01, 40.5, 41.5],
            "kind": "removed",
            "reason": ["removed by hand", *["in a span excluded by hand"] * 2],
        }
    )
    ledger = decisions_of(study, "sub-01", beats, pd.DataFrame())
    assert ledger["carried_out_on"].tolist() == [
        "sub-01_ses-1_set-01",
        "sub-01_ses-1_set-01",
        "30 s",
        "40 to 42 s",
        "ses-2",
    ]
    n_events = len(
        events_of(study)[lambda e: e.participant_id == "sub-01"].query("session_id == 'ses-2'")
    )
    assert ledger["changed"].tolist() == [
        "onset from 160 to 162.5 s",
        "end from 200 to 198 s",
        "1 beat left out",
        "2 beats left out",
        f"{n_events} events of 1 visit left out",
    ]
