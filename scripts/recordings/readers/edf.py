"""EDF and EDF+: one channel, cut wherever the file is not continuous, never joined."""

from __future__ import annotations

import re
import warnings
from contextlib import suppress
from datetime import date, datetime, time
from typing import NamedTuple

import numpy as np
from edfio import Edf, EdfSignal, read_edf

from recordings.declared import Declared, refuse_another_unit
from recordings.recording import FloatArray, ReadingError, Recording, Stretch, even_stretch
from study.clock_times import Moment
from study.outside import OutsideFile
from study.problems import did_you_mean

_EXPORT_AGAIN = "export the recording again with the recorder's own software"
_FIXED_HEADER_BYTES = 256

# stands for no date: Kemp and Olivan 2003
_NO_DATE = date(1985, 1, 1)

# longer than any recorder's buffer
_LONGEST_RECORD_S = 86_400.0

_ANNOTATION_LABEL = b"EDF Annotations "

# First time stamp of a record's annotations: sign, seconds, and no text before its end mark.
_ONSET = re.compile(rb"([+-]\d+(?:\.\d*)?)\x14")


def read_edf_channel(raw: OutsideFile, declared: Declared) -> Recording:
    """Read one channel of an EDF or EDF+ file, in its declared unit; zero is the first sample.

    Where its scale is overruled, a channel without one is given in raw converter steps. Raises
    ReadingError for a channel that is not there (the labels are listed), a unit other than the
    file's own, a channel without a scale, or records that overlap in time. Sources of the format:
    Kemp et al. Electroencephalogr Clin Neurophysiol 1992;82:391-393; Kemp and Olivan Clin
    Neurophysiol 2003;114:1755-1761.
    """
    unit, overruled = declared.unit, declared.overruled
    file = raw.once(_opened)
    signal = file.edf.signals[_position(file.labels, declared.channel)]
    if "unit" not in overruled:
        where = f"channel {signal.label}"
        refuse_another_unit(where, signal.physical_dimension, unit, by="the file")
    samples = _samples(signal, scale_overruled="scale" in overruled)
    rate_hz = float(signal.sampling_frequency)
    onset_s, notes = file.onset_s, file.notes
    of_file = {"cut_off": file.cut_off, "misfit": file.misfit, "zero_at": file.zero_at}
    if onset_s is None and file.edf.reserved.startswith("EDF+D"):
        raise ReadingError(
            "",
            "the file says that it is discontinuous, but not when every record begins",
            "a time-keeping annotation in every record (EDF+D)",
            _EXPORT_AGAIN,
        )
    if onset_s is None:
        whole = even_stretch(samples, start_s=0.0, sampling_rate_hz=rate_hz)
        return Recording((whole,), unit, notes=notes, **of_file)
    record_s = float(file.edf.data_record_duration)
    stretches, cuts = _cut_at_records(samples, onset_s, rate_hz=rate_hz, record_s=record_s)
    return Recording(stretches, unit, notes=notes + cuts, **of_file)


def channels_written(file: OutsideFile) -> list[tuple[str, str]]:
    """Label and unit of every channel, as the header writes them. Raises ReadingError."""
    edf = file.once(_opened).edf
    return [(signal.label, signal.physical_dimension) for signal in edf.signals]


class _File(NamedTuple):
    """What all channels of a file have in common; `onset_s`: starts of its records."""

    edf: Edf
    labels: list[str]
    notes: tuple[str, ...]
    cut_off: str
    misfit: str
    onset_s: FloatArray | None
    zero_at: Moment | None


def _opened(raw: OutsideFile) -> _File:
    header = _header(raw)
    content, notes, cut_off, misfit = _promised(raw.content, header)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            edf = read_edf(content, header_encoding="latin-1")
            labels = [signal.label for signal in edf.signals]
        except (ValueError, ArithmeticError, LookupError, UnboundLocalError, TypeError) as fault:
            raise _not_edf(str(fault)) from fault
    # the library says in its own words what is said here of records
    messages = [str(warning.message) for warning in caught]
    messages = [text for text in messages if "data record" not in text]
    notes += tuple(dict.fromkeys(messages))
    onset_s = _record_onsets(content, header)
    return _File(edf, labels, notes, cut_off, misfit, onset_s, _started_at(edf))


def _started_at(edf: Edf) -> Moment | None:
    """Clock time of the first sample; without a date where the header was made anonymous.

    A header at midnight of a day that stands for no date was never given a time.
    """
    try:
        started = edf.starttime
    except (ValueError, AttributeError):
        return None
    with suppress(ValueError, AttributeError):
        if edf.startdate != _NO_DATE:
            return datetime.combine(edf.startdate, started)
    return None if started == time(0) else started


class _Header(NamedTuple):
    """What says where the samples stand; `promised`: data records, -1 of a file never closed."""

    labels: list[bytes]
    samples: list[int]
    data_at: int
    promised: int
    record_s: float

    @property
    def record_bytes(self) -> int:
        return 2 * sum(self.samples)


def _header(raw: OutsideFile) -> _Header:
    """The header of a file, every number of it read. Raises ReadingError."""
    content = raw.content

    def number(name: str, at: int, size: int, lowest: int) -> int:
        written = content[at : at + size].decode("latin-1").strip()
        try:
            stated = int(written)
        except ValueError:
            stated = lowest - 1
        if stated < lowest:
            fault = f"{name} {written[:20]!r}" if written else f"no {name}"
            raise _not_edf(fault)
        return stated

    if len(content) < _FIXED_HEADER_BYTES:
        raise _not_edf("it ends within its header")
    n_signals = number("number of signals", 252, 4, 1)
    promised = number("number of data records", 236, 8, -1)
    data_at = _FIXED_HEADER_BYTES * (n_signals + 1)
    if len(content) < data_at:
        raise _not_edf(f"it ends within its header of {n_signals} signals")
    # label 16, transducer 80, dimension 8, four ranges of 8, filter 80: 216 bytes per signal
    sizes_at = _FIXED_HEADER_BYTES + 216 * n_signals
    labels = [
        content[_FIXED_HEADER_BYTES + 16 * i : _FIXED_HEADER_BYTES + 16 * (i + 1)]
        for i in range(n_signals)
    ]
    samples = [number("samples per data record", sizes_at + 8 * i, 8, 0) for i in range(n_signals)]
    written = content[244:252].decode("latin-1").strip()
    try:
        record_s = float(written)
    except ValueError:
        record_s = -1.0
    if not 0 < record_s < _LONGEST_RECORD_S:
        raise _not_edf(f"duration of a data record {written!r}, which must be above 0 s")
    if not sum(samples):
        raise _not_edf("no samples in a data record")
    return _Header(labels, samples, data_at, promised, record_s)


def _promised(content: bytes, header: _Header) -> tuple[bytes, tuple[str, ...], str, str]:
    """The bytes that the header promises, notes on what follows, what lacks, and what is too much.

    A header of a recording that was never closed promises nothing (-1 records).
    """
    held, extra = divmod(len(content) - header.data_at, header.record_bytes)
    promised = held if header.promised < 0 else header.promised
    if held < promised:
        return (
            content,
            (),
            f"the file is cut off: its header promises {promised * header.record_s:g} s in "
            f"{promised} data records, it holds {held * header.record_s:g} s in {held}",
            "",
        )
    if held == promised and not extra:
        return content, (), "", ""
    end = header.data_at + promised * header.record_bytes
    note = f"{len(content) - end} bytes behind the last data record left out"
    misfit = (
        f"the header promises {promised} data records of {header.record_bytes} bytes, the file "
        f"holds {held}"
        if held > promised
        else ""
    )
    return content[:end], (note,), "", misfit


def _not_edf(why: str) -> ReadingError:
    return ReadingError("", f"not readable as EDF: {why}", "an EDF or EDF+ file", _EXPORT_AGAIN)


def _position(labels: list[str], channel: str | None) -> int:
    listed = ", ".join(labels) or "no channel at all"
    if channel is None and len(labels) == 1:
        return 0
    if channel is None:
        fault, todo = f"{len(labels)} channels could be meant", "fill in channel"
    else:
        named = [at for at, label in enumerate(labels) if label == channel.strip()]
        if len(named) == 1:
            return named[0]
        fault = f"no channel '{channel}'{did_you_mean(channel, labels)}"
        if named:
            fault = f"{len(named)} channels are called '{channel}'"
        todo = "correct channel"
    raise ReadingError("channel", fault, listed, f"{todo} in recordings.tsv")


def _samples(signal: EdfSignal, *, scale_overruled: bool) -> FloatArray:
    """Physical values; without a scale the reader below would hand out raw converter steps."""
    where = f"channel {signal.label}"
    try:
        scaled = (
            signal.physical_max != signal.physical_min and signal.digital_max != signal.digital_min
        )
    except ValueError:
        scaled = False
    if not scaled and not scale_overruled:
        raise ReadingError(
            where,
            "no scale",
            "a physical and a digital range in the header",
            f"{_EXPORT_AGAIN}, or state the factor: declared_over_header = scale, with scale",
        )
    if not signal.sampling_frequency > 0 or not len(signal.digital):
        raise ReadingError(where, "no samples", "at least one sample", _EXPORT_AGAIN)
    return np.array(signal.data if scaled else signal.digital, dtype=np.float64)


def _cut_at_records(
    samples: FloatArray, onset_s: FloatArray, *, rate_hz: float, record_s: float
) -> tuple[tuple[Stretch, ...], tuple[str, ...]]:
    per_record = len(samples) // len(onset_s)
    # Onsets are text: what is off by less than half a sample is rounding, not a gap (convention).
    tolerance_s = min(0.5 / rate_hz, 0.05)
    first = [0]
    notes = []
    for record in range(1, len(onset_s)):
        due_s = onset_s[first[-1]] + (record - first[-1]) * record_s
        late_s = onset_s[record] - due_s
        if late_s < -tolerance_s:
            raise ReadingError(
                f"record {record + 1}",
                f"it begins at {onset_s[record]:g} s, before the last one ends at {due_s:g} s",
                "records one after another",
                _EXPORT_AGAIN,
            )
        if late_s > tolerance_s:
            first.append(record)
            notes.append(
                f"split at {due_s:.6g} s: the file is discontinuous there, "
                f"the next sample is {late_s:.6g} s later"
            )
    stretches = tuple(
        even_stretch(
            samples[a * per_record : b * per_record],
            start_s=float(onset_s[a]),
            sampling_rate_hz=rate_hz,
        )
        for a, b in zip(first, [*first[1:], len(onset_s)], strict=True)
    )
    return stretches, tuple(notes)


def _record_onsets(content: bytes, header: _Header) -> FloatArray | None:
    """Start of every record in s after the first one, None where the file does not keep time."""
    if _ANNOTATION_LABEL not in header.labels:
        return None
    at = header.labels.index(_ANNOTATION_LABEL)
    before, size = 2 * sum(header.samples[:at]), 2 * header.samples[at]
    last = len(content) - header.record_bytes + 1
    stamps = [
        _ONSET.match(content[start + before : start + before + size])
        for start in range(header.data_at, last, header.record_bytes)
    ]
    if not stamps or not all(stamps):
        return None
    onset_s = np.array([float(stamp[1]) for stamp in stamps])
    return onset_s - onset_s[0]
