"""BIDS physiology: a headerless table of even samples and the JSON that describes it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from recordings.declared import Declared, refuse_another_unit
from recordings.decoding import decode
from recordings.dialect import Dialect
from recordings.raw_files import open_description
from recordings.readers.delimited import blank_notes, choose_columns, read_columns
from recordings.recording import ReadingError, Recording, even_stretch
from study.cells import MOST_COLUMNS
from study.outside import OutsideFile
from study.problems import shown

_HIGHEST_RATE_HZ = 10_000.0

# a week before or after the zero of the session
_LATEST_START_S = 604_800.0


def read_bids_physio(file: OutsideFile, declared: Declared, study: Path | None) -> Recording:
    """Read one column of `*_physio.tsv(.gz)`, in its declared unit.

    The first sample is at StartTime, so the file's zero is the instant from which the JSON counts.
    Raises ReadingError for a missing or incomplete JSON, a column that it does not list, or a unit
    other than its own. Source of the format: Brain Imaging Data Structure specification 1.10,
    physiological recordings.
    """
    described = _description(file, study)
    text, encoding = file.once(decode, "utf-8-sig")
    n_rows = text.count("\n") + 1
    columns = tuple(described["Columns"])
    dialect = Dialect(
        encoding=encoding,
        separator="\t",
        decimal=".",
        header_row=None,
        first_row=1,
        last_row=n_rows,
        columns=columns,
        n_cells=len(columns),
        thousands=False,
    )
    at, _ = choose_columns(dialect, declared.channel, None)
    if "unit" not in declared.overruled:
        about = described.get(columns[at])
        written = about.get("Units") if isinstance(about, dict) else None
        where = f"column {columns[at]}"
        if isinstance(written, str):
            refuse_another_unit(where, written, declared.unit, by="the JSON")
    read = read_columns(text, dialect, value_at=at, time_at=None, time_format=None)
    samples = read.value
    start_s = float(described["StartTime"])
    rate_hz = float(described["SamplingFrequency"])
    stretch = even_stretch(samples, start_s=start_s, sampling_rate_hz=rate_hz)
    notes = blank_notes(samples)
    if start_s != 0:
        notes = (f"the first sample is at {start_s:g} s (StartTime in its JSON)", *notes)
    return Recording((stretch,), declared.unit, notes=notes, zero_is_acquisition=True)


def columns_written(file: OutsideFile, study: Path | None) -> list[tuple[str, str]]:
    """Name and unit of every column, as the JSON writes them. Raises ReadingError."""
    described = _description(file, study)
    about = {name: described.get(name) for name in described["Columns"]}
    return [
        (name, str(said.get("Units", "")) if isinstance(said, dict) else "")
        for name, said in about.items()
    ]


def sidecar_of(path: Path) -> Path:
    """The JSON that lies beside a BIDS table."""
    return path.with_name(path.name.removesuffix(".gz").removesuffix(".tsv") + ".json")


def _description(file: OutsideFile, study: Path | None) -> dict[str, Any]:
    sidecar = sidecar_of(file.path)
    if not sidecar.exists():
        lack, todo = "no JSON of its name beside it", "put the JSON next to the table"
        raise ReadingError("", lack, "a JSON of the same name", todo)
    content = open_description(sidecar, study).content
    try:
        described = json.loads(content.decode("utf-8-sig"), object_pairs_hook=_each_once)
    except (ValueError, RecursionError) as fault:
        why = "nested too deep" if isinstance(fault, RecursionError) else fault
        raise ReadingError(
            "", f"not readable as JSON: {why}", "valid JSON", "mend the JSON"
        ) from fault
    needed = {
        "SamplingFrequency": lambda entry: _is_number(entry) and 0 < entry <= _HIGHEST_RATE_HZ,
        "StartTime": lambda entry: _is_number(entry) and abs(entry) <= _LATEST_START_S,
        "Columns": _are_names,
    }
    for key, fits in needed.items():
        if not isinstance(described, dict) or not fits(described.get(key)):
            entry = described.get(key, "nothing") if isinstance(described, dict) else "no object"
            raise ReadingError(
                key,
                shown(entry),
                f"SamplingFrequency above 0 to {_HIGHEST_RATE_HZ:g} (Hz), StartTime (s), Columns "
                "(a list of names)",
                f"fill in {key} in the JSON",
            )
    return described


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    entries = dict(pairs)
    if len(entries) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise ValueError(f"{twice!r} stands twice")
    return entries


def _are_names(entry: object) -> bool:
    return (
        isinstance(entry, list)
        and 0 < len(entry) <= MOST_COLUMNS
        and all(isinstance(name, str) for name in entry)
    )


def _is_number(entry: object) -> bool:
    # whole numbers of hundreds of digits are none
    return (
        isinstance(entry, int | float)
        and not isinstance(entry, bool)
        and abs(entry) < sys.float_info.max
    )
