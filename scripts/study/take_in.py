"""Take a filled session sheet, a workbook, into the tables of its study.

python3.11 scripts/launch.py take-in STUDY sheets/sub-01_ses-1.xlsx

A workbook is taken in whole or not at all, once for a visit, after the same checks as any table.
"""

import sys
from functools import partial
from pathlib import Path

from engine.command_line import faults_told
from results.words import counted
from study.clock_times import ClockTimeError, moment_of, seconds_after
from study.own_names import own_names, with_own_names
from study.problems import Problems, StudyError
from study.rows import MISSING, read_table, rows_of, rows_of_cells
from study.session_forms import CUFF_TIMES, STATE
from study.table_changes import TableChanges
from study.table_forms import cells_of_sheets
from study.tables import TABLES

# tables that a workbook is taken into, beside the state of the visit in sessions.tsv
TAKEN_IN = ("events", "occlusion", "titration")

# what a row of a cuff takes from that of its set
OF_CUFF = (
    *("participant_id", "session_id", "limb", "side", "posture", "cuff_pressure_mmhg", "cuff"),
)


def main(words):
    """The command."""
    if len(words) != 2 or not Path(words[0]).is_dir():
        sys.exit(__doc__.strip())
    with faults_told():
        for line in take_in(Path(words[0]), Path(words[1])):
            print(line)


def take_in(study, path):
    """Take a filled workbook into the tables of a study; a line on each table.

    Raises StudyError with all problems, before anything is written.
    """
    sheets = _in_own_words(study, path)
    states = list(_filled(sheets["visit"], STATE).values())
    if len(sheets["visit"]) < 2 or len(states) > 1:
        raise StudyError(f"{path.name}, sheet visit: one row is needed, for one visit")
    state = dict(zip(sheets["visit"][0], sheets["visit"][1], strict=False))
    visit = (state.get("participant_id"), state.get("session_id"))
    known = {(row.participant_id, row.session_id) for row in rows_of(study, "sessions")}
    if visit not in known:
        raise StudyError(
            f"{path.name}, sheet visit: {' '.join(map(str, visit))} has no row in sessions.tsv"
        )
    events, cuffs = _timed_events(sheets["events"], state.get("session_start"), path)
    taken = {
        "events": events,
        "occlusion": _filled(sheets["occlusion"], ["occlusion_pressure_mmhg"]),
        "titration": _filled(sheets["titration"], ["pressure_mmhg"]),
    }
    noted = {c: v for c, v in state.items() if c in STATE and v not in MISSING}
    if not (noted or any(taken.values())):
        raise StudyError(
            f"{path.name}: nothing is filled in; write in it, save it, take it in again"
        )
    _refuse_twice(study, visit, taken, path)
    _refuse_faults(study, taken, path)
    changes, lines = TableChanges(study), []
    for name, filled in taken.items():
        if filled:
            filled = [*filled.values(), *(cuffs if name == "events" else [])]
            table = changes.add_rows(name, filled)
            lines.append(f"{table}: {counted(len(filled), 'row')} of {' '.join(visit)}")
    meant = dict(zip(("participant_id", "session_id"), visit, strict=True))
    table = changes.change_rows("sessions", meant, noted)
    changes.write()
    return [*lines, f"{table}: state of {' '.join(visit)}"]


def _in_own_words(study, path):
    """Cells of each sheet, with own names, decimal commas and local dates turned into ours."""
    problems, names = Problems(), own_names(study)
    sheets = cells_of_sheets(path, ("visit", *TAKEN_IN))
    for name, cells in sheets.items():
        table = "sessions" if name == "visit" else name
        shown = f"{path.name}, sheet {name}"
        add = partial(problems.add, shown)
        sheets[name] = with_own_names(cells, TABLES[table], names, add)
    problems.stop()
    return sheets


def _filled(cells, needed):
    """Rows of a sheet that hold a value in a needed column, by number in the spreadsheet."""
    header = cells[0] if cells else []
    filled = {}
    for number, row in enumerate(cells[1:], start=2):
        entries = {c: v for c, v in zip(header, row, strict=False) if c and v not in MISSING}
        if any(column in entries for column in needed):
            filled[number] = entries
    return filled


def _timed_events(cells, session_start, path):
    """Rows of events that were done, by number, and rows of cuffs; with onset and duration."""
    events, cuffs = _filled(cells, ["onset_time"]), []
    if events and not session_start:
        raise StudyError(
            f"{path.name}, sheet visit: session_start is empty; write the time of zero"
        )
    for number, row in events.items():
        end, inflated, released = (row.pop(c, None) for c in ("end_time", *CUFF_TIMES))
        if (inflated is None) != (released is None):
            lacking = CUFF_TIMES[inflated is not None]
            raise StudyError(
                f"{path.name}, sheet events, row {number}: {lacking} is empty; a cuff needs both "
                "times"
            )
        try:
            row |= _duration(row["onset_time"], end)
            if inflated is not None:
                cuff = {column: row[column] for column in OF_CUFF if column in row}
                cuff |= {"trial_type": "cuff", "onset_time": inflated}
                cuffs.append(cuff | _duration(inflated, released))
        except ClockTimeError as fault:
            raise StudyError(f"{path.name}, sheet events, row {number}: {fault}") from None
        if row["trial_type"] == "sync":
            row.setdefault("duration_s", "0")
    return events, cuffs


def _duration(onset, end):
    if end is None:
        return {}
    return {"duration_s": f"{seconds_after(moment_of(onset), moment_of(end)):g}"}


def _refuse_twice(study, visit, taken, path):
    for name in TAKEN_IN:
        problems = Problems()
        there = read_table(study / f"{name}.tsv", problems)
        if taken[name] and any((r.participant_id, r.session_id) == visit for r in there):
            raise StudyError(
                f"{path.name}: {problems.files_named[f'{name}.tsv']} holds rows of "
                f"{' '.join(visit)} already; a visit is taken in once, correct the table instead"
            )


def _refuse_faults(study, taken, path):
    """The rows under the same checks as those of a table."""
    problems = Problems()
    for name, filled in taken.items():
        if not filled:
            continue
        columns = list(dict.fromkeys(column for row in filled.values() for column in row))
        numbered = [filled.get(number, {}) for number in range(2, max(filled) + 1)]
        cells = [columns, *([row.get(column, "") for column in columns] for row in numbered)]
        problems.files_named[f"{name}.tsv"] = f"{path.name}, sheet {name}"
        # onsets are placed on the session clock with the tables, where the start is written
        rows_of_cells(study / f"{name}.tsv", cells, problems, placed=False)
    problems.stop()


if __name__ == "__main__":
    main(sys.argv[1:])
