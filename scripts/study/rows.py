"""Read the tables of a study: rows as declared, each with its number in the spreadsheet."""

import difflib
import hashlib
import json
import re
from collections import Counter
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import get_args

from pydantic import ValidationError

from study.cells import TableFault
from study.clock_times import place_by_clock_time
from study.event_ids import name_events
from study.outside import Refused
from study.own_names import own_names, with_own_names
from study.privacy import free_text_columns, free_text_leaves, tell_files_by_label, withhold
from study.problems import Problems, shown
from study.table_forms import cells_of_file, files_of_table, shown_name, state_of_table
from study.tables import COLUMN_REFUSED, REQUIRED, TABLES, allowed_in, choices_of, meant_by

MISSING = ("", "n/a")

# as people and programs write numbers; pydantic reads 1_000 as well
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")


def rows_of(study_folder, table, participant=None):
    """Checked rows of one table, of one participant or of everybody, for steps.

    They hold what may leave the study, see study/privacy.py. Rows of one participant are checked
    alone, so that a job of one person does not pay for everybody.
    """
    folder = Path(study_folder)
    leaves = free_text_leaves(folder)
    of_people = _opened(folder / f"{table}.tsv", state_of_table(folder, table), leaves)
    return of_people.of_everybody() if participant is None else of_people.of_person(participant)


@lru_cache(maxsize=len(TABLES))
def _opened(path, _, leaves):
    """A table is opened once until its file changes."""
    return _TableOfPeople(path, leaves)


class _TableOfPeople:
    """A table of which the rows of a person are checked when somebody asks for them."""

    def __init__(self, path, leaves):
        problems = Problems()
        cells = cells_in_our_words(path, problems)
        header, *body = cells or [[]]
        at = header.index("participant_id") if "participant_id" in header else None
        names_people = at is not None or "participant_id" not in TABLES[path.stem].model_fields
        # a header without that column, or without rows, is a fault of the whole table
        if cells is not None and not (names_people and any(map(any, body))):
            _rows_of_numbered(path, header, {}, problems)
        problems.stop()
        self._path, self._header, self._leaves = path, header, leaves
        self._unchecked, self._checked = {}, {}
        for number, of_row in enumerate(body, start=2):
            if any(of_row):
                person = None if at is None or at >= len(of_row) else of_row[at]
                self._unchecked.setdefault(person, {})[number] = of_row

    def of_everybody(self):
        """Rows of all, as they stand in the table."""
        self._check(list(self._unchecked))
        checked = [row for of_person in self._checked.values() for row in of_person]
        return sorted(checked, key=lambda row: row.row_number)

    def of_person(self, participant):
        # the name of a file rests on the rows of everybody
        together = self._path.stem == "recordings"
        self._check([*self._unchecked] if together else [participant])
        return list(self._checked.get(participant, []))

    def _check(self, people):
        cells = {p: self._unchecked[p] for p in people if p in self._unchecked}
        if not cells:
            return
        problems = Problems()
        numbered = sorted(row for of_person in cells.values() for row in of_person.items())
        checked = _rows_of_numbered(self._path, self._header, dict(numbered), problems)
        problems.stop()
        if self._path.stem == "recordings":
            tell_files_by_label(checked)
        if not self._leaves:
            withhold(checked)
        for row in checked:
            self._checked.setdefault(getattr(row, "participant_id", None), []).append(row)
        for person in cells:
            del self._unchecked[person]


def digest_of_rows(study_folder, table, participant=None):
    """SHA-256 of the rows of one table, as read: of one participant or of everybody."""
    contents = [row.model_dump(mode="json") for row in rows_of(study_folder, table, participant)]
    return hashlib.sha256(json.dumps(contents, sort_keys=True).encode()).hexdigest()


def participants_of(study_folder):
    """Labels of all participants of whom something was recorded, in order."""
    return sorted({row.participant_id for row in rows_of(study_folder, "recordings")})


def read_table(path, problems):
    """Rows of a table as declared, each knowing its row number; faults go to `problems`.

    `path`: the table as .tsv; it may stand there in another form, see study/table_forms.py. A
    byte-order mark, CRLF, spaces round a value, blank lines and own names are accepted.
    """
    cells = cells_in_our_words(path, problems)
    return [] if cells is None else rows_of_cells(path, cells, problems)


def cells_in_our_words(path, problems):
    """Cells of a table under the declared names, the header first; None where it has none to read.

    `path` as that of `read_table`; faults go to `problems`.
    """
    folder, name = path.parent, path.stem
    files = files_of_table(folder, name)
    if not files:
        if name in REQUIRED:
            problems.add_unread(path, "", f"the table is missing; it is needed in {folder}")
        return None
    shown = [shown_name(file, name) for file in files]
    problems.files_named[path.name] = shown[0]
    if len(files) > 1:
        problems.add_unread(path, "", f"stands as {' and as '.join(shown)}; keep one of them")
        return None
    try:
        cells, is_local = cells_of_file(files[0], name)
    except TableFault as fault:
        problems.add_unread(path, fault.where, fault.message)
        return None
    except Refused as fault:
        problems.add_unread(path, "", str(fault))
        return None
    except OSError as fault:
        problems.add_unread(path, "", f"cannot be opened ({fault.strerror}); see who may read it")
        return None
    faults = []
    cells = with_own_names(
        cells,
        TABLES[name],
        own_names(folder),
        lambda *fault: faults.append(fault),
        is_local=is_local,
    )
    if faults:
        # what follows from a fault of the whole table is not told row by row
        for where, message in faults:
            problems.add_unread(path, where, message)
        return None
    return cells


def rows_of_cells(path, cells, problems, *, placed=True):
    """Rows of a table from its cells, whatever the form of its file; faults go to `problems`.

    `path`: the file, whose stem names the table; `cells`: text of the cells of every row of the
    spreadsheet, the header first, blank rows among them, so that row numbers are those that a
    person sees; `placed`: clock times of events are put on the session clock.
    """
    header, *body = cells or [[]]
    return _rows_of_numbered(path, header, dict(enumerate(body, start=2)), problems, placed=placed)


def _rows_of_numbered(path, header, numbered, problems, *, placed=True):
    """`rows_of_cells` of those rows of a table that are given, each by its number."""
    model, name = TABLES[path.stem], path.name
    header = list(header)
    while header and not header[-1]:
        header.pop()
    needed = {c for c in model.needed if model.instead.get(c) not in header}
    required = [c for c, f in model.model_fields.items() if f.is_required() or c in needed]
    problem = _header_problem(header, required, model)
    first_rows = islice(numbered.items(), 5)
    below = next((n for n, of_row in first_rows if set(required) <= {*of_row}), None)
    if problem and below:
        problem = f"row 1 must name the columns, which stand in row {below}; take out what is above"
    if problem:
        problems.add_unread(path, "row 1", problem)
        return []
    _check_header(name, header, required, model, problems)
    numeric = {c for c, field in model.model_fields.items() if _is_number(field.annotation)}
    checked, n_filled = [], 0
    for number, of_row in numbered.items():
        if not any(of_row):
            continue
        n_filled += 1
        if len(of_row) > len(header) and any(of_row[len(header) :]):
            problems.add(
                name,
                f"row {number}",
                f"{len(of_row)} cells, the header has {len(header)}; take out a tab within a cell, "
                "or give the further column a name",
            )
            continue
        entries = {c: v for c, v in zip(header, of_row, strict=False) if v not in MISSING}
        row = _row(entries, model, numeric, name, number, problems)
        if row is None:
            problems.refused_rows.setdefault(path.stem, []).append(entries)
        else:
            checked.append(row)
    if path.stem == "events":
        if placed and any(row.onset_time for row in checked):
            # faults of that table are told when it is read for itself
            sessions = read_table(path.with_name(f"sessions{path.suffix}"), Problems())
            place_by_clock_time(checked, sessions, problems)
        name_events(checked)
    # before the first recording a study is a plan, which is no fault
    if path.stem in REQUIRED and path.stem != "recordings" and not n_filled:
        problems.add_unread(path, "", "holds a header and no rows; write a row for each")
    return checked


def _row(entries, model, numeric, name, number, problems):
    """One row as declared, or None where a value is not; faults go to `problems`."""
    told = set()
    row = None
    try:
        row = model.model_validate(entries)
    except ValidationError as error:
        for problem in error.errors():
            told.add(problem["loc"][0] if problem["loc"] else None)
            problems.add(name, *_place_and_message(problem, number, model))
    for column in numeric.intersection(entries) - told:
        if not _NUMBER.fullmatch(entries[column]):
            allowed = allowed_in(model.model_fields[column])
            problems.add(
                name,
                f"row {number}, column {column}",
                f"found {shown(entries[column])}, allowed: {allowed}; write digits alone",
            )
            row = None
    if row is not None:
        row.__dict__["row_number"] = number
    return row


def _is_number(annotation):
    return annotation in (int, float) or any(map(_is_number, get_args(annotation)))


def _check_header(name, header, required, model, problems):
    """Columns that stand twice or are misspelt are problems, others that nothing reads a remark."""
    unread = []
    for column in sorted({*header} - {*model.model_fields, ""}):
        near = _nearly_declared(column, set(model.model_fields) - set(header))
        if near and near not in (*required, *model.later):
            problems.add(name, "row 1", f"column {column!r} is not known; did you mean {near!r}?")
        else:
            unread.append(column)
    problems.remarks += filter(None, [_columns_not_read(name, unread, header, model)])
    for column, times in Counter(header).items():
        if times > 1:
            problems.add(name, "row 1", f"column {column!r} stands {times} times; keep one")


def _columns_not_read(name, unread, header, model):
    """That columns are kept and read by nothing, with a declared one that each may have meant.

    Empty where a study keeps more of its people than is declared, as it may.
    """
    absent = sorted(set(model.model_fields) - set(header))
    told = []
    for column in unread:
        near = difflib.get_close_matches(column.lower(), absent, 1, 0.75)
        within = [c for c in absent if column.lower() in c.split("_") or c in column.lower()]
        meant = next(iter(within or near), None)
        if meant or model is not TABLES["participants"]:
            told.append(f"{column!r} (meant {meant!r}?)" if meant else repr(column))
    columns = "column" if len(told) == 1 else "columns"
    return told and f"{name}: {columns} {', '.join(told)}: kept in the study, read by nothing."


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
    unknown = {name.lower(): name for name in header if name not in model.model_fields}
    renamed = [
        f"found {unknown[near[0]]!r}: rename it {column}"
        for column in absent
        if (near := difflib.get_close_matches(column, unknown, 1))
    ]
    if not renamed and not set(header) & set(model.model_fields):
        shown = ", ".join(repr(cell) for cell in header[:4]) or "nothing"
        return f"{missing}; row 1 must name the columns, found {shown}"
    cure = "" if renamed or allowed else "; add it to row 1, with a value in each row"
    return "; ".join([missing, *renamed]) + allowed + cure


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
    entry = problem["input"]
    hint = ""
    if kind == "literal_error":
        near = meant_by(str(entry), choices)
        hint = f"; did you mean {near!r}?" if near else ""
    elif kind in ("float_parsing", "int_parsing") and "," in str(entry):
        hint = "; write a point as decimal mark and no thousands mark"
    # what a person wrote about somebody is not quoted
    is_private = column in free_text_columns(model)
    quoted = f"a text of {len(str(entry))} signs" if is_private else shown(entry)
    return f"row {number}, column {column}", f"found {quoted}, allowed: {allowed}{hint}"
