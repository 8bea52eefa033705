"""Result tables as tab-separated text: the same numbers give the same bytes.

Times on the session clock are written to the microsecond, all other numbers with six significant
digits, so that the last bits in which processors differ do not reach a table. `n/a` is a missing
value. A table appears whole or not at all.
"""

from pathlib import Path

import pandas as pd

CLOCK_COLUMNS = {
    "time_s",
    "nn_time_s",
    "onset_s",
    "event_onset_s",
    "start_s",
    "end_s",
    "log_s",
    "proposed_s",
    "leak_from_s",
    "offset_s",
}

LABELS = {
    **dict.fromkeys(
        (
            "participant_id",
            "session_id",
            "event_id",
            "condition",
            "exercise",
            "contrast",
            "sequence",
        ),
        str,
    ),
    "reason": str,
    "note": str,
}


def number(value, column=""):
    """A number as it stands in a table; `n/a` when missing."""
    if pd.isna(value):
        return "n/a"
    if column in CLOCK_COLUMNS:
        return f"{round(value, 6) + 0.0:.6f}".rstrip("0").rstrip(".")
    return f"{value + 0.0:.6g}"


def write_table(table, path):
    """Write a DataFrame as a result table."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    columns = {name: _as_text(table[name], name) for name in table.columns}
    text = ["\t".join(columns)]
    text += ["\t".join(cells) for cells in zip(*columns.values(), strict=True)]
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.write_text("\n".join(text) + "\n", encoding="utf-8")
    unfinished.replace(path)


def _as_text(column, name):
    if pd.api.types.is_bool_dtype(column):
        return ["yes" if value else "no" for value in column]
    if pd.api.types.is_float_dtype(column):
        return [number(value, name) for value in column]
    return ["n/a" if _absent(value) else _in_one_line(value) for value in column]


def _absent(value):
    return (
        value is None
        or value is pd.NA
        or value == ""
        or (isinstance(value, float) and value != value)
    )


def _in_one_line(value):
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return number(value)
    return " ".join(str(value).split())


def read_table(path, columns=None):
    """Read a result table; labels stay text, `n/a` is missing and nothing else is."""
    return pd.read_csv(
        path,
        sep="\t",
        dtype=LABELS,
        na_values=["n/a"],
        keep_default_na=False,
        usecols=columns,
        encoding="utf-8",
    )


def read_tables(paths, columns=None):
    """Several result tables below each other; a table without rows adds none."""
    tables = [read_table(path, columns) for path in paths]
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else tables[0]


def stack(tables, columns):
    """Tables one below the other with these columns; what is empty says nothing of types."""
    filled = [table.dropna(axis=1, how="all") for table in tables if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return stacked.reindex(columns=columns)
