"""BIDS physiology: a headerless table of even samples and the JSON that describes it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from recordings.dialect import Dialect, decode
from recordings.readers.delimited import blank_notes, choose_columns, read_columns
from recordings.recording import ReadingError, Recording, even_stretch
from recordings.units import contradicts, recognised_unit


def read_bids_physio(
    path: Path, *, channel: str | None, unit: str, overruled: tuple[str, ...] = ()
) -> Recording:
    """Read one column of `*_physio.tsv(.gz)`, in its declared unit.

    The first sample is at StartTime, so the file's zero is the instant from which the JSON counts.
    Raises ReadingError for a missing or incomplete JSON, a column that it does not list, or a unit
    other than its own. Source of the format: Brain Imaging Data Structure specification 1.10,
    physiological recordings.
    """
    sidecar = sidecar_of(path)
    described = _description(path, sidecar)
    text, encoding = decode(path, "utf-8-sig")
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
    at, _ = choose_columns(path, dialect, channel, None)
    if "unit" not in overruled:
        _check_unit(sidecar, described, columns[at], unit)
    read = read_columns(path, text, dialect, value_at=at, time_at=None, time_format=None)
    value = read.value
    start_s = float(described["StartTime"])
    rate_hz = float(described["SamplingFrequency"])
    stretch = even_stretch(value, start_s=start_s, sampling_rate_hz=rate_hz)
    notes = blank_notes(value)
    if start_s != 0:
        notes = (f"the first sample is at {start_s:g} s (StartTime in {sidecar.name})", *notes)
    return Recording((stretch,), unit, notes=notes, zero_is_acquisition=True)


def sidecar_of(path: Path) -> Path:
    """The JSON that lies beside a BIDS table."""
    return path.with_name(path.name.removesuffix(".gz").removesuffix(".tsv") + ".json")


def _description(path: Path, sidecar: Path) -> dict[str, Any]:
    if not sidecar.is_file():
        found, todo = f"no {sidecar.name} beside it", "put the JSON next to the table"
        raise ReadingError(path, "", found, "a JSON of the same name", todo)
    try:
        described = json.loads(sidecar.read_text(encoding="utf-8-sig"))
    except ValueError as fault:
        raise ReadingError(
            sidecar, "", f"not readable as JSON: {fault}", "valid JSON", "mend the JSON"
        ) from fault
    needed = {
        "SamplingFrequency": lambda entry: _is_number(entry) and entry > 0,
        "StartTime": _is_number,
        "Columns": lambda entry: isinstance(entry, list) and len(entry) > 0,
    }
    for key, fits in needed.items():
        if not isinstance(described, dict) or not fits(described.get(key)):
            shown = described.get(key, "nothing") if isinstance(described, dict) else "no object"
            raise ReadingError(
                sidecar,
                key,
                str(shown),
                "SamplingFrequency above 0 (Hz), StartTime (s), Columns (a list of names)",
                f"fill in {key} in the JSON",
            )
    return described


def _is_number(entry: object) -> bool:
    return isinstance(entry, int | float) and not isinstance(entry, bool) and np.isfinite(entry)


def _check_unit(sidecar: Path, described: dict[str, Any], column: str, unit: str) -> None:
    about = described.get(column)
    written = about.get("Units") if isinstance(about, dict) else None
    if isinstance(written, str) and contradicts(written, unit):
        raise ReadingError(
            sidecar,
            f"column {column}",
            f"declared {unit}, but the JSON says {written}",
            f"{recognised_unit(written)}, as the JSON says",
            "correct unit in recordings.tsv; where the JSON is wrong: declared_over_header = unit, "
            "with declared_reason",
        )
