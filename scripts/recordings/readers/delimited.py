"""Delimited text: read one column, and its times, with exactly the dialect that was found."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import time
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from recordings.declared import Declared
from recordings.dialect import Dialect, open_table
from recordings.recording import FloatArray, ReadingError, Recording, cut_at_gaps, even_stretch
from recordings.text_cells import (
    DECIMAL_NAMES,
    MISSING_WORDS,
    SEPARATOR_NAMES,
    cells_of,
    is_comment,
    kind_of_cell,
    to_number,
)
from study.clock_times import DAY_S, Moment
from study.outside import OutsideFile
from study.problems import did_you_mean, shown

# Seconds in the unit of a numeric time column, by the word in `time_format`.
_TIME_UNITS_S = {"s": 1.0, "ms": 1e-3, "min": 60.0}

# every spelling of ISO 8601, as pandas names it
_ISO = "ISO8601"

_ISO_STAMP = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?(?:Z|[+-]\d{2}:?\d{2})?"
)

_CLOCK_STAMP = re.compile(r"\d{1,2}:\d{2}:\d{2}(?:([.,])\d+)?")

# a date with points has the day first wherever it is in use
_DATED_STAMP = re.compile(r"\d{1,2}\.\d{1,2}\.\d{4} \d{1,2}:\d{2}:\d{2}(?:([.,])\d+)?")

# Lines at the head of a file in which a header is looked for (convention).
_HEADER_LINES = 100

_PANDAS_MISSING = sorted({w for word in MISSING_WORDS for w in (word, word.upper(), word.title())})

_PANDAS_MISSING.append("NaN")


class Columns(NamedTuple):
    """A column of a table as read: n values, n times (s; None without a time column), the numbers
    of their lines, what was noticed, and the clock time of the first row where it is written."""

    value: FloatArray
    time_s: FloatArray | None
    row_numbers: Sequence[int]
    notes: tuple[str, ...] = ()
    zero_at: Moment | None = None


def read_delimited(file: OutsideFile, declared: Declared) -> Recording:
    """Read one column of a delimited text file, in its declared unit.

    Times come from `time_column`: numbers in s, or in the unit (`s`, `ms`, `min`) or the clock
    pattern (as in strptime) that `time_format` names. Without it rows are `sampling_rate_hz`
    apart. Raises ReadingError as `readers.read_recording` says.
    """
    text, dialect, notes = open_table(file, declared.dialect)
    value_at, time_at = choose_columns(dialect, declared.channel, declared.time_column, text=text)
    if time_at is None and declared.sampling_rate_hz is None:
        raise ReadingError(
            "",
            "nothing says when the samples were taken",
            f"a time column (of {', '.join(dialect.columns)}) or a sampling rate",
            "fill in time_column or sampling_rate_hz in recordings.tsv",
        )
    read = read_columns(
        text, dialect, value_at=value_at, time_at=time_at, time_format=declared.time_format
    )
    samples, time_s = read.value, read.time_s
    notes += read.notes + blank_notes(samples)
    if time_s is None:
        stretch = even_stretch(samples, start_s=0.0, sampling_rate_hz=declared.sampling_rate_hz)
        return Recording((stretch,), declared.unit, dialect.shown(), notes)
    stretches, cuts, moves = cut_at_gaps(time_s, samples, row_numbers=read.row_numbers)
    return Recording(
        stretches,
        declared.unit,
        dialect.shown(),
        notes + cuts,
        zero_at=read.zero_at,
        stamp_moves=moves,
    )


def blank_notes(samples: FloatArray) -> tuple[str, ...]:
    """One sentence where samples have no number, else nothing."""
    n_blank = int(np.count_nonzero(np.isnan(samples)))
    return (f"{n_blank} of {len(samples)} values are blank",) if n_blank else ()


def choose_columns(
    dialect: Dialect, channel: str | None, time_column: str | None, *, text: str = ""
) -> tuple[int, int | None]:
    """Positions of the value column and of the time column, None where none is named.

    Raises ReadingError for a name that no column or several have, and without a channel where
    more than one column is left; a name that `text` holds with another separator is told so.
    """
    time_at = None
    if time_column is not None:
        time_at = _column(text, dialect, "time_column", time_column)
    if channel is not None:
        return _column(text, dialect, "channel", channel), time_at
    candidates = [at for at in range(len(dialect.columns)) if at != time_at]
    if len(candidates) != 1:
        ambiguity = f"{len(candidates)} columns could be meant"
        todo = "fill in channel in recordings.tsv"
        raise ReadingError("channel", ambiguity, ", ".join(dialect.columns), todo)
    return candidates[0], time_at


def read_columns(
    text: str,
    dialect: Dialect,
    *,
    value_at: int,
    time_at: int | None,
    time_format: str | None,
) -> Columns:
    """Read a value column and a time column (in s) with exactly the given dialect.

    Clock stamps in ISO 8601 are recognised without a `time_format`. Raises ReadingError naming row
    and column of the first cell that cannot be read.
    """
    body = _body(text, dialect)
    if time_at is not None and time_format is None:
        time_format = _recognised_stamp(body, dialect, time_at)
    clock_pattern = time_format if time_format not in (None, *_TIME_UNITS_S) else None
    kinds: dict[int, type] = {value_at: float}
    if time_at is not None:
        kinds[time_at] = str if clock_pattern else float
    row_numbers: Sequence[int] = range(dialect.first_row, dialect.last_row + 1)
    columns = _read_at_once(body, dialect, kinds)
    if columns is None:
        columns, row_numbers = _read_row_by_row(body, dialect, kinds)
    if time_at is None:
        return Columns(columns[value_at], None, row_numbers)
    where = f"column {dialect.columns[time_at]}"
    if clock_pattern:
        stamps = columns[time_at]
        time_s, notes = _clock_seconds(stamps, clock_pattern, row_numbers, where)
        zero_at = _first_moment(stamps[0], clock_pattern)
        return Columns(columns[value_at], time_s, row_numbers, notes, zero_at)
    time_s = columns[time_at] * _TIME_UNITS_S[time_format or "s"]
    missing = np.flatnonzero(np.isnan(time_s))
    if missing.size:
        raise ReadingError(
            f"row {row_numbers[int(missing[0])]}, {where}",
            "no time",
            "a time in every row",
            "take the row out of a copy, or leave time_column blank and give sampling_rate_hz",
        )
    return Columns(columns[value_at], time_s, row_numbers)


def _column(text: str, dialect: Dialect, asked_by: str, name: str) -> int:
    named = [at for at, column in enumerate(dialect.columns) if column == name.strip()]
    if len(named) == 1:
        return named[0]
    listed = ", ".join(dialect.columns)
    if named:
        fault, todo = f"{len(named)} columns are called '{name}'", "rename one in a copy"
        raise ReadingError(asked_by, fault, listed, todo)
    fault = f"no column '{name}'{did_you_mean(name, dialect.columns)}"
    header = (
        f"the header was taken from row {dialect.header_row}"
        if dialect.header_row
        else "no header was found"
    )
    todo = f"correct {asked_by} in recordings.tsv ({header})"
    elsewhere = separator_with(text, name, but=dialect.separator)
    if elsewhere is not None:
        mark, row, n_columns = elsewhere
        listed = "the separator that the file has"
        fault = (
            f"no column '{name}' with separator {SEPARATOR_NAMES[dialect.separator]}, which gives "
            f"{len(dialect.columns)}; {SEPARATOR_NAMES[mark]} gives {n_columns} in row {row}, "
            f"'{name}' among them"
        )
        todo = (
            "correct separator in recordings.tsv or leave it blank; a header that is separated "
            "otherwise than its rows: mend it in a copy of the file"
        )
    raise ReadingError(asked_by, fault, listed, todo)


def separator_with(text: str, name: str, *, but: str) -> tuple[str, int, int] | None:
    """Separator, row and number of cells of the first line that holds a name as one of several
    cells, with another separator than `but`; None where there is none."""
    for row, line in enumerate(text.split("\n", _HEADER_LINES)[:_HEADER_LINES], 1):
        for mark in SEPARATOR_NAMES:
            # any sentence has words between spaces
            cells = [] if mark in (but, " ") else cells_of(line, mark)
            if len(cells) > 1 and name.strip() in cells:
                return mark, row, len(cells)
    return None


def _body(text: str, dialect: Dialect) -> str:
    body = text.split("\n", dialect.first_row - 1)[-1]
    n_below = text.count("\n") + 1 - dialect.last_row
    return body.rsplit("\n", n_below)[0] if n_below else body


def _read_at_once(body: str, dialect: Dialect, kinds: dict[int, type]) -> dict[int, NDArray] | None:
    """Read with the fast parser; None where it might not read exactly this dialect."""
    if dialect.thousands or '"' in body:
        return None
    if dialect.separator == " ":
        body = re.sub(r"(?m)^ +| +$", "", re.sub(" +", " ", body))
    octets = body.encode()
    n_rows = dialect.last_row - dialect.first_row + 1
    # The parser fills up short rows and cuts long ones in silence: leave neither to it.
    if np.any(_cells_per_row(octets, dialect.separator) != dialect.n_cells):
        return None
    try:
        table = pd.read_csv(
            io.BytesIO(octets),
            sep=dialect.separator,
            decimal=dialect.decimal,
            header=None,
            names=range(dialect.n_cells),
            usecols=sorted(kinds),
            dtype=kinds,
            na_values=_PANDAS_MISSING,
            keep_default_na=False,
            skipinitialspace=True,
            index_col=False,
            float_precision="round_trip",
            engine="c",
        )
    except (ValueError, OverflowError):
        return None
    columns = {at: table[at].to_numpy() for at in kinds}
    infinite = any(np.isinf(columns[at]).any() for at, kind in kinds.items() if kind is float)
    return None if infinite or len(table) != n_rows else columns


def _cells_per_row(octets: bytes, separator: str) -> NDArray[np.int64]:
    text = np.frombuffer(octets, dtype=np.uint8)
    row_ends = np.append(np.flatnonzero(text == ord("\n")), text.size)
    separators = np.flatnonzero(text == ord(separator))
    return np.diff(np.searchsorted(separators, row_ends), prepend=0) + 1


def _read_row_by_row(
    body: str, dialect: Dialect, kinds: dict[int, type]
) -> tuple[dict[int, NDArray], list[int]]:
    """Read strictly, cell by cell; name the first cell that is not what its column holds.

    A blank line is skipped, except in a single column: there it may be a sample that is missing.
    """
    row_numbers: list[int] = []
    columns: dict[int, list] = {at: [] for at in kinds}
    n_named = len(dialect.columns)
    for row, line in enumerate(body.split("\n"), dialect.first_row):
        if is_comment(line) or (not line.strip() and n_named > 1):
            continue
        cells = cells_of(line, dialect.separator)
        while len(cells) > n_named and not cells[-1]:
            cells.pop()
        if len(cells) != n_named:
            raise ReadingError(
                f"row {row}",
                f"{len(cells)} cells: {shown(line.strip()[:60])}",
                f"{n_named} cells with separator {SEPARATOR_NAMES[dialect.separator]}",
                "mend the row in a copy of the file; a table that begins lower: first_row",
            )
        if n_named == 1 and not line.strip():
            raise ReadingError(
                f"row {row}",
                "a blank line inside the only column",
                "a number in every row; n/a for none",
                "in a copy of the file, write n/a there if a sample is missing, else take it out",
            )
        row_numbers.append(row)
        for at, kind in kinds.items():
            try:
                columns[at].append(
                    cells[at] if kind is str else to_number(cells[at], dialect.decimal)
                )
            except ValueError:
                raise _not_a_number(row, dialect, at, cells[at]) from None
    return {at: np.array(columns[at], dtype=kind) for at, kind in kinds.items()}, row_numbers


def _not_a_number(row: int, dialect: Dialect, at: int, cell: str) -> ReadingError:
    where = f"row {row}, column {dialect.columns[at]}"
    allowed = f"numbers with decimal {DECIMAL_NAMES[dialect.decimal]}; n/a for none"
    if kind_of_cell(cell, dialect.decimal) == "S":
        fault = f"{shown(cell)} is a clock time or date"
        todo = f"fill in time_format in recordings.tsv: {' or '.join(_patterns_of(cell))}"
    else:
        fault = f"{shown(cell)} is not a number"
        todo = "correct the column's name or first_row in recordings.tsv, or the cell in a copy"
    return ReadingError(where, fault, allowed, todo)


_LOCAL_STAMP = re.compile(
    r"(\d{1,2})([/.-])(\d{1,2})\2\d{4}([ T])\d{1,2}:\d{2}(:\d{2})?(?:([.,])\d+)?"
)


def _patterns_of(cell: str) -> list[str]:
    """Patterns that a stamp may be written in; both where day and month cannot be told apart."""
    stamp = _LOCAL_STAMP.fullmatch(cell.strip())
    if stamp is None:
        return ["for example %H:%M:%S"]
    first, mark, second, gap, seconds, fraction = stamp.groups()
    clock = f"{gap}%H:%M{':%S' if seconds else ''}{f'{fraction}%f' if fraction else ''}"
    days = [f"%d{mark}%m"] if int(second) <= 12 else []
    months = [f"%m{mark}%d"] if int(first) <= 12 and mark != "." else []
    return [f"{date}{mark}%Y{clock}" for date in (*days, *months)]


def _recognised_stamp(body: str, dialect: Dialect, time_at: int) -> str | None:
    """Pattern of the clock stamps of a column, where they can only be read in one way."""
    line = next((line for line in body.split("\n", 20) if line.strip()), "")
    cells = cells_of(line, dialect.separator)
    cell = cells[time_at] if time_at < len(cells) else ""
    if _ISO_STAMP.fullmatch(cell):
        return _ISO
    for stamp, pattern in ((_CLOCK_STAMP, "%H:%M:%S"), (_DATED_STAMP, "%d.%m.%Y %H:%M:%S")):
        recognised = stamp.fullmatch(cell)
        if recognised:
            return pattern + (f"{recognised[1]}%f" if recognised[1] else "")
    return None


def _first_moment(stamp: str, pattern: str) -> Moment | None:
    """Clock time of a stamp; none of an elapsed time, as of a stopwatch that begins at zero."""
    if pattern != _ISO and not re.search(r"%[HIXcT]", pattern):
        return None
    first = pd.to_datetime(str(stamp).strip(), format=pattern).to_pydatetime(warn=False)
    if _dated(pattern):
        return first
    return None if first.time() < time(0, 0, 1) else first.timetz()


def _dated(pattern: str) -> bool:
    return pattern == _ISO or bool(re.search(r"%[djxcDF]", pattern))


def _clock_seconds(
    stamps: NDArray, pattern: str, row_numbers: Sequence[int], where: str
) -> tuple[FloatArray, tuple[str, ...]]:
    """Clock times as s since the first row; where no date is written they may pass midnight."""
    cells = pd.Series(stamps, dtype=object).str.strip()
    try:
        # One zone for all keeps stamps that carry their own zone apart by true time.
        instants = pd.to_datetime(cells, format=pattern, errors="coerce", utc=True)
        unread = np.flatnonzero(instants.isna().to_numpy())
    except ValueError:  # no pattern at all
        unread = np.array([0])
    if unread.size:
        at = int(unread[0])
        raise ReadingError(
            f"row {row_numbers[at]}, {where}",
            f"{shown(cells.iloc[at])} is not written as time_format '{pattern}'",
            "s, ms, min or one pattern for every row: %d day %m month %Y year %H:%M:%S %f fraction",
            "correct time_format in recordings.tsv",
        )
    time_s = (instants - instants.iloc[0]).dt.total_seconds().to_numpy(dtype=np.float64)
    midnights = np.flatnonzero(np.diff(time_s) < -DAY_S / 2) + 1
    if _dated(pattern) or not midnights.size:
        return time_s, ()
    days = np.zeros(len(time_s))
    days[midnights] = 1.0
    note = f"the clock passes midnight at row {row_numbers[int(midnights[0])]}"
    return time_s + DAY_S * np.cumsum(days), (note,)
