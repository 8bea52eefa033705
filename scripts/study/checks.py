"""What no single row of a study can show: references, files, overlaps, tables against settings.

Problems go to `found`, a `study.Problems`. A table that could not be read at all is one problem;
nothing is compared with it, because everything that refers to it would be named as well.
"""

import difflib
import filecmp
import hashlib
import re
from collections import Counter

from engine.listings import families, windows
from study.event_ids import EVENT_ACTIONS, SAME_ONSET_S

NO_SENSOR = "n/a"


def check_tables_together(study, found):
    """Keys, references, files, overlaps, edits of other files, and names used in the settings."""
    tables = study.tables
    _check_unique(tables["participants"], ("participant_id",), "participants.tsv", found)
    _check_unique(tables["sessions"], ("participant_id", "session_id"), "sessions.tsv", found)
    _check_unique(tables["sessions"], ("participant_id", "visit"), "sessions.tsv", found)
    _check_unique(tables["edits"], ("edit_id",), "edits.tsv", found)
    _check_unique(
        tables["recordings"],
        ("participant_id", "session_id", "signal", "file", "channel"),
        "recordings.tsv",
        found,
    )
    _check_unique(
        [
            row
            for row in tables["events"]
            if row.trial_type in ("baseline", "rest", "recovery")
            or (row.trial_type == "set" and row.onset_s is not None)
        ],
        ("participant_id", "session_id", "trial_type", "onset_s"),
        "events.tsv",
        found,
    )
    _check_event_ids(tables["events"], found)
    _check_events_of_edits(tables, found)
    _check_people_and_visits(tables, found)
    _check_recordings(study, found)
    _check_claimed_once(study, found)
    _check_events(study, found)
    _check_edits(study, found)
    _check_outcomes_named(study, found)
    _check_smallest_effects(study, found)
    _check_working_muscles(study, found)
    _check_no_cuff_condition(study, found)
    _check_failures(study, found)


def _check_failures(study, found):
    """What is noted in to_failure and stop_reason of a set says the same."""
    failures = study.settings.protocol.failure_stop_reasons
    for row in study.tables["events"]:
        if row.to_failure is None or row.stop_reason is None:
            continue
        if row.to_failure != (row.stop_reason in failures):
            found.add(
                "events.tsv",
                f"row {row.row_number}, column stop_reason",
                f"found {row.stop_reason!r} beside to_failure "
                f"{'yes' if row.to_failure else 'no'}; failure is {' or '.join(failures)}: correct "
                "one of the two, or state protocol: failure_stop_reasons in study.yaml",
            )


def nearest(value, names):
    """The end of a message that asks whether another name was meant; empty where none is near."""
    near = difflib.get_close_matches(str(value), list(names), 1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _check_unique(rows, columns, file, found):
    seen = {}
    for row in rows:
        key = tuple(getattr(row, column) for column in columns)
        if key in seen:
            shown = ", ".join(str(part) for part in key if part is not None)
            found.add(
                file,
                f"row {row.row_number}",
                f"{shown} stands already in row {seen[key]}; correct or take out one of the two",
            )
        seen.setdefault(key, row.row_number)


def _check_event_ids(events, found):
    """An event_id names one event of its session; those that were left empty are made."""
    seen = {}
    for row in events:
        key = (row.participant_id, row.session_id, row.event_id)
        earlier = seen.setdefault(key, row.row_number)
        if earlier != row.row_number:
            found.add(
                "events.tsv",
                f"row {row.row_number}, column event_id",
                f"{row.event_id!r} names already the event of row {earlier}; give every event of a "
                "session a label of its own, or leave the column empty",
            )


def _check_events_of_edits(tables, found):
    """A decision about an event meets one: by its event_id, else by its onset, moved or not."""
    if "events" in {*found.unread_tables, *found.refused_rows}:
        return
    for row in tables["edits"]:
        if row.action not in EVENT_ACTIONS:
            continue
        visit = (row.participant_id, row.session_id)
        here = [e for e in tables["events"] if (e.participant_id, e.session_id) == visit]
        if row.event_id is not None:
            ids = [event.event_id for event in here]
            if row.event_id not in ids:
                place = f"row {row.row_number}"
                _unknown(found, "edits", place, "event_id", row.event_id, ids)
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
            found.add(
                "edits.tsv",
                f"row {row.row_number}, column event_onset_s",
                f"no event of {visit[0]} {visit[1]} begins at {row.event_onset_s:g} s"
                f"{nearest_s}; write the onset as in events.tsv, or name the event in event_id",
            )


def _unknown(found, table, place, column, value, known, remark=""):
    names = known if isinstance(known, list) else sorted(filter(None, known))
    allowed = ", ".join(names) or "none declared"
    found.add(
        f"{table}.tsv",
        f"{place}, column {column}",
        f"found {value!r}, allowed: {allowed}{nearest(value, names)}{remark}",
    )


def _check_people_and_visits(tables, found):
    """Every row belongs to somebody in participants.tsv and to a visit in sessions.tsv."""
    people = {row.participant_id for row in tables["participants"]}
    people |= {row.get("participant_id") for row in found.refused_rows.get("participants", [])}
    visits = {(row.participant_id, row.session_id) for row in tables["sessions"]}
    visits |= {
        (row.get("participant_id"), row.get("session_id"))
        for row in found.refused_rows.get("sessions", [])
    }
    for name in ("sessions", "occlusion", "recordings", "events", "edits"):
        for row in tables[name]:
            place = f"row {row.row_number}"
            visit = (row.participant_id, getattr(row, "session_id", None))
            if row.participant_id not in people:
                if "participants" not in found.unread_tables:
                    _unknown(found, name, place, "participant_id", row.participant_id, people)
            elif visit[1] and visit not in visits and "sessions" not in found.unread_tables:
                own = {s for p, s in visits if p == row.participant_id}
                _unknown(found, name, place, "session_id", row.session_id, own)


def _check_recordings(study, found):
    rows = study.tables["recordings"]
    marks_in_session = Counter(
        (row.participant_id, row.session_id)
        for row in study.tables["events"]
        if row.trial_type == "sync"
    )
    named = {study.folder / row.file for row in rows}
    for row in rows:
        place = f"row {row.row_number}"
        path = study.folder / row.file
        if not path.is_file():
            meant = _file_meant(path, row, named, study.tables["participants"])
            hint = (
                f"; did you mean '{meant.relative_to(study.folder)}'?"
                if meant
                else "; copy the file there, correct the path, or take out the row of a signal "
                "that was not recorded"
            )
            found.add("recordings.tsv", f"{place}, column file", f"{row.file} does not exist{hint}")
        elif path.stat().st_size == 0:
            found.add(
                "recordings.tsv",
                f"{place}, column file",
                f"{row.file} is empty (0 bytes); copy it from the recorder again",
            )
        marks = len(row.sync_marks())
        expected = marks_in_session[row.participant_id, row.session_id]
        if marks and marks != expected and "events" not in found.unread_tables:
            found.add(
                "recordings.tsv",
                f"{place}, column sync_marks_s",
                f"{marks} marks, the session has {expected} sync events; give one for each",
            )


def _check_claimed_once(study, found):
    """A column of a file, or a file without named columns, belongs to one session of one person.

    A copy under another name counts as the same file.
    """
    rows = study.tables["recordings"]
    claims = {}
    for row, same in zip(rows, _same_files(study.folder, rows), strict=True):
        own = (row.participant_id, row.session_id)
        earlier = claims.setdefault(same, {})
        for (participant, session), claimed in earlier.items():
            shared = any(
                c.channel == row.channel or None in (c.channel, row.channel) for c in claimed
            )
            if (participant, session) != own and shared:
                first = claimed[0]
                copied = f" (the same content as {first.file})" if first.file != row.file else ""
                found.add(
                    "recordings.tsv",
                    f"row {row.row_number}, column file",
                    f"{row.file}{copied} is named for {' '.join(own)} and, in row "
                    f"{first.row_number}, for {participant} {session}; name each session's own "
                    "file, or in channel its own column of the file",
                )
        earlier.setdefault(own, []).append(row)


def _same_files(folder, rows):
    """For every row the first named file of the same content.

    Bytes are read only where files are of one size; recordings of one length often are.
    """
    paths = [(folder / row.file).resolve() for row in rows]
    sizes = {path: path.stat().st_size for path in set(paths) if path.is_file()}
    of_size = Counter(sizes.values())
    alike, first = {}, {}
    for path in paths:
        # empty files are told as such
        if path not in first and (size := sizes.get(path)):
            parts = _parts(path, size) if of_size[size] > 1 else None
            others = alike.setdefault((size, parts), [])
            first[path] = next((p for p in others if filecmp.cmp(p, path, shallow=False)), path)
            others.append(path)
        yield first.get(path, path)


def _parts(path, size, length=4096):
    """Bytes from the middle and the end of a file: where two recordings of one device differ."""
    with path.open("rb") as file:
        file.seek(size // 2)
        middle = file.read(length)
        file.seek(max(size - length, 0))
        return middle, file.read(length)


def _file_meant(path, row, named, participants):
    """A file beside a missing one that no row names and that is not somebody else's, or None.

    Nearest in name; those that carry the label of the person, then also of the session, go first.
    """
    if not path.parent.is_dir():
        return None
    others = {p.participant_id for p in participants} - {row.participant_id}
    free = {
        p.name: p
        for p in sorted(path.parent.iterdir())
        if p.is_file() and p not in named and not any(_carries(p.name, q) for q in others)
    }
    own = [name for name in free if _carries(name, row.participant_id)]
    of_visit = [name for name in own if _carries(name, row.session_id)]
    for names in (of_visit, own, list(free)):
        near = difflib.get_close_matches(path.name, names, 1)
        if near:
            return free[near[0]]
    return None


def _carries(name, label):
    return re.search(rf"{label}(?![A-Za-z0-9])", name) is not None


def _check_events(study, found):
    known = {
        "condition": study.settings.study.conditions,
        "exercise": study.settings.study.exercises,
    }
    unstated = "; study.yaml names no conditions, write yours there"
    remarks = {"condition": "" if "conditions" in study.stated["study"] else unstated}
    blamed = {
        column: dict(_misspelt_in_settings(study, found, column, names))
        for column, names in known.items()
    }
    latest = {}
    supplied = study.settings.segment_oxygenation.supply_boundaries
    for row in study.tables["events"]:
        for column in ("onset_s", "duration_s"):
            if getattr(row, column) is None and not supplied:
                found.add(
                    "events.tsv",
                    f"row {row.row_number}, column {column}",
                    "is empty; write it, or let the recording supply it with "
                    "segment_oxygenation.supply_boundaries: true in study.yaml",
                )
        for column, names in known.items():
            value = getattr(row, column)
            if value is not None and names and value not in names and value not in blamed[column]:
                place = f"row {row.row_number}"
                _unknown(found, "events", place, column, value, names, remarks.get(column, ""))
    for row in sorted(
        study.tables["events"],
        key=lambda r: (r.participant_id, r.session_id, r.onset_s is None, r.onset_s or 0.0),
    ):
        if row.trial_type == "set" and row.onset_s is not None and row.duration_s is not None:
            session = (row.participant_id, row.session_id)
            before = latest.get(session)
            # a row that stands twice is named as such
            overlaps = before and row.onset_s < before.onset_s + before.duration_s - 1e-9
            if overlaps and row.onset_s != before.onset_s:
                found.add(
                    "events.tsv",
                    f"row {row.row_number}, column onset_s",
                    f"begins at {row.onset_s} s, before the set of row {before.row_number} ends",
                )
            latest[session] = row


def _misspelt_in_settings(study, found, column, names):
    """Names of the sheet that study.yaml misspells: many sheets do not share a slip of the pen.

    A name that stands in several sessions is right where one near to it in study.yaml is in none.
    """
    if f"{column}s" not in study.stated["study"]:
        return
    sessions = {}
    for row in study.tables["events"]:
        if getattr(row, column) is not None:
            own = sessions.setdefault(getattr(row, column), Counter())
            own[row.participant_id, row.session_id] += 1
    unused = [name for name in names if name not in sessions]
    for value, rows in sessions.items():
        near = difflib.get_close_matches(value, unused, 1)
        if value not in names and len(rows) > 1 and near:
            _add_setting(
                study,
                found,
                ("study", f"{column}s", str(names.index(near[0]))),
                f"found {near[0]!r}, which no row of events.tsv has; {rows.total()} rows in "
                f"{len(rows)} sessions have {value!r}: write the same name in both",
            )
            yield value, near[0]


def _check_edits(study, found):
    if "recordings" in found.unread_tables:
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
            if path.is_file() and path not in digests:
                digests[path] = hashlib.sha256(path.read_bytes()).hexdigest()
        known = [digests.get(path) for path in files]
        if row.file_sha256.lower() not in known:
            place = f"row {row.row_number}, column file_sha256"
            files_named = ", ".join(path.name for path in files) or "no such recording"
            found.add(
                "edits.tsv",
                place,
                f"edit {row.edit_id} was made on another file than {files_named}; look again and "
                "add a new row",
            )


def _add_setting(study, found, path, message):
    """A problem of a setting, with its line where study.yaml holds it."""
    place, is_written = study.written.place(path, named=2)
    found.add("study.yaml" if is_written else "settings", place, message)


def _check_outcomes_named(study, found):
    """Outcomes named in the settings exist, primary ones in the window that they are named for."""
    for number, (outcome, window) in enumerate(study.settings.study.primary):
        place = ("study", "primary_outcomes", str(number))
        if outcome not in study.outcomes:
            hint = nearest(outcome, study.outcomes)
            _add_setting(study, found, place, f"{outcome!r} is not an outcome{hint}")
            continue
        measured_in = study.measured_in(outcome)
        if measured_in is not None and window not in measured_in:
            _add_setting(
                study,
                found,
                place,
                f"{outcome} is not measured in window {window!r}, allowed: "
                f"{', '.join(measured_in)}",
            )
    named = {}
    known = set(families().values())
    for name, rule in study.settings.quality_rules.items():
        named["quality_rules", name] = [*rule.outcomes, *rule.without]
        for family in sorted(set(rule.families) - known):
            _add_setting(
                study,
                found,
                ("quality_rules", name),
                f"{family!r} is not a family of outcomes, allowed: {', '.join(sorted(known))}"
                f"{nearest(family, known)}",
            )
    for place, outcomes in named.items():
        for outcome in sorted(set(outcomes) - set(study.outcomes)):
            hint = nearest(outcome, study.outcomes)
            _add_setting(study, found, place, f"{outcome!r} is not an outcome{hint}")


def _check_smallest_effects(study, found):
    """A smallest effect is one of an outcome, in windows in which it is measured."""
    for section, settings in _stated_settings(study, "compare_conditions"):
        sizes = settings.get("smallest_effect")
        # anything else is a problem already
        for outcome, size in sizes.items() if isinstance(sizes, dict) else ():
            place = (*section, "smallest_effect", outcome)
            if outcome not in study.outcomes:
                hint = nearest(outcome, study.outcomes)
                _add_setting(study, found, place[:-1], f"{outcome!r} is not an outcome{hint}")
                continue
            by_window = size if isinstance(size, dict) else {}
            measured_in = study.measured_in(outcome) or windows()
            for window in [name for name in by_window if name not in measured_in]:
                hint = nearest(window, measured_in)
                _add_setting(
                    study,
                    found,
                    (*place, window),
                    f"{outcome} is not measured in window {window!r}, allowed: "
                    f"{', '.join(measured_in)}{hint}",
                )
            if study.scale_of(outcome) == "ratio" and 1 in (size, *by_window.values()):
                _add_setting(
                    study,
                    found,
                    place,
                    f"{outcome} is compared as a ratio: a ratio of 1 is no effect; write the "
                    "smallest one that matters, as 1.2",
                )


def _stated_settings(study, section):
    """Settings of one section as the study states them, and in each alternative."""
    yield (section,), study.stated.get(section, {})
    for name, changes in study.settings.try_alternatives.alternatives.items():
        if changes:
            yield ("try_alternatives", "alternatives", name, section), getattr(changes, section)


def _check_working_muscles(study, found):
    """A working muscle is named for an exercise that is done, by the site of a sensor."""
    sets = [row for row in study.tables["events"] if row.trial_type == "set"]
    sensors = [row for row in study.tables["recordings"] if row.signal == "muscle_oxygen"]
    refused = {"events", "recordings"} & {*found.unread_tables, *found.refused_rows}
    if refused or not sets or not sensors:
        return
    done = list(dict.fromkeys(row.exercise for row in sets))
    declared = [*study.settings.study.exercises, *done]
    for place, settings in _stated_settings(study, "segment_oxygenation"):
        named = settings.get("working_muscle", {})
        for exercise, site in named.items():
            own_place = (*place, "working_muscle", exercise)
            visits = {(r.participant_id, r.session_id) for r in sets if r.exercise == exercise}
            there = {r.site for r in sensors if (r.participant_id, r.session_id) in visits}
            sites = sorted(filter(None, there))
            if exercise not in declared:
                message = f"{exercise!r} is not an exercise of events.tsv"
                meant = _misspelt(exercise, [name for name in done if name not in named])
            elif not there or site in (*sites, NO_SENSOR):
                continue
            else:
                message = f"no sensor lies on {site!r} in sessions with {exercise}"
                meant = _misspelt(site, sites)
            if meant:
                _add_setting(study, found, own_place, f"{message}; did you mean {meant!r}?")
            else:
                found.remarks.append(f"{'.'.join(own_place)}: {message}.")


def _misspelt(name, names):
    """The one of the names that differs by a letter, case or underscore; None without one.

    No wider: triceps brachii is not a misspelt biceps brachii.
    """
    plain = {other.lower().replace("_", " "): other for other in names}
    near = difflib.get_close_matches(name.lower().replace("_", " "), plain, 1, 0.9)
    return plain[near[0]] if near else None


def _check_no_cuff_condition(study, found):
    """The condition without cuff is one of the study's, wherever it decides about a pressure."""
    conditions = study.settings.study.conditions
    usual = study.settings.protocol.no_cuff_condition
    stated = "no_cuff_condition" in study.stated.get("protocol", {})
    if usual not in conditions and not stated:
        _ask_for_no_cuff_condition(study, found, usual, conditions)
    for place, settings in _stated_settings(study, "protocol"):
        name = settings.get("no_cuff_condition")
        if name is not None and name not in conditions:
            _add_setting(
                study,
                found,
                (*place, "no_cuff_condition"),
                f"found {name!r}, allowed: {', '.join(conditions)}{nearest(name, conditions)}",
            )


def _ask_for_no_cuff_condition(study, found, usual, conditions):
    """Without its name, a visit without cuff would be one whose pressures nobody noted."""
    events = study.tables["events"]
    with_cuff = any(row.trial_type == "cuff" or row.cuff_pressure_mmhg for row in events) or any(
        row.signal == "cuff_pressure" for row in study.tables["recordings"]
    )
    unnoted = {
        row.condition
        for row in events
        if row.trial_type == "set" and row.cuff_pressure_mmhg is None
    }
    unnoted = [condition for condition in conditions if condition in unnoted]
    if with_cuff and unnoted:
        found.add(
            "study.yaml",
            "protocol.no_cuff_condition",
            f"is not stated, and the default {usual!r} is not among the conditions, but sets in "
            f"{' and '.join(unnoted)} have no noted pressure; write the condition without cuff, "
            f"allowed: {', '.join(conditions)}, or null where every condition has a cuff",
        )
