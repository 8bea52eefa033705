"""Read the tables of a study: rows as declared, each with its number in the spreadsheet."""

import csv
import difflib
import io
from collections import Counter
from functools import lru_cache
from pathlib import Path

from pydantic import ValidationError

from study.event_ids import name_events
from study.problems import Problems
from study.tables import COLUMN_REFUSED, REQUIRED, TABLES, allowed_in, choices_of, meant_by

MISSING = ("", "n/a")


def rows_of(study_folder, table, participant=None):
    """Checked rows of one table, of one participant or of everybody, for steps."""
    path = Path(study_folder) / f"{table}.tsv"
    state = path.stat() if path.exists() else None
    by_participant = _checked_rows(path, state and (state.st_mtime_ns, state.st_size))
    if participant is not None:
        return list(by_participant.get(participant, []))
    rows = [row for of_participant in by_participant.values() for row in of_participant]
    return sorted(rows, key=lambda row: row.row_number)


@lru_cache(maxsize=len(TABLES))
def _checked_rows(path, _):
    """Rows by participant; a table is read once for everybody until its file changes."""
    problems = Problems()
    rows = read_table(path, problems)
    problems.stop()
    by_participant = {}
    for row in rows:
        by_participant.setdefault(row.participant_id, []).append(row)
    return by_participant


def participants_of(study_folder):
    """Labels of all participants of whom something was recorded, in order."""
    return sorted({row.participant_id for row in rows_of(study_folder, "recordings")})


def read_table(path, problems):
    """Rows of a table as declared, each knowing its row number; faults go to `problems`.

    A byte-order mark, CRLF, spaces round a value and blank lines are accepted.
    """
    model, name = TABLES[path.stem], path.name
    if not path.exists():
        if path.stem in REQUIRED:
            problems.add_unread(path, "", f"the table is missing; it is needed in {path.parent}")
        return []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        problems.add_unread(path, "", f"is not UTF-8 text (byte {error.start}); save it as UTF-8")
        return []
    lines = [[cell.strip() for cell in line] for line in csv.reader(io.StringIO(text), "excel-tab")]
    header = lines[0] if lines else []
    while header and not header[-1]:
        header = header[:-1]
    required = [c for c, f in model.model_fields.items() if f.is_required() or c in model.needed]
    problem = _header_problem(header, required, model)
    if problem:
        problems.add_unread(path, "row 1", problem)
        return []
    for column in sorted(set(header) - set(model.model_fields)):
        near = _nearly_declared(column, set(model.model_fields) - set(header))
        if near and near not in required:
            problems.add(name, "row 1", f"column {column!r} is not known; did you mean {near!r}?")
    for column, times in Counter(header).items():
        if times > 1:
            problems.add(name, "row 1", f"column {column!r} stands {times} times; keep one")
    rows = []
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cells):
            continue
        if len(cells) > len(header) and any(cells[len(header) :]):
            problems.add(name, f"row {number}", f"{len(cells)} cells, the header has {len(header)}")
            continue
        values = {c: v for c, v in zip(header, cells, strict=False) if v not in MISSING}
        try:
            row = model.model_validate(values)
        except ValidationError as error:
            for problem in error.errors():
                problems.add(name, *_place_and_message(problem, number, model))
            problems.refused_rows.setdefault(path.stem, []).append(values)
            continue
        row.__dict__["row_number"] = number
        rows.append(row)
    if path.stem == "events":
        name_events(rows)
    if path.stem in REQUIRED and not any(any(cells) for cells in lines[1:]):
        problems.add_unread(path, "", "holds a header and no rows")
    return rows


def _header_problem(header, required, model):
    """Why a header cannot be that of a table, in one sentence; empty where nothing is missing."""
    absent = [column for column in required if column not in header]
    if not absent:
        return ""
    missing = f"column {absent[0]} is missing" if len(absent) == 1 else "columns are missing: "
    missing += ", ".join(absent) if len(absent) > 1 else ""
    of_each = {column: choices_of(model.model_fields[column].annotation) for column in absent}
    told = [f"in {column}: {', '.join(choices)}" for column, choices in of_each.items() if choices]
    allowed = f"; allowed {'; '.join(told)}" if told else ""
    if len(header) == 1 and any(mark in header[0] for mark in ",;"):
        return f"{missing}; columns are separated by tabs, save it as TSV"
    renamed = [
        f"found {near[0]!r}: rename it"
        for column in absent
        if (near := difflib.get_close_matches(column, set(header) - set(model.model_fields), 1))
    ]
    if not renamed and not set(header) & set(model.model_fields):
        shown = ", ".join(repr(cell) for cell in header[:4]) or "nothing"
        return f"{missing}; row 1 must name the columns, found {shown}"
    return "; ".join([missing, *renamed]) + allowed


def _nearly_declared(column, absent):
    """The declared column that a header lacks only its unit of, or differs from by a letter."""
    absent = sorted(absent)
    without_unit = [name for name in absent if name.rpartition("_")[0] == column]
    return next(iter(without_unit or difflib.get_close_matches(column, absent, 1, 0.93)), None)


def _place_and_message(problem, number, model):
    """Place and sentence of one problem of pydantic in a row of a table."""
    kind = problem["type"]
    if kind == COLUMN_REFUSED:
        parts = problem["ctx"]
        return f"row {number}, column {parts['column']}", problem["msg"]
    column = str(problem["loc"][0])
    field = model.model_fields[column]
    choices = choices_of(field.annotation)
    allowed = ", ".join(choices) or allowed_in(field) or problem["msg"]
    if kind == "missing":
        return f"row {number}, column {column}", f"is empty, a value is required: {allowed}"
    value = problem["input"]
    hint = ""
    if kind == "literal_error":
        near = meant_by(str(value), choices)
        hint = f"; did you mean {near!r}?" if near else ""
    elif kind in ("float_parsing", "int_parsing") and "," in str(value):
        hint = "; write a point as decimal mark and no thousands mark"
    return f"row {number}, column {column}", f"found {value!r}, allowed: {allowed}{hint}"
