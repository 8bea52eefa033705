"""Own words of a study turned into those of its tables: columns, labels, codes, numbers, dates.

The section `names` of study.yaml maps them once; results carry the words of the tables, and the map
stays in the study, which is why it is no part of the settings.
"""

import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache

from study.problems import Problems, did_you_mean
from study.tables import TABLES
from study.yaml_files import read_yaml

SECTION = "names"

# what each part of the section maps, and the columns in which it does
COLUMNS_OF = {
    "participants": ("participant_id",),
    "sessions": ("session_id",),
    "conditions": ("condition",),
    "exercises": ("exercise",),
    "muscles": ("site",),
}

DATE_ORDERS = ("day_first", "month_first")
DECIMALS = ("point", "comma")
DATED = ("session_start", "date_shifted")
_COMMA = re.compile(r"[+-]?\d*,\d+")
_POINT = re.compile(r"[+-]?\d*\.\d+")

# points may stand for thousands where every number is written so
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(\.\d{3})+(,\d+)?")

_SHORT_YEAR = re.compile(r"\d{1,2}([./-])\d{1,2}\1\d{2}(?:[ T,].*)?")
_LOCAL_DATE = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[ T,]+(.+))?")


@dataclass(frozen=True)
class OwnNames:
    """The section `names` of a study: own words and what they stand for."""

    columns: dict[str, str] = field(default_factory=dict)
    labels: dict[str, dict[str, str]] = field(default_factory=dict)
    date_order: str | None = None
    decimal: str | None = None


NO_NAMES = OwnNames()


def own_names(folder):
    """The map of a study; an empty one where its section has faults, which are told elsewhere."""
    path = folder / "study.yaml"
    if not path.is_file():
        return NO_NAMES
    state = path.stat()
    return _own_names(path, state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=4)
def _own_names(path, _modified, _size):
    if b"names" not in path.read_bytes():
        return NO_NAMES
    stated, _ = read_yaml(path, Problems())
    section = stated.get(SECTION) if isinstance(stated, dict) else None
    return names_of_section(section) if section and not faults_of_section(section) else NO_NAMES


def names_of_section(section):
    """A section without faults as OwnNames; every own word is compared without outer spaces."""
    labels = {
        part: {str(word).strip(): ours for word, ours in section.get(part, {}).items()}
        for part in COLUMNS_OF
    }
    columns = {str(word).strip(): ours for word, ours in section.get("columns", {}).items()}
    return OwnNames(columns, labels, section.get("date_order"), section.get("decimal"))


def faults_of_section(section):
    """(path, message) of everything in the section that cannot be carried out."""
    if not isinstance(section, dict):
        return [((SECTION,), "maps own words, as names: {conditions: {ohne: none}}")]
    faults = []
    known = (*COLUMNS_OF, "columns", "date_order", "decimal")
    for part, entry in section.items():
        setting = (SECTION, str(part))
        if part not in known:
            hint = did_you_mean(part, known)
            faults.append((setting, f"is not one of {', '.join(known)}{hint}"))
        elif part in ("date_order", "decimal"):
            allowed = DATE_ORDERS if part == "date_order" else DECIMALS
            if entry not in allowed:
                faults.append((setting, f"found {entry!r}, allowed: {' or '.join(allowed)}"))
        elif not isinstance(entry, dict):
            faults.append((setting, "maps own words to those of the tables, as {ohne: none}"))
        else:
            faults += _faults_of_map(part, setting, entry)
    return faults


def _faults_of_map(part, setting, entry):
    columns = {column for model in TABLES.values() for column in model.model_fields}
    for word, ours in entry.items():
        if not isinstance(ours, str):
            yield (*setting, str(word)), f"found {ours!r}, allowed: text; quote it, as 'no'"
        elif part == "columns" and ours not in columns:
            hint = did_you_mean(ours, columns)
            yield (*setting, str(word)), f"{ours!r} is a column of no table{hint}"
    if part in ("columns", "participants"):
        twice = [ours for ours, n in Counter(map(str, entry.values())).items() if n > 1]
        for ours in twice:
            word = [str(name) for name, meant in entry.items() if meant == ours]
            if part == "participants":
                yield (
                    setting,
                    f"{' and '.join(word)} both stand for {ours}; give each their own label",
                )


def with_own_names(cells, model, names, add, *, is_local=False):
    """Cells of a table in its own words and forms.

    `cells`: rows of text, the header first; `model`: the table; `names`: an OwnNames; `add(place,
    message)` takes what cannot be decided; `is_local`: numbers may be written as those of a
    country. Row numbers stay.
    """
    if not cells:
        return cells
    header = renamed(cells[0], model, names)
    _refuse_twice(cells[0], header, names, add)
    body = [list(row) for row in cells[1:]]
    of_column = {column: part for part, columns in COLUMNS_OF.items() for column in columns}
    for at, column in enumerate(header):
        part = of_column.get(column)
        if part and names.labels.get(part):
            known = names.labels[part]
            for row in body:
                if at < len(row):
                    row[at] = known.get(row[at], row[at])
    _write_points(header, body, model, names, add, is_local)
    for at, column in enumerate(header):
        if column in DATED:
            _write_dates(at, column, body, names, add)
    return [header, *body]


def renamed(header, model, names):
    """The header with own names of columns replaced, where the column is one of this table."""
    meant = [(name, names.columns.get(name)) for name in header]
    return [ours if ours in model.model_fields else name for name, ours in meant]


def _refuse_twice(header, ours, names, add):
    for column, times in Counter(ours).items():
        if times > 1 and column not in header:
            alike = [name for name in header if names.columns.get(name) == column]
            add("row 1", f"{' and '.join(alike)} both stand for {column} in study.yaml; keep one")


def writes_commas(header, body, model, names, *, is_local):
    """Whether a number in a new row of a table has a decimal comma, as its other numbers have."""
    if names.decimal:
        return names.decimal == "comma"
    held = [row[at] for row, at in _numbers(header, body, model)]
    return any(map(_COMMA.fullmatch, held)) or (is_local and not any(map(_POINT.fullmatch, held)))


def _numbers(header, body, model):
    """(row, column) of every cell with a comma or point in a column of numbers."""
    numeric = [at for at, name in enumerate(header) if holds_numbers(model, name)]
    cells = ((row, at) for row in body for at in numeric if at < len(row))
    return [(row, at) for row, at in cells if "," in row[at] or "." in row[at]]


def _write_points(header, body, model, names, add, is_local):
    """Numbers with a decimal comma get a point, where the whole table writes them so."""
    may_be_commas = is_local or names.decimal == "comma"
    if not may_be_commas and not any("," in cell for row in body for cell in row):
        return
    held = _numbers(header, body, model)
    commas = [(row, at) for row, at in held if _COMMA.fullmatch(row[at])]
    points = [row[at] for row, at in held if _POINT.fullmatch(row[at])]
    if names.decimal == "point":
        return
    if names.decimal == "comma":
        commas += [(row, at) for row, at in held if _THOUSANDS.fullmatch(row[at])]
        wrong = next((cell for cell in points if not _THOUSANDS.fullmatch(cell)), None)
        if wrong:
            add("", f"holds {wrong!r}, where names states decimal: comma; write a comma")
            return
    elif is_local and not commas and points and all(map(_THOUSANDS.fullmatch, points)):
        add("", _asked(points[0], "point"))
        return
    elif commas:
        example = commas[0][0][commas[0][1]]
        if len(points) > len(commas):
            # a slip, told with its row
            return
        if points:
            add(
                "",
                f"writes numbers with a decimal comma, as {example!r}, and with a point, as "
                f"{points[0]!r}; write them in one way, or state names: {{decimal: comma}}",
            )
            return
        if all(re.search(r",\d{3}$", row[at]) for row, at in commas):
            add("", _asked(example, "comma"))
            return
    for row, at in commas:
        row[at] = row[at].replace(".", "").replace(",", ".")


def _asked(example, decimal):
    mark = {"point": "comma", "comma": "point"}[decimal]
    return (
        f"{example!r} may be a fraction or thousands, in every row; state names: {{decimal: "
        f"{decimal}}} or {mark} in study.yaml, or take the marks of thousands out"
    )


def holds_numbers(model, column):
    """Whether a column of a table holds numbers."""
    declared = model.model_fields.get(column)
    return declared is not None and re.search(r"\b(int|float)\b", str(declared.annotation))


def _write_dates(at, column, body, names, add):
    """Local dates of a column in the order of ISO 8601; what may be read twice is asked for."""
    dated = [row for row in body if at < len(row)]
    short = next((row[at] for row in dated if _SHORT_YEAR.fullmatch(row[at])), None)
    if short:
        add(f"column {column}", f"holds {short!r}; write the year with four digits")
        return
    dates = [(row, _LOCAL_DATE.fullmatch(row[at])) for row in dated]
    dates = [(row, match) for row, match in dates if match]
    order = names.date_order
    if order is None:
        # a date with points has the day first wherever it is in use
        firsts = [int(match[1]) for _, match in dates if match[2] != "."]
        seconds = [int(match[3]) for _, match in dates if match[2] != "."]
        if firsts and max(firsts) <= 12 and max(seconds) <= 12:
            add(
                f"column {column}",
                f"{dates[0][0][at]!r} may be read with the day or the month first, in every row; "
                "state names: {date_order: day_first} or month_first in study.yaml",
            )
            return
        order = "month_first" if seconds and max(seconds) > 12 else "day_first"
    for row, match in dates:
        month_first = order == "month_first" and match[2] != "."
        day, month = (match[3], match[1]) if month_first else (match[1], match[3])
        try:
            written = datetime(int(match[4]), int(month), int(day)).date().isoformat()
        except ValueError:
            # told with its row, as any value that the column does not hold
            continue
        row[at] = written + (f"T{match[5].strip()}" if match[5] else "")
