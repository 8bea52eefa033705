"""Every event has a name of its own; decisions of people meet the event that they were made on."""

import pytest

from project import change, message_of, write_tiny_study, write_tsv
from study.loading import Study
from study.session_sheet import events_of, with_supplied_times

VISIT = {"participant_id": "sub-01", "session_id": "ses-1"}


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))


def write_edit(study, **edit):
    """A decision about an event of the first visit, made on its intervals."""
    import hashlib

    raw = (study / "raw" / "sub-01_ses-1_intervals.txt").read_bytes()
    labels = {"edit_id": "7", "signal": "rr", "editor": "A. B.", "edited_at": "2031-01-01"}
    labels |= {"reason": "seen on film", "file_sha256": hashlib.sha256(raw).hexdigest()}
    write_tsv(study / "edits.tsv", [VISIT | labels | edit])


def first_visit(study):
    events = events_of(study)
    return events[events["session_id"] == "ses-1"].set_index("event_id")


def test_an_event_without_a_name_is_called_by_its_kind_and_its_order_in_the_session(study):
    events = first_visit(study)
    assert events["onset_s"].to_dict() == {
        "sub-01_ses-1_baseline-01": 0.0,
        "sub-01_ses-1_cuff-01": 150.0,
        "sub-01_ses-1_set-01": 160.0,
        "sub-01_ses-1_cuff-02": 290.0,
        "sub-01_ses-1_set-02": 300.0,
        "sub-01_ses-1_recovery-01": events["onset_s"]["sub-01_ses-1_recovery-01"],
    }


def test_a_sheet_in_another_order_gives_the_events_the_same_names(study):
    path = study / "events.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    before = events_of(study).set_index("event_id")["onset_s"].sort_index()
    path.write_text("\n".join([header, *reversed(lines)]) + "\n", encoding="utf-8")
    after = events_of(study).set_index("event_id")["onset_s"].sort_index()
    assert after.to_dict() == before.to_dict()


def test_a_set_that_a_decision_moves_or_leaves_out_keeps_its_name_and_so_do_its_neighbours(study):
    names = set(first_visit(study).index)
    write_edit(study, action="move_onset", event_onset_s=160.0, new_time_s=310.0)
    moved = first_visit(study)
    assert moved["onset_s"]["sub-01_ses-1_set-01"] == 310.0
    assert moved["onset_s"]["sub-01_ses-1_set-02"] == 300.0
    write_edit(study, action="exclude_event", event_onset_s=160.0)
    assert set(first_visit(study).index) == set(moved.index) == names


def test_a_set_without_a_time_is_numbered_after_the_row_above_it(study):
    change(study, "events.tsv", "\t160.0\t40.0\tset", "\tn/a\tn/a\tset")
    events = first_visit(study)
    assert events["exercise"]["sub-01_ses-1_set-01"] == "curtsy"
    assert events["exercise"]["sub-01_ses-1_set-02"] == "pull"


def test_a_time_from_the_recording_goes_to_the_set_that_it_was_found_for(study):
    import pandas as pd

    change(study, "events.tsv", "\t300.0\t40.0\tset", "\tn/a\tn/a\tset")
    supplied = {"supplied": "start and end", "supplied_se_s": 0.4, "untimed": None}
    of_set = {"session_id": "ses-1", "event_id": "sub-01_ses-1_set-02"}
    segments = pd.DataFrame([of_set | {"event_onset_s": 302.0, "duration_s": 39.0} | supplied])
    timed = with_supplied_times(events_of(study), segments).set_index(["session_id", "event_id"])
    assert timed.loc[("ses-1", "sub-01_ses-1_set-02"), "onset_s"] == 302.0
    assert (timed["supplied"] != "").sum() == 1


@pytest.mark.parametrize(
    "named", [{"event_id": "sub-01_ses-1_set-02"}, {"event_onset_s": 300.3}], ids=["id", "onset"]
)
def test_a_decision_names_its_event_by_its_label_or_by_its_onset(study, named):
    write_edit(study, action="exclude_event", **named)
    Study(study)
    excluded = first_visit(study)["excluded"].dropna()
    assert list(excluded.index) == ["sub-01_ses-1_set-02"]
    assert excluded.iloc[0] == "edit 7 by a person: reason in the study"


def test_names_of_the_sheet_are_kept_and_two_events_of_a_session_do_not_share_one(study):
    path = study / "events.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    named = [f"{row}\t{n}" for n, row in enumerate(lines)]
    path.write_text("\n".join([f"{header}\tevent_id", *named]) + "\n", encoding="utf-8")
    assert "3" in set(first_visit(study).index)
    path.write_text(path.read_text(encoding="utf-8").replace("\t3\n", "\t2\n"), encoding="utf-8")
    assert (
        "events.tsv, row 5, column event_id: '2' names already the event of row 4; give every event"
    ) in message_of(study)


def test_a_decision_about_an_event_that_is_not_there_stops_the_run(study):
    write_edit(study, action="exclude_event", event_onset_s=222.0)
    assert (
        "edits.tsv, row 2, column event_onset_s: no event of sub-01 ses-1 begins at 222 s; the "
        "nearest begins at 160 s; write the onset as in events.tsv, or name the event in event_id"
    ) in message_of(study)
    write_edit(study, action="exclude_event", event_id="sub-01_ses-1_set-3")
    text = message_of(study)
    assert "edits.tsv, row 2, column event_id: found 'sub-01_ses-1_set-3', allowed: " in text
    assert "did you mean 'sub-01_ses-1_set-0" in text
    write_edit(study, action="exclude_event")
    assert "column event_onset_s: found 'n/a', allowed: required for exclude_event" in message_of(
        study
    )
