"""What a study declares of a recording, for the readers of files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

from recordings.recording import ReadingError
from recordings.units import contradicts, recognised_unit


@dataclass(frozen=True)
class DeclaredDialect:
    """How a text file writes its table, as far as the study says so; None is searched for."""

    encoding: str | None = None
    separator: str | None = None
    decimal: str | None = None
    first_row: int | None = None


DIALECT_COLUMNS = tuple(field.name for field in fields(DeclaredDialect))


@dataclass(frozen=True)
class Declared:
    """One row of recordings.tsv, the columns that say how to read its file."""

    signal: str
    unit: str
    channel: str | None = None
    time_column: str | None = None
    sampling_rate_hz: float | None = None
    time_format: str | None = None
    dialect: DeclaredDialect = DeclaredDialect()
    # what the row says against the file: some of unit, scale, start, rate
    overruled: tuple[str, ...] = ()
    scale: float | None = None


def declared_by(columns: Mapping[str, object], overruled: tuple[str, ...] = ()) -> Declared:
    """What a row of recordings.tsv declares; its other columns are no matter of readers."""
    of_file = {f.name: columns[f.name] for f in fields(Declared) if f.name in columns}
    dialect = {name: columns[name] for name in DIALECT_COLUMNS if name in columns}
    return Declared(**of_file | {"overruled": overruled}, dialect=DeclaredDialect(**dialect))


def refuse_another_unit(where: str, written: str, unit: str, *, by: str) -> None:
    """Raise a ReadingError where the unit that a file writes is another than the declared one.

    `by` : what writes it, as messages name it
    """
    if contradicts(written, unit):
        raise ReadingError(
            where,
            f"declared {unit}, but {by} says {written}",
            f"{recognised_unit(written)}, as {by} says",
            f"correct unit in recordings.tsv; where {by} is wrong: declared_over_header = unit, "
            "with declared_reason",
        )
