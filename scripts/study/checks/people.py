"""Rows of people and visits: each once, and of somebody whom the study knows."""


def check_rows_stand_once(study, problems):
    """No two rows of a table are about the same thing."""
    tables = study.tables
    dated = [
        row
        for row in tables["events"]
        if row.trial_type in ("baseline", "rest", "recovery")
        or (row.trial_type == "set" and row.onset_s is not None)
    ]
    of_recording = ("participant_id", "session_id", "signal", "file", "channel")
    of_event = ("participant_id", "session_id", "trial_type", "onset_s")
    _check_unique(tables["participants"], ("participant_id",), "participants.tsv", problems)
    _check_unique(tables["sessions"], ("participant_id", "session_id"), "sessions.tsv", problems)
    _check_unique(tables["sessions"], ("participant_id", "visit"), "sessions.tsv", problems)
    _check_unique(tables["edits"], ("edit_id",), "edits.tsv", problems)
    _check_unique(tables["recordings"], of_recording, "recordings.tsv", problems)
    _check_unique(dated, of_event, "events.tsv", problems)
    # cuffs on two limbs may be inflated at once
    cuffs = [row for row in tables["events"] if row.trial_type == "cuff"]
    _check_unique(cuffs, (*of_event, "limb", "side"), "events.tsv", problems)
    _check_labels_differ_by_more_than_case(tables["sessions"], problems)
    _check_labels_differ_by_more_than_case(tables["participants"], problems)


def _check_unique(of_table, columns, file, problems):
    seen = {}
    for row in of_table:
        key = tuple(getattr(row, column) for column in columns)
        if key in seen:
            shown = ", ".join(str(part) for part in key if part is not None)
            problems.add(
                file,
                f"row {row.row_number}",
                f"{shown} stands already in row {seen[key]}; correct or take out one of the two",
            )
        seen.setdefault(key, row.row_number)


def _check_labels_differ_by_more_than_case(people, problems):
    """Two labels that differ in capitals only would be one file on many disks."""
    known = {}
    for row in people:
        for column in ("participant_id", "session_id"):
            label = getattr(row, column, None)
            if label is None:
                continue
            of_person = row.participant_id.lower() if column == "session_id" else ""
            first = known.setdefault((of_person, label.lower()), row)
            if getattr(first, column) != label:
                problems.add(
                    f"{'sessions' if hasattr(row, 'session_id') else 'participants'}.tsv",
                    f"row {row.row_number}, column {column}",
                    f"found {label!r}, but row {first.row_number} has {getattr(first, column)!r}; "
                    "labels that differ in capitals only are one file on many disks: write one of "
                    "the two everywhere",
                )


def check_labels_are_declared(study, problems):
    """Every row belongs to somebody in participants.tsv and to a visit in sessions.tsv."""
    tables = study.tables
    people = {row.participant_id for row in tables["participants"]}
    people |= {row.get("participant_id") for row in problems.refused_rows.get("participants", [])}
    visits = {(row.participant_id, row.session_id) for row in tables["sessions"]}
    visits |= {
        (row.get("participant_id"), row.get("session_id"))
        for row in problems.refused_rows.get("sessions", [])
    }
    for name in (
        *("sessions", "occlusion", "titration", "recordings", "events", "edits", "harms"),
    ):
        for row in tables[name]:
            visit = (row.participant_id, getattr(row, "session_id", None))
            if row.participant_id not in people:
                if "participants" not in problems.unread_tables:
                    remark = ", or a person whom you add to participants.tsv"
                    problems.add_unknown(name, row, "participant_id", people, remark)
            elif visit[1] and visit not in visits and "sessions" not in problems.unread_tables:
                declared = {s for p, s in visits if p == row.participant_id}
                remark = ", or a visit that you add to sessions.tsv"
                problems.add_unknown(name, row, "session_id", declared, remark)
