"""Result tables as tab-separated text: the same numbers give the same bytes.

Times on the session clock are written to the microsecond, all other numbers with six significant
digits, so that the last bits in which processors differ do not reach a table. `n/a` is a missing
value. A table appears whole or not at all.
"""

import gzip
import io
from contextlib import contextmanager
from pathlib import Path

import pandas as pd

from results.columns import SessionTime, columns_of, columns_that_hold
from results.neutral import NEUTRAL, as_meant, in_one_line

SESSION_TIMES = columns_that_hold(SessionTime)

TEXT = dict.fromkeys(columns_that_hold(str), str)

# a table above it would hold a text of every row many times
LARGE_BYTES = 1_000_000


def number(cell, column=""):
    """A number as it stands in a table; `n/a` when missing."""
    if cell is None or cell is pd.NA or cell != cell:
        return "n/a"
    if column in SESSION_TIMES:
        return f"{round(cell, 6) + 0.0:.6f}".rstrip("0").rstrip(".")
    return f"{cell + 0.0:.6g}"


def write(table, name, path):
    """Write a DataFrame as the declared result table `name`: its columns, in its order.

    A declared column that the table lacks is written as missing; a column that nobody declared is
    a fault.
    """
    write_table(_as_declared(table, name), path)


def as_read(table, name):
    """A DataFrame as whoever reads it finds it after `write`: with the digits of the file."""
    table = _as_declared(table, name)
    text = "\t".join(table.columns) + "\n" + "".join(_lines(table))
    return read_table(io.StringIO(text))


def _as_declared(table, name):
    declared = columns_of(name)
    beyond = [column for column in table.columns if column not in declared]
    if beyond:
        raise ValueError(f"results/columns.py declares no {', '.join(beyond)} of {name}")
    return table.reindex(columns=declared)


def write_table(table, path):
    """Write a DataFrame as it is, for tables without a declaration: the numbers of a figure."""
    with _whole_or_not(path) as file:
        file.write("\t".join(table.columns) + "\n")
        file.writelines(_lines(table))


def write_below(tables, columns, path):
    """Write DataFrames one below the other with these columns; one at a time is in memory."""
    with _whole_or_not(path) as file:
        file.write("\t".join(columns) + "\n")
        for table in tables:
            file.writelines(_lines(table.reindex(columns=columns)))


def copy_below(paths, name, path):
    """Put files of the declared table `name` one below the other as they stand."""
    header = "\t".join(columns_of(name)) + "\n"
    with _whole_or_not(path) as file:
        file.write(header)
        for part in paths:
            with lines_of(part) as lines:
                if next(lines) != header:
                    raise ValueError(f"{part} does not have the columns of {name}")
                file.writelines(lines)


@contextmanager
def _whole_or_not(path):
    """A file to write to that takes its name only when everything has been written."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(f".{path.name}.unfinished")
    with unfinished.open("wb") as file:
        # neither a name nor a time in the file
        packed = gzip.GzipFile("", "wb", fileobj=file, mtime=0) if path.suffix == ".gz" else file
        with packed, io.TextIOWrapper(packed, encoding="utf-8", newline="\n") as text:
            yield text
    unfinished.replace(path)


def lines_of(path):
    """The lines of a table as it stands, also of one whose name ends with .gz."""
    return (gzip.open if path.suffix == ".gz" else open)(path, "rt", encoding="utf-8", newline="")


def _lines(table):
    columns = [_as_text(table[name], name) for name in table.columns]
    return ("\t".join(cells) + "\n" for cells in zip(*columns, strict=True))


def _as_text(column, name):
    if pd.api.types.is_bool_dtype(column):
        return ["yes" if cell else "no" for cell in column]
    cells = column.tolist()
    if pd.api.types.is_float_dtype(column):
        return [number(cell, name) for cell in cells]
    # labels and reasons repeat: each text is made once; True and 1 are equal and no text
    texts = {text: in_one_line(text) for text in {v for v in cells if isinstance(v, str)}}
    return [texts[v] if isinstance(v, str) else _of_no_text(v, name) for v in cells]


def _of_no_text(cell, name):
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if cell is None or cell is pd.NA or isinstance(cell, float):
        return number(cell, name)
    return in_one_line(str(cell))


def read_table(path, columns=None):
    """Read a result table; labels stay text, `n/a` is missing and nothing else is.

    Labels and reasons repeat: of a large table each text is held once, which takes a fifth of the
    memory; a small one is read in half of the time without.
    """
    kind = "category" if _is_large(path) else str
    table = pd.read_csv(
        path,
        sep="\t",
        dtype=dict.fromkeys(TEXT, kind),
        na_values=["n/a"],
        keep_default_na=False,
        usecols=columns,
        encoding="utf-8",
    )
    for name in TEXT.keys() & set(table.columns):
        if kind is str:
            if any(NEUTRAL.match(text) for text in table[name].dropna().unique()):
                table[name] = table[name].map(as_meant, na_action="ignore")
            continue
        if any(map(NEUTRAL.match, table[name].cat.categories)):
            table[name] = table[name].cat.rename_categories(as_meant)
        table[name] = table[name].astype(object)
    return table


def _is_large(path):
    return not isinstance(path, io.StringIO) and Path(path).stat().st_size > LARGE_BYTES


def read_tables(paths, columns=None):
    """Several result tables below each other; a table without rows adds none."""
    tables = [read_table(path, columns) for path in paths]
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else tables[0]


def stack(tables, name):
    """Tables one below the other as result table `name`; what is empty says nothing of types."""
    filled = [table.loc[:, table.notna().to_numpy().any(axis=0)] for table in tables if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return stacked.reindex(columns=columns_of(name))
