"""Decisions of people: each about an event that exists and the file that was looked at."""

from contextlib import suppress

from study.event_ids import EVENT_ACTIONS, SAME_ONSET_S
from study.outside import LARGEST_RECORDING_BYTES, Refused, open_outside


def check_events_exist(study, problems):
    """A decision about an event meets one: by its event_id, else by its onset, moved or not."""
    tables = study.tables
    if "events" in {*problems.unread_tables, *problems.refused_rows}:
        return
    for row in tables["edits"]:
        if row.action not in EVENT_ACTIONS:
            continue
        visit = (row.participant_id, row.session_id)
        here = [e for e in tables["events"] if (e.participant_id, e.session_id) == visit]
        if row.event_id is not None:
            ids = [event.event_id for event in here]
            if row.event_id not in ids:
                problems.add_unknown("edits", row, "event_id", ids)
            continue
        onsets_s = [event.onset_s for event in here if event.onset_s is not None]
        onsets_s += [
            edit.new_time_s
            for edit in tables["edits"]
            if (edit.participant_id, edit.session_id) == visit and edit.action == "move_onset"
        ]
        apart_s = {abs(onset_s - row.event_onset_s): onset_s for onset_s in onsets_s}
        if not apart_s or min(apart_s) >= SAME_ONSET_S:
            nearest_s = f"; the nearest begins at {apart_s[min(apart_s)]:g} s" if apart_s else ""
            problems.add(
                "edits.tsv",
                f"row {row.row_number}, column event_onset_s",
                f"no event of {visit[0]} {visit[1]} begins at {row.event_onset_s:g} s"
                f"{nearest_s}; write the onset as in events.tsv, or name the event in event_id",
            )


def check_files_are_unchanged(study, problems):
    """A decision about a signal was made on the file that the signal has now."""
    if "recordings" in problems.unread_tables:
        return
    digests = {}
    for row in study.tables["edits"]:
        files = [
            study.folder / r.file
            for r in study.tables["recordings"]
            if (r.participant_id, r.session_id, r.signal)
            == (row.participant_id, row.session_id, row.signal)
        ]
        for path in files:
            if path not in digests:
                # what is refused is told of its row in recordings.tsv
                with suppress(Refused, OSError):
                    opened = open_outside(path, study.folder, LARGEST_RECORDING_BYTES)
                    digests[path] = opened.sha256
        known = [digests.get(path) for path in files]
        if row.file_sha256.lower() not in known:
            place = f"row {row.row_number}, column file_sha256"
            files_named = ", ".join(path.name for path in files) or "no such recording"
            problems.add(
                "edits.tsv",
                place,
                f"edit {row.edit_id} was made on another file than {files_named}; look again and "
                "add a new row",
            )
