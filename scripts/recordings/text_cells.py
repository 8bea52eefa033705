"""Cells of a text file: how a line is cut into them, what each is, and the number that it holds."""

from __future__ import annotations

import csv
import re
from functools import lru_cache

# The unit separator of ASCII occurs in no such file: it stands for a single column.
NO_SEPARATOR = "\x1f"

SEPARATOR_NAMES = {
    ";": "semicolon",
    "\t": "tab",
    ",": "comma",
    "|": "bar",
    " ": "space",
    NO_SEPARATOR: "none",
}

DECIMAL_NAMES = {".": "point", ",": "comma"}
MISSING_WORDS = frozenset({"", "n/a", "na", "nan", "#n/a", "null", "none", "-", "--", "---", "?"})

_STAMP = re.compile(
    r"(?:\d{1,4}([-/.])\d{1,2}\1\d{1,4}(?:[ T]|$))?"
    r"(?:\d{1,3}:\d{2}(?::\d{2})?(?:[.,:]\d+)?(?: ?[AaPp][Mm])?(?:Z|[+-]\d{2}:?\d{2})?)?"
)


def _number_pattern(decimal: str) -> re.Pattern[str]:
    grouping = "," if decimal == "." else "."
    mark = re.escape(decimal)
    whole = rf"(?:\d+|[1-9]\d{{0,2}}(?:([{grouping}'])\d{{3}})(?:\1\d{{3}})*)"
    return re.compile(rf"[+-]?(?:{whole}(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d+)?")


NUMBER = {decimal: _number_pattern(decimal) for decimal in DECIMAL_NAMES}


def cells_of(line: str, separator: str) -> list[str]:
    """Cells of one line without quotes and outer spaces."""
    if separator == " ":
        line = re.sub(" +", " ", line.strip(" "))
    if '"' in line:
        cells = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [""])
    else:
        cells = line.split(separator)
    return [cell.strip() for cell in cells]


def is_comment(line: str) -> bool:
    """Whether a line is a comment: it begins with `#`, `%` or `//`."""
    return line.lstrip()[:2].startswith(("#", "%", "//"))


@lru_cache(maxsize=20_000)
def kind_of_cell(cell: str, decimal: str) -> str:
    """`M` missing, `N` number, `S` clock time or date, `T` other text."""
    if cell.lower() in MISSING_WORDS:
        return "M"
    if NUMBER[decimal].fullmatch(cell):
        return "N"
    return "S" if _STAMP.fullmatch(cell) else "T"


def to_number(cell: str, decimal: str) -> float:
    """Number that a cell holds, NaN where it says missing. Raises ValueError for anything else."""
    if cell.lower() in MISSING_WORDS:
        return float("nan")
    match = NUMBER[decimal].fullmatch(cell)
    if match is None:
        raise ValueError(cell)
    grouping = match[1]
    return float((cell.replace(grouping, "") if grouping else cell).replace(decimal, "."))
