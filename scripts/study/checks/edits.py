"""Decisions of people: each about an event that exists and the file that was looked at."""

from contextlib import suppress

from study.checks.timeline import LASTING, SHORTEST_S, overlaps
from study.event_ids import EVENT_ACTIONS, MOVES, SAME_ONSET_S
from study.outside import LARGEST_RECORDING_BYTES, Refused, open_outside


def check_events_can_be_moved(study, problems):
    """A decision about an event meets one and leaves it longer than nothing.

    Decisions are carried out in the order of their rows, each on the times that those before left;
    what lies on top of another event afterwards is told of the decision that moved it.
    """
    tables = study.tables
    visits = {}
    for event in tables["events"]:
        visit = visits.setdefault((event.participant_id, event.session_id), [])
        visit.append(_Moved(event))
    moved = set()
    for row in tables["edits"]:
        if row.action not in EVENT_ACTIONS:
            continue
        of_visit = visits.get((row.participant_id, row.session_id), [])
        event = _event_meant(row, of_visit, problems)
        if event is not None and row.action in MOVES and _move(event, row, problems):
            moved.add((row.participant_id, row.session_id))
    for visit in sorted(moved):
        _check_moved(visits[visit], problems)


class _Moved:
    """An event with its times as the decisions leave them."""

    def __init__(self, event):
        self.event = event
        self.trial_type, self.row_number = event.trial_type, event.row_number
        self.onset_s, self.duration_s = event.onset_s, event.duration_s
        self.moved_by = None


def _event_meant(row, of_visit, problems):
    """The event of a visit that a row is about, or None, which is then a problem."""
    if row.event_id is not None:
        named = [each for each in of_visit if each.event.event_id == row.event_id]
        if not named:
            problems.add_unknown("edits", row, "event_id", [e.event.event_id for e in of_visit])
        return named[0] if named else None
    apart_s = [
        (abs(each.onset_s - row.event_onset_s), number)
        for number, each in enumerate(of_visit)
        if each.onset_s is not None
    ]
    nearest = min(apart_s, default=None)
    if nearest and nearest[0] < SAME_ONSET_S:
        return of_visit[nearest[1]]
    near = f"; the nearest begins at {of_visit[nearest[1]].onset_s:g} s" if nearest else ""
    problems.add(
        "edits.tsv",
        f"row {row.row_number}, column event_onset_s",
        f"no event of {row.participant_id} {row.session_id} begins at {row.event_onset_s:g} s"
        f"{near}; write the onset as in events.tsv, or name the event in event_id",
    )
    return None


def _move(event, row, problems):
    """Carry out a move; whether it can be, else it is a problem."""
    if event.onset_s is None or event.duration_s is None:
        problems.add(
            "edits.tsv",
            f"row {row.row_number}, column action",
            f"{row.action} of {event.event.event_id}, whose time is not noted; write it in "
            "events.tsv instead",
        )
        return False
    end_s = event.onset_s + event.duration_s
    onset_s = row.new_time_s if row.action == "move_onset" else event.onset_s
    end_s = row.new_time_s if row.action == "move_offset" else end_s
    if end_s - onset_s < SHORTEST_S:
        limit = f"before its end, {end_s:g} s" if row.action == "move_onset" else ""
        problems.add(
            "edits.tsv",
            f"row {row.row_number}, column new_time_s",
            f"found {row.new_time_s:g}, allowed: {limit or f'after its onset, {onset_s:g} s'}; "
            f"{event.event.event_id} would last {end_s - onset_s:g} s",
        )
        return False
    event.onset_s, event.duration_s, event.moved_by = onset_s, end_s - onset_s, row
    return True


def _check_moved(of_visit, problems):
    """Moved events exclude others as noted ones do."""
    timed = [
        e for e in of_visit if None not in (e.onset_s, e.duration_s) and e.trial_type in LASTING
    ]
    timed.sort(key=lambda event: (event.onset_s, event.row_number))
    for first, later, end_s in overlaps(timed):
        decision = later.moved_by or first.moved_by
        if decision is not None:
            problems.add(
                "edits.tsv",
                f"row {decision.row_number}, column new_time_s",
                f"found {decision.new_time_s:g}: the {later.trial_type} would begin at "
                f"{later.onset_s:g} s, before the {first.trial_type} of row {first.row_number} of "
                f"events.tsv ends at {end_s:g} s; move it less",
            )


def check_visits_exist(study, problems):
    """A visit or a participant that is left out has events or recordings to leave out."""
    known = {(r.participant_id, r.session_id) for r in study.tables["recordings"]}
    known |= {(r.participant_id, r.session_id) for r in study.tables["events"]}
    for row in study.tables["edits"]:
        named = row.action == "exclude_session" and (row.participant_id, row.session_id)
        of_person = row.action == "exclude_participant" and row.participant_id
        if (named and named not in known) or (of_person and of_person not in {p for p, _ in known}):
            problems.add(
                "edits.tsv",
                f"row {row.row_number}, column action",
                f"{row.action} of {row.participant_id} {row.session_id or ''}".rstrip()
                + ", of whom nothing was recorded or noted; correct the labels or take the row out",
            )


def check_files_are_unchanged(study, problems):
    """A decision about a signal was made on the file that the signal has now."""
    if "recordings" in problems.unread_tables:
        return
    digests = {}
    for row in study.tables["edits"]:
        if row.file_sha256 is None:
            continue
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
            cell = f"row {row.row_number}, column file_sha256"
            files_named = ", ".join(path.name for path in files) or "no such recording"
            problems.add(
                "edits.tsv",
                cell,
                f"edit {row.edit_id} was made on another file than {files_named}; look again and "
                "add a new row",
            )
