"""What a file of a recorder holds, before anybody declares anything of it.

Everything that is not written in the file is a guess and carried as such: kind of signal, unit,
column of times.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from recordings.declared import Declared, DeclaredDialect
from recordings.dialect import Dialect, open_table
from recordings.raw_files import open_raw
from recordings.readers.any_file import kind_of_file
from recordings.recording import FloatArray, ReadingError
from recordings.text_cells import cells_of, kind_of_cell
from recordings.units import check_plausible, recognised_unit
from study.clock_times import Moment
from study.outside import OutsideFile
from study.tables import OTHER_WORDS, Signal, choices_of
from study.units import FACTORS, allowed_units

KINDS = {
    "edf": "EDF",
    "bids_physio": "BIDS physiology",
    "text": "delimited text",
    "intervals": "beat intervals",
}

# names of columns of times, in the languages that recorders were met in
_TIME_NAME = re.compile(
    r"(?i)\b(t|time|times|timestamp|zeit|zeitstempel|uhrzeit|temps|heure|cas|čas|tiempo|hora|tijd|"
    r"datetime|date|datum|elapsed|sec|seconds|sekunden)\b"
)

# the unit that a header writes behind a name: `SmO2 [%]`, `ECG (mV)`, `Druck/mmHg`
_WRITTEN_UNIT = re.compile(r"[\[(]\s*([^\])]{1,12})\s*[\])]\s*$|/\s*(mmHg|mV|uV|µV|%)\s*$")

# an interval as long as this between two beats is one of a resting person (20 to 300 beats/min)
_INTERVALS_MS = (300.0, 2000.0)

_STAMP, _NUMBER = "S", "N"


@dataclass(frozen=True, eq=False)
class ChannelSeen:
    """A channel of a file: what the file says of it, and what its name and values look like.

    `time_s` (s on the file's own clock) and `value` (in the file's own unit) are of equal length;
    `guessed` names what is a guess; `remarks` say what a person has to know or to state; `fault` is
    why it cannot be read.
    """

    kind: str
    channel: str | None
    time_s: FloatArray
    value: FloatArray
    rate_hz: float | None = None
    n_gaps: int = 0
    unit_written: str = ""
    zero_at: Moment | None = None
    signal: str | None = None
    unit: str | None = None
    time_column: str | None = None
    time_format: str | None = None
    plausible: tuple[str, ...] = ()
    guessed: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    fault: ReadingError | None = None

    @property
    def length_s(self) -> float:
        """From the first to the last sample, in seconds; not a number where no time is known."""
        return float(self.time_s[-1] - self.time_s[0]) if len(self.time_s) else float("nan")


def channels_of(path: Path, folder: Path) -> tuple[OutsideFile, list[ChannelSeen]]:
    """The file and its channels, as far as it can be read. Raises ReadingError or OSError."""
    file = open_raw(path, folder)
    kind = kind_of_file(file)
    if kind == "edf":
        from recordings.readers.edf import channels_written, read_edf_channel

        return file, [
            _seen(kind, name, written, read_edf_channel(file, _any_unit(name)))
            for name, written in channels_written(file)
        ]
    if kind == "bids_physio":
        from recordings.readers.bids_physio import columns_written, read_bids_physio

        return file, [
            _seen(kind, name, written, read_bids_physio(file, _any_unit(name), folder))
            for name, written in columns_written(file, folder)
        ]
    return file, _columns_of_text(file)


def _any_unit(channel, **times) -> Declared:
    """A channel of which nothing is declared but where its samples stand."""
    return Declared("respiration", "au", channel=channel, overruled=("unit",), **times)


def _seen(kind, channel, written, recording, **known) -> ChannelSeen:
    samples = np.concatenate([stretch.value for stretch in recording.stretches])
    time_s = np.concatenate([stretch.time_s for stretch in recording.stretches])
    steps_s = np.diff(time_s)
    rate_hz = 1 / float(np.median(steps_s)) if len(steps_s) and np.median(steps_s) > 0 else None
    known.setdefault("remarks", ())
    known["remarks"] += tuple(filter(None, [recording.cut_off, *recording.notes]))
    n_gaps = len(recording.stretches) - 1
    of_file = (rate_hz, n_gaps, written, recording.zero_at)
    return _judged(ChannelSeen(kind, channel, time_s, samples, *of_file, **known))


def _columns_of_text(file: OutsideFile) -> list[ChannelSeen]:
    """Columns of numbers of a text file, with the column of times that it probably has."""
    from recordings.readers.delimited import read_columns, read_delimited

    text, dialect, _ = open_table(file, DeclaredDialect())
    first = _first_cells(text, dialect)
    kinds = [kind_of_cell(cell, dialect.decimal) for cell in first]
    time_at, time_format, remark = _time_column(file, text, dialect, kinds)
    stamped = dialect.columns[kinds.index(_STAMP)] if remark and _STAMP in kinds else None
    seen = []
    for at, name in enumerate(dialect.columns):
        if at == time_at or kinds[at] not in (_NUMBER, "M"):
            continue
        try:
            if time_at is None:
                no_times = {"time_at": None, "time_format": None}
                read = read_columns(text, dialect, value_at=at, **no_times)
                seen.append(_without_times(name, read.value, dialect, remark, stamped))
                continue
            times = {"time_column": dialect.columns[time_at], "time_format": time_format}
            recording = read_delimited(file, _any_unit(name, **times))
        except ReadingError as fault:
            seen.append(_unread(name, fault))
            continue
        seen.append(
            _seen(
                "text",
                name,
                written_unit(name),
                recording,
                **times,
                guessed=("time_column", *(("time_format",) if time_format else ())),
                remarks=(remark,) if remark else (),
            )
        )
    return seen


def _first_cells(text: str, dialect: Dialect) -> list[str]:
    line = text.split("\n")[dialect.first_row - 1]
    cells = cells_of(line, dialect.separator)
    return [cells[at] if at < len(cells) else "" for at in range(len(dialect.columns))]


def _time_column(file, text, dialect, kinds) -> tuple[int | None, str | None, str]:
    """Position of the column of times, how it counts, and what is to be said of it."""
    from recordings.readers.delimited import read_columns

    named = [at for at, name in enumerate(dialect.columns) if _TIME_NAME.search(name)]
    stamped = [at for at, kind in enumerate(kinds) if kind == _STAMP]
    if len(dialect.columns) < 2:
        return None, None, ""
    for at in dict.fromkeys([*stamped, *named, 0]):
        value_column = next(n for n in range(len(dialect.columns)) if n != at)
        try:
            read = read_columns(text, dialect, value_at=value_column, time_at=at, time_format=None)
        except ReadingError as fault:
            if at in stamped:
                return None, None, f"column {dialect.columns[at]}: {fault.seen}; {fault.todo}"
            continue
        steps_s = np.diff(read.time_s)
        if not len(steps_s) or np.mean(steps_s > 0) < 0.99:
            continue
        if at not in stamped and np.median(steps_s) > 3:
            return at, "ms", ""
        return at, None, ""
    return None, None, ""


def _without_times(
    name: str, samples: FloatArray, dialect: Dialect, remark: str, stamped: str | None
) -> ChannelSeen:
    known = samples[np.isfinite(samples)]
    middle = float(np.median(known)) if len(known) else float("nan")
    single = len(dialect.columns) == 1
    channel = None if single and dialect.header_row is None else name
    for unit, factor in (("ms", 1.0), ("s", 1000.0)):
        low, high = _INTERVALS_MS
        if single and low <= middle * factor <= high:
            return _judged(
                ChannelSeen(
                    "intervals",
                    channel,
                    np.cumsum(samples) * factor / 1000,
                    samples,
                    unit_written=written_unit(name),
                    signal="rr",
                    unit=unit,
                    plausible=(unit,),
                    guessed=("signal", "unit"),
                )
            )
    remark = remark or "no column of times was found: state sampling_rate_hz, or time_column"
    told = {"unit_written": written_unit(name), "time_column": stamped, "remarks": (remark,)}
    return _judged(ChannelSeen("text", channel, np.empty(0), samples, **told))


def _unread(name: str, fault: ReadingError) -> ChannelSeen:
    empty = np.empty(0)
    return ChannelSeen("text", name, empty, empty, fault=fault)


def written_unit(name: str) -> str:
    """The unit that stands behind the name of a column; empty where none does."""
    written = _WRITTEN_UNIT.search(name)
    return next(filter(None, written.groups()), "") if written else ""


def signal_named(name: str | None) -> str | None:
    """The signal that the name of a channel stands for in the field; None where it tells none."""
    if not name:
        return None
    words = [word.lower() for word in re.split(r"[^A-Za-z0-9]+", name) if word]
    whole = "".join(words)
    for signal in choices_of(Signal):
        names = {"".join(signal.split("_")), *OTHER_WORDS.get(signal, ())}
        plain = {re.sub(r"[^a-z0-9]", "", known) for known in names}
        if whole.rstrip("0123456789") in plain or whole in plain:
            return signal
        if any(word in plain or word.rstrip("0123456789") in plain for word in words):
            return signal
    return None


def _judged(seen: ChannelSeen) -> ChannelSeen:
    """A channel with the signal and the unit that its name and values look like."""
    written = recognised_unit(seen.unit_written) if seen.unit_written else None
    signal = seen.signal or signal_named(seen.channel) or _signal_of_unit(written, seen.rate_hz)
    guessed, remarks = set(seen.guessed), list(seen.remarks)
    if signal is None:
        remarks.append("the name tells no signal that is analysed here: leave it out, or name it")
        return replace(seen, remarks=tuple(remarks))
    guessed.add("signal")
    plausible = tuple(
        unit
        for unit in allowed_units(signal)
        if unit != "au" and check_plausible(signal, seen.value, unit) is None
    )
    unit = seen.unit
    if unit is None and written in FACTORS[signal]:
        unit = written
        if plausible and written not in plausible:
            remarks.append(
                f"the file says {written}, the values look like {' or '.join(plausible)}: see the "
                "recorder, then declared_over_header = unit with declared_reason"
            )
    elif unit is None:
        unit = plausible[0] if plausible else ("au" if "au" in FACTORS[signal] else None)
        guessed.add("unit")
        if unit is None:
            remarks.append(f"the values fit none of {', '.join(allowed_units(signal))}")
    if not np.isfinite(seen.value).any():
        remarks.append("holds no number")
    return replace(
        seen,
        signal=signal,
        unit=unit,
        plausible=plausible,
        guessed=tuple(sorted(guessed)),
        remarks=tuple(remarks),
    )


def _signal_of_unit(unit: str | None, rate_hz: float | None) -> str | None:
    if unit in ("mV", "uV") and rate_hz is not None and rate_hz >= 100:
        return "ecg"
    return {"pct": "muscle_oxygen", "mmHg": "cuff_pressure", "kPa": "cuff_pressure"}.get(unit)
