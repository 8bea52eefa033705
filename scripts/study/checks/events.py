"""Events of the session sheet: names, times, conditions and exercises."""

import difflib
from collections import Counter


def check_event_ids(study, problems):
    """An event_id names one event of its session; those that were left empty are made."""
    seen = {}
    for row in study.tables["events"]:
        key = (row.participant_id, row.session_id, row.event_id)
        earlier = seen.setdefault(key, row.row_number)
        if earlier != row.row_number:
            problems.add(
                "events.tsv",
                f"row {row.row_number}, column event_id",
                f"{row.event_id!r} names already the event of row {earlier}; give every event of a "
                "session a label of its own, or leave the column empty",
            )


def check_sheet(study, problems):
    """Times that are needed stand, and names are the study's."""
    known = {
        "condition": study.settings.study.conditions,
        "exercise": study.settings.study.exercises,
    }
    unstated = "; study.yaml names no conditions, write yours there"
    remarks = {"condition": "" if "conditions" in study.stated["study"] else unstated}
    misspelt = {
        column: dict(_misspelt_in_settings(study, problems, column, names))
        for column, names in known.items()
    }
    supplied = study.settings.segment_oxygenation.supply_boundaries
    for row in study.tables["events"]:
        for column in ("onset_s", "duration_s"):
            if getattr(row, column) is None and not supplied:
                problems.add(
                    "events.tsv",
                    f"row {row.row_number}, column {column}",
                    "is empty; write it, or let the recording supply it with "
                    "segment_oxygenation.supply_boundaries: true in study.yaml",
                )
        for column, names in known.items():
            name = getattr(row, column)
            if name is not None and names and name not in names and name not in misspelt[column]:
                problems.add_unknown("events", row, column, names, remarks.get(column, ""))


def check_every_condition_is_done(study, problems):
    """No sets, or a condition that nobody did, is told; the study may not be over."""
    done = {row.condition for row in study.tables["events"] if row.trial_type == "set"}
    if not done:
        problems.remarks.append("events.tsv has no set: no outcome of a set will be measured.")
        return
    if "conditions" not in study.stated["study"]:
        return
    absent = [name for name in study.settings.study.conditions if name not in done]
    if absent:
        verb = "has" if len(absent) == 1 else "have"
        problems.remarks.append(
            f"study.conditions: {' and '.join(map(repr, absent))} {verb} no set in events.tsv."
        )


def _misspelt_in_settings(study, problems, column, names):
    """Names of the sheet that study.yaml misspells, each with its spelling there.

    A slip of the pen does not recur in several sessions: a name that does is right, and one near
    to it in study.yaml that stands in no session is the misspelt one.
    """
    if f"{column}s" not in study.stated["study"]:
        return
    sessions = {}
    for row in study.tables["events"]:
        if getattr(row, column) is not None:
            of_name = sessions.setdefault(getattr(row, column), Counter())
            of_name[row.participant_id, row.session_id] += 1
    unused = [name for name in names if name not in sessions]
    for written, events in sessions.items():
        near = difflib.get_close_matches(written, unused, 1)
        if written not in names and len(events) > 1 and near:
            problems.add_setting(
                ("study", f"{column}s", str(names.index(near[0]))),
                f"found {near[0]!r}, which no row of events.tsv has; {events.total()} rows in "
                f"{len(events)} sessions have {written!r}: write the same name in both",
            )
            yield written, near[0]


def check_failures(study, problems):
    """What is noted in to_failure and stop_reason of a set says the same."""
    failures = study.settings.protocol.failure_stop_reasons
    for row in study.tables["events"]:
        if row.to_failure is None or row.stop_reason is None:
            continue
        if row.to_failure != (row.stop_reason in failures):
            problems.add(
                "events.tsv",
                f"row {row.row_number}, column stop_reason",
                f"found {row.stop_reason!r} beside to_failure "
                f"{'yes' if row.to_failure else 'no'}; failure is {' or '.join(failures)}: correct "
                "one of the two, or state protocol: failure_stop_reasons in study.yaml",
            )
