"""Readers of recordings: one file per kind of file, one function to call."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from recordings.declared import Declared
from recordings.raw_files import open_raw
from recordings.recording import ReadingError, Recording, Stretch, even_stretch
from recordings.units import (
    canonical_unit,
    check_plausible,
    count_impossible,
    possible_range,
    to_canonical,
)
from study.outside import OutsideFile
from study.units import allowed_units

# A declared rate farther from the file's own is refused, a smaller difference noted (convention).
_RATE_TOLERANCE = 0.05

_RATE_NOTED = 0.001

# an R wave lasts some 50 ms: slower sampling misses it (convention)
_SLOWEST_ECG_HZ = 25.0

__all__ = ["ReadingError", "Recording", "Stretch", "read_recording"]


def read_recording(path: Path, declared: Declared, study: Path | None = None) -> Recording:
    """Read one signal of one file in canonical units on the file's own clock, in s.

    The kind of file is told by content and extension: EDF, BIDS physiology, beat intervals,
    delimited text. The file's zero is its first sample; with a numeric time column, the zero of
    that column; in BIDS physiology, the instant from which StartTime is counted. The unit is one
    that the signal may be declared in; `study` is the folder that the file lies in, with links
    resolved. Raises ReadingError for a file that is not there or refused unread, that cannot be
    decided, whose time repeats or runs backwards, or whose values do not fit the unit.
    """
    file, signal = open_raw(path, study), declared.signal
    kind = kind_of_file(file)
    if kind != "text" and signal == "rr":
        raise ReadingError(
            "signal",
            "beat intervals in an evenly sampled file",
            "text with one interval per row",
            "export the intervals as text, or declare the channel as what it is",
        )
    if kind == "edf":
        from recordings.readers.edf import read_edf_channel

        recording = read_edf_channel(file, declared)
    elif kind == "bids_physio":
        from recordings.readers.bids_physio import read_bids_physio

        recording = read_bids_physio(file, declared, study)
    else:
        from recordings.readers.delimited import read_delimited
        from recordings.readers.intervals import read_intervals

        read = read_intervals if signal == "rr" else read_delimited
        recording = read(file, declared)
    recording, rate_notes = _as_declared(recording, declared)
    if signal == "ecg":
        _refuse_slow_ecg(recording)
    return _in_canonical_unit(recording, signal, rate_notes)


def kind_of_file(file: OutsideFile) -> str:
    """`edf`, `bids_physio` or `text`, by content and name. Raises ReadingError."""
    path = file.path
    # An EDF file begins with its version, "0" and seven spaces.
    if file.content.startswith(b"0       "):
        return "edf"
    if path.suffix.lower() in (".edf", ".bdf"):
        raise ReadingError(
            "",
            "the content is not EDF",
            "EDF or EDF+ (16 bit)",
            "export as EDF, or give the file the extension of what it holds",
        )
    name = path.name.removesuffix(".gz")
    return "bids_physio" if name.endswith("_physio.tsv") else "text"


def _as_declared(recording: Recording, declared: Declared) -> tuple[Recording, tuple[str, ...]]:
    """The recording with what the row overrules, and notes on its sampling rate."""
    stretches = recording.stretches
    if "scale" in declared.overruled:
        stretches = tuple(replace(s, value=s.value * declared.scale) for s in stretches)
    if "rate" not in declared.overruled:
        scaled = replace(recording, stretches=stretches)
        return scaled, _check_rate(recording, declared.sampling_rate_hz)
    rate_hz = declared.sampling_rate_hz
    stretches = tuple(
        even_stretch(s.value, start_s=s.start_s, sampling_rate_hz=rate_hz) for s in stretches
    )
    for earlier, later in zip(stretches, stretches[1:], strict=False):
        if later.start_s <= earlier.time_s[-1]:
            raise ReadingError(
                "sampling_rate_hz",
                f"at {rate_hz:g} Hz the part that begins at {earlier.start_s:g} s reaches into the "
                f"next one at {later.start_s:g} s",
                "a rate at which the parts of a discontinuous file follow each other",
                "correct sampling_rate_hz, or declare each part as a file of its own",
            )
    return replace(recording, stretches=stretches, stamp_moves=None), ()


def _check_rate(recording: Recording, declared_hz: float | None) -> tuple[str, ...]:
    """Compare a declared sampling rate with the file's own; a wrong time unit shows here."""
    if declared_hz is None or not recording.step_s:
        return ()
    of_file_hz = 1.0 / recording.step_s
    if abs(of_file_hz / declared_hz - 1) > _RATE_TOLERANCE:
        raise ReadingError(
            "sampling_rate_hz",
            f"declared {declared_hz:g} Hz, but the file's own times give {of_file_hz:.4g} Hz",
            f"the file's rate to within {100 * _RATE_TOLERANCE:g} %",
            "times not in s: time_format = ms or min; else correct sampling_rate_hz; where the "
            "file is wrong: declared_over_header = rate, with declared_reason",
        )
    if abs(of_file_hz / declared_hz - 1) > _RATE_NOTED:
        return (f"declared {declared_hz:g} Hz; the file's own {of_file_hz:.6g} Hz are used",)
    return ()


def _refuse_slow_ecg(recording: Recording) -> None:
    if recording.step_s > 1 / _SLOWEST_ECG_HZ:
        raise ReadingError(
            "",
            f"an ECG sampled at {1 / recording.step_s:.3g} Hz",
            f"at least {_SLOWEST_ECG_HZ:g} Hz; 100 Hz and more to place beats",
            "see channel and sampling_rate_hz, or export the ECG at its own rate",
        )


def _cure_of_unit(signal: str) -> str:
    cure = "correct unit in recordings.tsv (or channel, if it is another signal)"
    return cure + (
        "; where the file's own unit or scale is wrong, declared_over_header overrules it"
        + ("; counts without a scale are au" if signal == "ecg" else "")
    )


def _in_canonical_unit(recording: Recording, signal: str, rate_notes: tuple[str, ...]) -> Recording:
    declared = recording.unit
    implausible = check_plausible(
        signal, np.concatenate([stretch.value for stretch in recording.stretches]), declared
    )
    if implausible:
        raise ReadingError(
            "unit",
            implausible,
            f"{signal} in {', '.join(allowed_units(signal))}, as recorded",
            _cure_of_unit(signal),
        )
    unit = canonical_unit(signal, declared)
    stretches = tuple(
        replace(stretch, value=to_canonical(signal, stretch.value, declared))
        for stretch in recording.stretches
    )
    n_values = sum(len(stretch.value) for stretch in stretches)
    n_outside = sum(count_impossible(signal, stretch.value, unit) for stretch in stretches)
    notes = recording.notes + rate_notes
    if n_outside:
        low, high = possible_range(signal, unit)
        notes += (f"{n_outside} of {n_values} values are outside {low:g} to {high:g} {unit}",)
    return replace(recording, stretches=stretches, unit=unit, notes=notes)
