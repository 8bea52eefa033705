"""How a text file writes its table: encoding, separator, decimal mark, header and rows."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from recordings.declared import DeclaredDialect
from recordings.decoding import decode
from recordings.recording import ReadingError
from recordings.text_cells import (
    DECIMAL_NAMES,
    NO_SEPARATOR,
    NUMBER,
    SEPARATOR_NAMES,
    cells_of,
    is_comment,
    kind_of_cell,
    to_number,
)
from recordings.units import recognised_unit
from study.outside import OutsideFile

_HEAD_LINES = 400
_SPREAD_LINES = 200
_TAIL_LINES = 50

# A reading that fits fewer of its lines is no table; a header outweighs a reading of numbers that
# scores up to twice as high, because columns of text lower the score of the right one (convention).
_SMALLEST_FIT = 0.8

_HEADER_OUTWEIGHS = 0.5

_UNIT_WORDS = frozenset(
    ("sec", "seconds", "min", "hz", "bpm", "1/min", "°c", "v", "kg", "w", "m", "n", "nm", "um")
    + ("µm", "μm", "umol", "µmol/l", "raw", "counts", "hh:mm:ss", "hh:mm:ss.ms", "-")
)


@dataclass(frozen=True)
class Dialect:
    """How a text file writes its table. Rows are lines as an editor numbers them, from 1."""

    encoding: str
    separator: str
    decimal: str
    header_row: int | None
    first_row: int
    last_row: int
    columns: tuple[str, ...]
    n_cells: int
    thousands: bool

    def shown(self) -> dict[str, str]:
        """The dialect in words, as it may be written into the columns of recordings.tsv."""
        return {
            "encoding": self.encoding,
            "separator": SEPARATOR_NAMES[self.separator],
            "decimal": DECIMAL_NAMES[self.decimal],
            "first_row": str(self.first_row),
        }


@dataclass(frozen=True)
class _Line:
    row: int | None  # None for lines out of the middle of a long file
    text: str


@dataclass(frozen=True)
class _Fit:
    """Sampled lines as they read with one separator and one decimal mark."""

    separator: str
    decimal: str
    column_kinds: str
    share: float
    first: int
    last: int
    sampled: tuple[tuple[str, ...], ...]

    @property
    def n_cells(self) -> int:
        return len(self.column_kinds)

    @property
    def n_named(self) -> int:
        """Columns that need a name; blank ones at the right end (trailing separators) do not."""
        return len(self.column_kinds.rstrip("M"))

    @cached_property
    def numbers(self) -> list[list[float | None]]:
        """Rows as numbers, None elsewhere: what two readings are compared by."""
        return [
            [
                None if kind_of_cell(cell, self.decimal) != "N" else to_number(cell, self.decimal)
                for cell in row
            ]
            for row in self.sampled
        ]


def open_table(
    file: OutsideFile, declared: DeclaredDialect
) -> tuple[str, Dialect, tuple[str, ...]]:
    """Text of a file, the dialect of its table, and notes, found once for all sensors of the file.

    Raises ReadingError as `decode` and `find_dialect` do.
    """
    return file.once(_open_table, declared)


def _open_table(
    file: OutsideFile, declared: DeclaredDialect
) -> tuple[str, Dialect, tuple[str, ...]]:
    text, encoding = decode(file, declared.encoding)
    return text, *find_dialect(text, replace(declared, encoding=encoding))


def find_dialect(text: str, declared: DeclaredDialect) -> tuple[Dialect, tuple[str, ...]]:
    """Find separator, decimal mark, header and rows of a text; what is declared is not searched
    for. The encoding is that which read the text.

    Every pair of separator and decimal mark reads a sample of lines; the pair that turns most
    cells into numbers and clock times, under a header of as many names, is taken. Returns the
    dialect and notes. Raises ReadingError where two pairs read different numbers equally well, or
    none reads a table. Source of the method: convention.
    """
    separators = _given_mark("separator", declared.separator, SEPARATOR_NAMES)
    first_line = re.match(r"(?i)\s*sep=(.)\n", text)
    if declared.separator is None and first_line and first_line[1] in SEPARATOR_NAMES:
        separators = (first_line[1],)
    decimals = _given_mark("decimal", declared.decimal, DECIMAL_NAMES)
    first_row = declared.first_row
    n_lines = text.count("\n") + 1
    sample = _sample_lines(text, n_lines)
    if first_row is not None:
        sample = [line for line in sample if line.row is None or line.row >= first_row]
    sample = [line for line in sample if line.text.strip() and not is_comment(line.text)]
    fits = [_fit(sample, mark, point) for mark in separators for point in decimals]
    if declared.separator is not None and not any(fits):
        _refuse_declared_separator(sample, separators[0], decimals)
    fit = _choose_fit([fit for fit in fits if fit is not None], text)
    if first_row is not None and fit.first != first_row:
        raise ReadingError(
            f"row {first_row}",
            f"first_row, but no row of the table: the first one is row {fit.first}",
            "the row of the first numbers",
            "correct first_row in recordings.tsv, or leave it blank",
        )
    header_row, columns = _header(fit, text, separator_given=len(separators) == 1)
    dialect = Dialect(
        encoding=declared.encoding,
        separator=fit.separator,
        decimal=fit.decimal,
        header_row=header_row,
        first_row=fit.first,
        last_row=fit.last,
        columns=columns,
        n_cells=fit.n_cells,
        thousands=_has_thousands(fit),
    )
    return dialect, _footer_notes(text, n_lines - fit.last)


def _sample_lines(text: str, n_lines: int) -> list[_Line]:
    """Lines from head, middle and tail; all of a short text."""
    if n_lines <= _HEAD_LINES + _SPREAD_LINES + _TAIL_LINES:
        return [_Line(row, line) for row, line in enumerate(text.split("\n"), 1)]
    *head, rest = text.split("\n", _HEAD_LINES)
    middle, *tail = rest.rsplit("\n", _TAIL_LINES)
    sample = [_Line(row, line) for row, line in enumerate(head, 1)]
    for offset in np.linspace(0, len(middle), _SPREAD_LINES, endpoint=False).astype(int).tolist():
        start = middle.find("\n", offset) + 1
        end = middle.find("\n", start)
        sample.append(_Line(None, middle[start : end if end > 0 else len(middle)]))
    first_of_tail = n_lines - len(tail) + 1
    return sample + [_Line(row, line) for row, line in enumerate(tail, first_of_tail)]


def _given_mark(column: str, given: str | None, names: Mapping[str, str]) -> tuple[str, ...]:
    if given is None:
        return tuple(names)
    for mark, name in names.items():
        if given == mark or given.strip().lower() == name:
            return (mark,)
    todo = f"correct {column} in recordings.tsv, or leave it blank"
    raise ReadingError(column, f"'{given}'", ", ".join(names.values()), todo)


def _fit(sample: Sequence[_Line], separator: str, decimal: str) -> _Fit | None:
    """Read filled lines with one separator and one decimal mark; None where that is no table."""
    lines = sample
    if separator == decimal and not any('"' in line.text for line in lines):
        return None
    if separator != NO_SEPARATOR and not any(separator in line.text for line in lines):
        return None
    cells = [cells_of(line.text, separator) for line in lines]
    kinds = ["".join(kind_of_cell(cell, decimal) for cell in row) for row in cells]
    widths: Counter[int] = Counter()
    for row in kinds:
        widths[len(row)] += row.count("N") + row.count("S")
    if not widths.total():
        return None
    n_cells = widths.most_common(1)[0][0]
    column_kinds = _column_kinds(row for row in kinds if len(row) == n_cells)
    one_column = separator == NO_SEPARATOR
    if "N" not in column_kinds or one_column != (len(column_kinds.rstrip("M")) == 1):
        return None
    read = [at for at, row in enumerate(kinds) if _is_row(row, column_kinds)]
    if not read:
        return None
    # Rows that only say `n/a` are samples too: without those at the head, time would shift.
    blank = [_is_missing_row(*row, column_kinds) for row in zip(cells, kinds, strict=True)]
    first, last = read[0], read[-1]
    while first > 0 and blank[first - 1]:
        first -= 1
    while last + 1 < len(lines) and blank[last + 1] and set(kinds[last + 1]) == {"M"}:
        last += 1
    n_fitting = len(read) + sum(blank[first : last + 1])
    if n_fitting < _SMALLEST_FIT * (last + 1 - first):
        return None
    if lines[first].row is None or lines[last].row is None:
        return None
    n_read = sum(kinds[at].count("N") + kinds[at].count("S") for at in read)
    # Lines outside the table count too: one line of the footer must not pass for a perfect table.
    n_filled = sum(len(row) - row.count("M") for row in kinds)
    return _Fit(
        separator=separator,
        decimal=decimal,
        column_kinds=column_kinds,
        share=n_read / n_filled,
        first=lines[first].row,
        last=lines[last].row,
        sampled=tuple(tuple(cells[at]) for at in read),
    )


def _column_kinds(kinds_of_rows: Iterable[str]) -> str:
    """Commonest kind of each column among rows of one width; blank columns are `M`."""
    kinds = ""
    for column in zip(*kinds_of_rows, strict=True):
        counts = Counter(kind for kind in column if kind != "M")
        kinds += counts.most_common(1)[0][0] if counts else "M"
    return kinds


def _is_row(kinds: str, column_kinds: str) -> bool:
    if len(kinds) != len(column_kinds) or not ("N" in kinds or "S" in kinds):
        return False
    return all(
        kind in ("M", column) or column == "T"
        for kind, column in zip(kinds, column_kinds, strict=True)
    )


def _is_missing_row(cells: Sequence[str], kinds: str, column_kinds: str) -> bool:
    """Whether a line says missing in every column that holds numbers or times."""
    return (
        len(kinds) == len(column_kinds)
        and any(cells)
        and all(
            column == "T" or kind == "M" for kind, column in zip(kinds, column_kinds, strict=True)
        )
    )


def _refuse_declared_separator(
    sample: Sequence[_Line], declared: str, decimals: Iterable[str]
) -> None:
    """Raise a ReadingError where another separator than the declared one reads a table."""
    points = tuple(decimals)
    fits = [_fit(sample, mark, point) for mark in SEPARATOR_NAMES for point in points]
    read = [fit for fit in fits if fit is not None]
    if read:
        best = max(read, key=lambda fit: (fit.share, fit.n_cells))
        raise ReadingError(
            "separator",
            f"no table of numbers with the declared {SEPARATOR_NAMES[declared]}, "
            f"{SEPARATOR_NAMES[best.separator]} gives {best.n_cells} columns",
            "rows of equally many cells, with a header above them",
            "correct separator in recordings.tsv, or leave it blank",
        )


def _choose_fit(fits: Sequence[_Fit], text: str) -> _Fit:
    if not fits:
        raise ReadingError(
            "",
            "no table of numbers found",
            "rows of equally many cells, with a header above them",
            "fill in separator, decimal and first_row in recordings.tsv",
        )
    best = max(fit.share for fit in fits)
    under_header = [
        fit for fit in fits if fit.share >= _HEADER_OUTWEIGHS * best and _header_fits(fit, text)
    ]
    fits = under_header or fits
    best = max(fit.share for fit in fits)
    chosen, *rivals = [fit for fit in fits if fit.share >= best - 1e-9]
    for rival in rivals:
        if rival.numbers != chosen.numbers:
            raise _undecided(chosen, rival)
    return chosen


def _undecided(chosen: _Fit, rival: _Fit) -> ReadingError:
    if rival.separator == chosen.separator and rival.first == chosen.first:
        return ReadingError(
            f"row {chosen.first}",
            f"'{_telling_cell(chosen, rival)}' may be a fraction or thousands, in every row",
            "a decimal mark that the numbers show beyond doubt",
            "fill in decimal (point or comma) in recordings.tsv",
        )
    ways = " and with ".join(
        f"separator {SEPARATOR_NAMES[fit.separator]}, decimal {DECIMAL_NAMES[fit.decimal]}"
        for fit in (chosen, rival)
    )
    return ReadingError(
        f"row {chosen.first}",
        f"'{chosen.separator.join(chosen.sampled[0])}' reads with {ways}",
        "one way to read the numbers",
        "fill in columns separator and decimal of recordings.tsv with one of the two",
    )


def _telling_cell(chosen: _Fit, rival: _Fit) -> str:
    telling = (
        cell
        for row, of_chosen, of_rival in zip(
            chosen.sampled, chosen.numbers, rival.numbers, strict=False
        )
        for cell, a, b in zip(row, of_chosen, of_rival, strict=True)
        if a != b
    )
    return next(telling, chosen.separator.join(chosen.sampled[0]))


def _lines_above(text: str, first: int) -> list[tuple[int, str]]:
    """Filled lines above the first row of the table, nearest first; a `sep=` line is none."""
    above = text.split("\n", first - 1)[: first - 1]
    return [
        (row, line)
        for row, line in reversed(list(enumerate(above, 1)))
        if line.strip() and not re.fullmatch(r"(?i)\s*sep=.?\s*", line)
    ]


def _names(line: str, fit: _Fit) -> list[str]:
    """Names in a header line, without blank ends and a leading comment sign."""
    line = line.lstrip(" #%/") if is_comment(line) else line.strip(" ")
    names = cells_of(line, fit.separator)
    if fit.separator == " " and len(names) != fit.n_cells:
        # Names may hold single spaces where columns are set apart by more than one.
        names = re.split(r" {2,}", line.strip())
    while len(names) > 1 and not names[-1]:
        names.pop()
    return names


def _header_fits(fit: _Fit, text: str) -> bool:
    above = _lines_above(text, fit.first)
    if not above:
        return False
    if fit.n_cells == 1:
        return not re.search(r"[,;\t|]", above[0][1])
    return fit.n_named <= len(_names(above[0][1], fit)) <= fit.n_cells


def _header(fit: _Fit, text: str, *, separator_given: bool) -> tuple[int | None, tuple[str, ...]]:
    """Row and names of the header; numbered columns where the file has none."""
    above = [(row, _names(line, fit)) for row, line in _lines_above(text, fit.first)]
    if (
        len(above) > 1
        and _are_units(above[0][1])
        and fit.n_named <= len(above[1][1]) <= fit.n_cells
    ):
        del above[0]
    row, names = above[0] if above else (None, [])
    named = fit.n_named <= len(names) <= fit.n_cells
    if fit.separator == "," and not named and not separator_given and _are_whole(fit.sampled):
        raise ReadingError(
            f"row {fit.first}",
            f"comma may be separator and decimal mark at once: '{','.join(fit.sampled[0])}'",
            "one mark between cells and another inside numbers",
            "export again with semicolons, or fill in separator and decimal in recordings.tsv",
        )
    if named:
        return row, tuple(name or f"column {at}" for at, name in enumerate(names, 1))
    if len(names) > 1:
        raise ReadingError(
            f"row {row}",
            f"{len(names)} names above {fit.n_named} columns: {', '.join(names)}",
            "one name per column",
            "mend the header in a copy, or fill in separator and first_row in recordings.tsv",
        )
    return None, tuple(f"column {at}" for at in range(1, fit.n_named + 1))


def _are_units(cells: Sequence[str]) -> bool:
    bare = [cell.strip("[]() ").lower() for cell in cells]
    return any(bare) and all(
        not cell or cell in _UNIT_WORDS or recognised_unit(cell) is not None for cell in bare
    )


def _are_whole(lines: Iterable[Sequence[str]]) -> bool:
    return all(re.fullmatch(r"[+-]?\d+", cell) or not cell for row in lines for cell in row)


def _has_thousands(fit: _Fit) -> bool:
    matches = (NUMBER[fit.decimal].fullmatch(cell) for row in fit.sampled for cell in row)
    return any(number is not None and number[1] is not None for number in matches)


def _footer_notes(text: str, n_below: int) -> tuple[str, ...]:
    below = text.rsplit("\n", n_below)[1:] if n_below else []
    last_row = text.count("\n") + 1
    filled = [
        row for row, line in enumerate(below, last_row - len(below) + 1) if line.strip(" ;,\t|")
    ]
    if not filled:
        return ()
    # what stands there may name a person: it is told by its row and stays in the file
    lines = "line below the table is" if len(filled) == 1 else "lines below the table are"
    return (f"{len(filled)} {lines} left out, from row {filled[0]}",)
