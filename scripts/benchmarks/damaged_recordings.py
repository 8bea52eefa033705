"""Recordings damaged in one way each, and whether what comes of each is told or wrong in silence.

    python3.11 scripts/launch.py benchmark damaged_recordings [--cases 400]

Three invented people, one visit each: EDF with ECG, saturation and cuff; intervals and saturation
as text; ECG as BIDS physiology and saturation as text. A damaged file goes through reading, beats,
saturation and outcomes, in this process; sync marks are those that a person reads off the damaged
file. What came of it: `refused` (a message with the file),
`told` (what moved is flagged, refused or missing, with a reason), `same` (no outcome moved by more
than `MOVED`), or `WRONG`: an outcome is ok and has moved. Damages that no file shows (a scale off
by a tenth, samples in another order, all sync marks wrong by the same) are not among them. The same
seed gives the same cases.
"""

import gzip
import random
import shutil
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from benchmarks.large_study import write_study
from engine.command_line import parser_of
from engine.listings import outcome_modules
from measuring.cutting import asked_in
from measuring.measured_outcome import measure_outcome
from measuring.person import TRACE, Person
from results.tables import as_read
from study.loading import load_study
from study.problems import StudyError
from study.rows import rows_of
from study.session_sheet import events_of, table_of

# one visit of each person, so that every condition was done
VISITS = {"sub-0001": "ses-3", "sub-0002": "ses-1", "sub-0003": "ses-1"}

SEED = 20261

# what an outcome may move by before it is another finding: a share of its value, three times as
# much of a power, and at least this in its unit (common practice, no source)
MOVED = 0.10
LEAST_MOVED = {
    "bpm": 3.0,
    "ms": 12.0,
    "%": 2.0,
    "s": 3.0,
    "Hz": 0.03,
    "%/s": 0.15,
    "% s": 60.0,
    "ms2": 60.0,
    "": 2.0,
    "pNN50": 5.0,
}


@dataclass(frozen=True)
class Damage:
    """What is done to a study folder, and whose recordings it reaches."""

    name: str
    participant: str
    apply: Callable[[Path], None]


# ---- the sound study, and outcomes of a person ---------------------------------------------------


def write_sound_study(folder):
    """Three people of one visit each."""
    write_study(folder, people=len(VISITS), seed=SEED)
    for table in ("sessions", "occlusion", "recordings", "events"):
        path = folder / f"{table}.tsv"
        head, *lines = path.read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if VISITS[line.split("\t")[0]] == line.split("\t")[1]]
        path.write_text("\n".join([head, *kept]) + "\n", encoding="utf-8")
    kept = [f"{person}_{visit}" for person, visit in VISITS.items()]
    for path in (folder / "raw").iterdir():
        if not path.name.startswith(tuple(f"{stem}{end}" for stem in kept for end in "._")):
            path.unlink()


def outcomes_of(folder, participant):
    """Rows of outcomes.tsv of one person, by event, window and outcome. Raises StudyError."""
    from heart.beats import HEART_SIGNALS, beats_of_person
    from muscle.segmentation import MUSCLE_SIGNALS, segmentation_of_person
    from muscle.traces import trace_table
    from recordings.reading import read_person, sync_table

    settings = load_study({"study": str(folder)}).settings
    edits, events = table_of(folder, "edits", participant), events_of(folder, participant)
    read = read_person(folder, participant, settings.read_recordings)
    stretches = read.series.stretches
    beats, breathing, quality = beats_of_person(
        [s for s in stretches if s.signal in HEART_SIGNALS],
        edits,
        events,
        participant,
        settings.find_beats,
    )
    muscle = segmentation_of_person(
        [s for s in stretches if s.signal in MUSCLE_SIGNALS],
        events,
        edits,
        table_of(folder, "recordings", participant),
        participant,
        settings.segment_oxygenation,
        settings.protocol,
    )
    tables = {
        "beats": as_read(beats, "beats"),
        "respiration": as_read(breathing, "respiration"),
        "beat_quality": as_read(quality, "quality"),
        "saturation": trace_table(muscle.traces).select(TRACE).to_pandas(),
        "segments": as_read(muscle.segments, "segments"),
        "sync": as_read(sync_table(read, settings.read_recordings), "sync"),
    }
    person = Person.of_study(folder, participant, tables)
    of_person = {}
    for window, inputs in person.windows(settings.measure_outcomes, settings.protocol):
        for name, module in outcome_modules().items():
            if asked_in(window, module):
                measured = measure_outcome(
                    name, module, window, inputs, settings.quality_rules, settings.quality_rules
                )
                of_person[inputs["event"].event_id, window.name, name] = measured
    return of_person


# ---- damages -------------------------------------------------------------------------------------


def damages(folder, generator):
    """Every damage of the sound study, in a fixed order; numbers and sizes by the generator."""
    files = {row.file: row for row in rows_of(folder, "recordings")}
    for file, row in files.items():
        path, person = Path(file), row.participant_id
        kinds = [_cut, _emptied, _encoded]
        if path.suffix == ".edf":
            kinds += [_edf_headers, _edf_samples]
        elif path.name.endswith(".tsv.gz"):
            kinds += [_physio]
        elif row.signal == "rr":
            kinds += [_intervals]
        else:
            kinds += [_columns_of_text]
        for kind in kinds:
            for name, apply in kind(file, generator):
                yield Damage(f"{file}: {name}", person, apply)
    yield from _declared_otherwise(folder)


def _bytes(file, change):
    def apply(folder):
        path = folder / file
        content = path.read_bytes()
        path.write_bytes(change(content))

    return apply


def _cut(file, generator):
    for share in (0.02, 0.2, 0.5, 0.8, 0.97):
        yield f"cut off at {100 * share:g} %", _bytes(file, lambda c, s=share: c[: int(s * len(c))])


def _emptied(file, generator):
    yield "no bytes", _bytes(file, lambda c: b"")
    yield "first line alone", _bytes(file, lambda c: c.split(b"\n")[0] + b"\n")
    yield "all bytes 0", _bytes(file, lambda c: bytes(len(c)))
    for share in (0.3, 0.6):

        def zeros(content, share=share):
            begin = int(share * len(content))
            n = min(4000, len(content) - begin)
            return content[:begin] + bytes(n) + content[begin + n :]

        yield f"4000 bytes of 0 at {100 * share:g} %", _bytes(file, zeros)


def _encoded(file, generator):
    if not file.endswith((".csv", ".txt")):
        return
    for name, change in {
        "UTF-16": lambda c: c.decode().encode("utf-16"),
        "UTF-16 without mark": lambda c: c.decode().encode("utf-16-le"),
        "mark": lambda c: b"\xef\xbb\xbf" + c,
        "ends \\r\\n": lambda c: c.replace(b"\n", b"\r\n"),
        "ends \\r": lambda c: c.replace(b"\n", b"\r"),
        "remarks above": lambda c: b"# a remark\n# another, with comma\n" + c,
        "quoted": lambda c: b"\n".join(
            b",".join(b'"%s"' % v for v in line.split(b",")) for line in c.split(b"\n")
        ),
        "sign of 0 within": lambda c: c[:5000] + b"\0" + c[5000:],
        "two tables": lambda c: c + c,
        "letters O for 0": lambda c: c.replace(b"0", b"O"),
    }.items():
        yield name, _bytes(file, change)


# ---- text with a column of times -----------------------------------------------------------------


def _columns_of_text(file, generator):
    def table(change, clock=None):
        """A change of the table, with sync marks by the clock that it has then."""

        def apply(folder):
            path = folder / file
            changed = change(pd.read_csv(path))
            changed.to_csv(path, index=False, lineterminator="\n", float_format="%.4f")
            if clock:
                _marks(folder, file, clock)

        return apply

    def on_clock(clock):
        return table(lambda t: t.assign(time_s=clock(t["time_s"])), clock)

    for reading in (np.nan, 0.0, -1.0, 100.0, 999.0, 6553.5, "held"):
        for at_s, length_s in ((20, 60), (185, 12), (200, 40), (226, 20), (300, 60), (330, 6)):
            change = _reading_for(reading, at_s, length_s)
            yield f"{reading} for {length_s} s at {at_s} s", table(change)
    for factor in (0.01, 0.001, 10.0, 100.0, -1.0):
        yield f"values times {factor:g}", table(_readings(_times(factor)))
    for at_s in (190.0, 260.0, 400.0):
        yield f"a step of 15 at {at_s:g} s", table(_readings_from(at_s, lambda v: v + 15))
        yield f"fraction from {at_s:g} s on", table(_readings_from(at_s, _times(0.01)))
    yield "turned over", table(_readings(lambda v: 100 - v))
    yield "columns of another order", table(lambda t: t[t.columns[[0, 2, 1]]])
    yield "names of columns exchanged", table(lambda t: t.set_axis(t.columns[[0, 2, 1]], axis=1))
    yield "times and values exchanged", table(lambda t: t.set_axis(t.columns[[1, 0, 2]], axis=1))
    for spike in (0.0, 100.0, 5.0, 95.0, 250.0, -40.0):
        at = int(generator.integers(100, 900))
        spikes = generator.integers(100, 1000, 12)
        yield (
            f"rows twice at {at}",
            table(_in_order(lambda n, at=at: np.insert(n, at + 40, n[at : at + 40]))),
        )
        yield (
            f"rows lost at {at}",
            table(_in_order(lambda n, at=at: np.delete(n, np.s_[at : at + 40]))),
        )
        yield f"rows exchanged at {at}", table(_in_order(lambda n, at=at: _exchanged(n, at, 30)))
        yield f"one row back at {at}", table(_in_order(lambda n, at=at: _moved(n, at)))
        yield f"12 spikes of {spike:g}", table(_spiked(spikes, spike))
    yield "backwards", table(lambda t: t[::-1])
    yield "shuffled", table(lambda t: t.sample(frac=1, random_state=1))
    yield "half of the rows", table(lambda t: t[::2])
    for factor in (1.0005, 1.002, 1.02, 0.9, 1000.0, 1 / 60):
        yield f"times times {factor:.5g}", on_clock(_times(factor))
    for step_s in (-3.0, 0.7, 5.0, 30.0, 3600.0):
        yield f"clock set by {step_s:g} s at 250 s", on_clock(_set_by(step_s))
    yield "times in steps of 2 s", table(lambda t: t.assign(time_s=np.floor(t["time_s"] / 2) * 2))


def _times(factor):
    return lambda numbers: numbers * factor


def _set_by(step_s):
    return lambda time_s: time_s + step_s * (time_s >= 250)


def _readings(change):
    """A change of all columns but the first."""
    return lambda t: t.assign(**{name: change(t[name]) for name in t.columns[1:]})


def _readings_from(at_s, change):
    return lambda t: _readings(lambda v: v.where(t["time_s"] < at_s, change(v)))(t)


def _reading_for(reading, at_s, length_s):
    """One reading in place of all of a span, or `held`, the first of them."""

    def change(t):
        inside = (t["time_s"] >= at_s) & (t["time_s"] < at_s + length_s)
        return _readings(
            lambda v: v.where(~inside, v[inside].iloc[0] if reading == "held" else reading)
        )(t)

    return change


def _in_order(chosen):
    """Rows in the order that `chosen` makes of their numbers."""
    return lambda t: t.iloc[chosen(np.arange(len(t)))]


def _moved(numbers, at):
    return np.insert(np.delete(numbers, at), at + 8, at)


def _exchanged(numbers, at, n):
    """Places with two neighbouring spans exchanged."""
    numbers[at : at + 2 * n] = np.roll(numbers[at : at + 2 * n], n)
    return numbers


def _spiked(numbers, spike):
    def change(t):
        out = np.isin(np.arange(len(t)), numbers)
        return _readings(lambda v: v.where(~out, spike))(t)

    return change


def _marks(folder, file, change, signal=None):
    """Sync marks as a person would read them off the damaged file."""

    def changed(cell):
        return ";".join(f"{change(float(mark)):.3f}" for mark in cell.split(";"))

    _cells(folder, file, "sync_marks_s", changed, signal)


def _marks_behind(folder, file, n_was, n_now, rate_hz, signal=None):
    """Sync marks behind a span that was lost or put in, or of another number of samples."""
    if n_now in (2 * n_was, n_was // 2):
        _marks(folder, file, lambda s: s * n_now / n_was, signal)
    else:
        _marks(folder, file, lambda s: s + (n_now - n_was) / rate_hz * (s > 450), signal)


def _cells(folder, file, column, change, signal=None):
    path = folder / "recordings.tsv"
    table = pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)
    of_file = (table["file"] == file) & (table["signal"] == (signal or table["signal"]))
    table.loc[of_file, column] = table.loc[of_file, column].map(change)
    table.to_csv(path, sep="\t", index=False, lineterminator="\n")


# ---- intervals -----------------------------------------------------------------------------------


def _intervals(file, generator):
    def listed(change):
        def apply(folder):
            path = folder / file
            was = np.array([int(line) for line in path.read_text(encoding="utf-8").split()])
            now = np.asarray(change(was.copy()))
            path.write_text("\n".join(f"{v:g}" for v in now) + "\n", encoding="utf-8")
            longer_s = (now.sum() - was.sum()) / 1000
            even = len(now) == len(was) and np.ptp(now / was) < 0.01
            factor = now.sum() / was.sum()
            _marks(folder, file, lambda s: s * factor if even else s + longer_s * (s > 250))

        return apply

    def instead(n, count, put):
        """`count` intervals from n on replaced by what `put` makes of them."""
        return listed(lambda v: np.concatenate([v[:n], put(v[n : n + count]), v[n + count :]]))

    for n in (80, 260, 330, 450):
        yield f"beat {n} not found", instead(n, 2, lambda v: [v.sum()])
        yield f"interval {n} halved", instead(n, 1, lambda v: [v[0] // 2, v[0] - v[0] // 2])
        thirds = instead(n, 1, lambda v: [v[0] // 3, v[0] // 3, v[0] - 2 * (v[0] // 3)])
        yield f"interval {n} in thirds", thirds
        yield f"interval {n} lost", instead(n, 1, lambda v: [])
        yield f"interval {n} of 0", instead(n, 1, lambda v: [0])
        yield f"interval {n} negative", instead(n, 1, lambda v: -v)
        yield f"interval {n} of 65535", instead(n, 1, lambda v: [65535])
        yield f"interval {n} of 4000", instead(n, 1, lambda v: [4000])
        yield f"40 intervals twice at {n}", instead(n, 40, lambda v: np.tile(v, 2))
        yield f"40 intervals lost at {n}", instead(n, 40, lambda v: [])
        yield f"40 intervals alike at {n}", instead(n, 40, lambda v: np.full(40, v[0]))
        yield f"every second of 60 beats lost at {n}", instead(n, 60, lambda v: v[::2] + v[1::2])
        yield f"seconds from {n} on", instead(n, 10_000, lambda v: v / 1000)
        yield f"30 beats beside at {n}", listed(lambda v, n=n: _beside(v, n, 30))
    for factor in (0.001, 0.5, 2.0, 1.024, 1.05):
        yield f"intervals times {factor:g}", listed(lambda v, f=factor: v * f)
    yield "heart rate instead", listed(lambda v: np.round(60000 / v))
    yield "beat times instead", listed(np.cumsum)
    yield "steps of 50 ms", listed(lambda v: np.round(v / 50) * 50)


def _beside(intervals, n, count):
    """Intervals with some beats moved by up to 90 ms."""
    shifts = np.random.default_rng(n).integers(-90, 90, count)
    intervals[n : n + count] += shifts
    intervals[n + 1 : n + count + 1] -= shifts
    return intervals


# ---- BIDS physiology -----------------------------------------------------------------------------


RATES_IN_HEADER_HZ = (65, 100, 125, 131, 128, 260, 1000, 0, -130)


def _physio(file, generator):
    header = file.replace(".tsv.gz", ".json")

    def samples(change):
        def apply(folder):
            path = folder / file
            recorded = np.array(gzip.decompress(path.read_bytes()).split(), dtype=float)
            changed = change(recorded)
            text = "\n".join("n/a" if np.isnan(v) else f"{v:g}" for v in changed) + "\n"
            path.write_bytes(gzip.compress(text.encode(), 1, mtime=0))
            _marks_behind(folder, file, len(recorded), len(changed), 130)

        return apply

    def sidecar(old, new):
        return _bytes(header, lambda c: c.replace(old.encode(), new.encode()))

    for name, change in _ecg_damages(generator):
        yield name, samples(lambda v, c=change: c(v, 130))

    def rated(hz):
        def apply(folder):
            sidecar("130", str(hz))(folder)
            if hz > 0:
                _marks(folder, file, lambda s: s * 130 / hz)

        return apply

    for hz in RATES_IN_HEADER_HZ:
        yield f"{hz} Hz in the header", rated(hz)
    yield "mV in the header", sidecar('"uV"', '"mV"')
    yield "V in the header", sidecar('"uV"', '"V"')
    yield "no header", lambda folder: (folder / header).unlink()
    yield "another column", sidecar("cardiac", "trigger")
    yield "header no JSON", sidecar("{", "[")
    yield "starts at 20 s", sidecar('"StartTime": 0', '"StartTime": 20')


def _ecg_damages(generator):
    """Name and change of the samples of an ECG, which gets values and rate."""

    noise = np.random.default_rng(5)
    for at_s, length_s in ((30, 60), (185, 20), (226, 12), (400, 50)):
        yield from _ecg_span_damages(at_s, length_s, noise)
    yield "turned over", lambda v, hz: -v
    yield "clipped at 300 uV", lambda v, hz: np.clip(v, -300, 300)
    yield "clipped at 80 uV", lambda v, hz: np.clip(v, -80, 80)
    yield "steps of 500 uV", lambda v, hz: np.round(v / 500) * 500
    yield "drift of 5 mV", lambda v, hz: v + 5000 * np.arange(len(v)) / len(v)
    yield "every second sample", lambda v, hz: v[::2]
    yield "every sample twice", lambda v, hz: np.repeat(v, 2)
    yield "noise alone", lambda v, hz: 300 * noise.standard_normal(len(v))
    yield "spikes", lambda v, hz: v + 4000 * (noise.random(len(v)) < 0.5 / hz)


def _ecg_span_damages(at_s, length_s, noise):
    def span(hz):
        return slice(int(at_s * hz), int((at_s + length_s) * hz))

    def within(change):
        def changed(v, hz):
            v = v.copy()
            v[span(hz)] = change(v[span(hz)], hz)
            return v

        return changed

    def wave(v, hz, frequency_hz):
        return np.sin(2 * np.pi * frequency_hz * np.arange(len(v)) / hz)

    def elsewhere(v, hz):
        first, n = int(at_s * hz), int(length_s * hz)
        return np.concatenate([v[:first], v[100 * hz : 100 * hz + n], v[first + n :]])

    for name, change in {
        "nothing": lambda v, hz: v * np.nan,
        "0": lambda v, hz: v * 0,
        "held": lambda v, hz: v * 0 + v[0],
        "noise of 1 mV": lambda v, hz: v + 1000 * noise.standard_normal(len(v)),
        "hum of 1 mV": lambda v, hz: v + 1000 * wave(v, hz, 50),
        "ripple of 4 Hz": lambda v, hz: v + 1500 * wave(v, hz, 4),
        "a twentieth": lambda v, hz: v / 20,
        "turned over": lambda v, hz: -v,
    }.items():
        yield f"{name} for {length_s} s at {at_s} s", within(change)
    yield f"{length_s} s at {at_s} s from elsewhere", elsewhere
    yield f"{length_s} s twice at {at_s} s", lambda v, hz: np.insert(v, span(hz).stop, v[span(hz)])
    yield f"{length_s} s lost at {at_s} s", lambda v, hz: np.delete(v, span(hz))


# ---- EDF -----------------------------------------------------------------------------------------

# where a field of the header begins, and its length
EDF_FIELDS = {"bytes": (184, 8), "records": (236, 8), "seconds": (244, 8), "signals": (252, 4)}

# fields of each signal behind the 256 bytes of the file: begin (of one signal) and length
EDF_OF_SIGNAL = {
    "label": (0, 16),
    "unit": (96, 8),
    "low": (104, 8),
    "high": (112, 8),
    "digital low": (120, 8),
    "digital high": (128, 8),
    "samples": (216, 8),
}


def _edf_headers(file, generator):
    for field, texts in {
        "records": ("-1", "0", "100", "509", "511", "5000", "abc"),
        "seconds": ("0", "2", "0.5", "1.01", "-1", "x"),
        "signals": ("0", "1", "3", "5", "x"),
        "bytes": ("0", "256", "1536", "99999", ""),
    }.items():
        for text in texts:
            yield f"{field} = {text}", _put_in(file, *EDF_FIELDS[field], text)
    for field, texts in {
        "label": ("ECG II", "smo2_biceps", "Cuff", ""),
        "unit": ("mV", "uV", "%", "mmHg", "V", "?"),
        "low": ("0", "-1", "6553.4", "-655.36", "x"),
        "high": ("0", "1", "10", "-6553.6", "1000", "x"),
        "digital low": ("0", "1000", "-1"),
        "digital high": ("0", "100", "32767", "10000"),
        "samples": ("0", "1", "129", "131", "260", "x"),
    }.items():
        for signal in range(4):
            for text in texts:
                begin, length = EDF_OF_SIGNAL[field]
                name = f"{field} of signal {signal + 1} = {text or 'nothing'}"
                yield name, _put_in(file, 256 + 4 * begin + signal * length, length, text)


def _put_in(file, begin, length, text):
    put = _bytes(file, lambda content: _put(content, begin, length, text))

    def apply(folder):
        put(folder)
        # the clock of the file is that of its header
        if begin == EDF_FIELDS["seconds"][0] and text in ("2", "0.5", "1.01"):
            _marks(folder, file, lambda s: s * float(text))

    return apply


def _put(content, begin, length, text):
    return content[:begin] + text.ljust(length).encode() + content[begin + length :]


def _edf_samples(file, generator):
    def records(change, signal=None):
        def apply(folder):
            path = folder / file
            content = path.read_bytes()
            head = 256 * 5
            was = np.frombuffer(content[head:], "<i2").reshape(-1, 130 + 10 + 10 + 2)
            now = np.asarray(change(was.copy()), "<i2")
            header = _put(content[:head], *EDF_FIELDS["records"], str(len(now)))
            path.write_bytes(header + now.tobytes())
            _marks_behind(folder, file, len(was), len(now), 1, signal)

        return apply

    def ecg(change):
        def of_records(body):
            trace = body[:, :130].astype(float).ravel() * 0.2
            trace = np.nan_to_num(change(trace, 130), nan=-6553.6)
            n = len(trace) // 130
            kept = body[np.minimum(np.arange(n), len(body) - 1)].copy()
            kept[:, :130] = np.clip(np.round(trace[: 130 * n] / 0.2), -32768, 32767).reshape(n, -1)
            return kept

        return of_records

    for name, change in _ecg_damages(generator):
        yield f"ECG, {name}", records(ecg(change), "ecg")
    for at in (60, 190, 230, 300):
        span = slice(at, at + 20)
        for name, change in {
            "twice": lambda b, span=span: np.insert(b, span.start, b[span], 0),
            "lost": lambda b, span=span: np.delete(b, span, 0),
            "of 0": lambda b, span=span: b * ~np.isin(np.arange(len(b)), np.r_[span])[:, None],
        }.items():
            yield f"20 records {name} at {at}", records(change)
    yield "bytes exchanged", records(lambda b: b.byteswap())
    yield "shifted by a byte", _bytes(file, lambda c: c[:1280] + b"\0" + c[1280:-1])


# ---- what recordings.tsv says of a sound file ----------------------------------------------------


def _declared_otherwise(folder):
    """Cells of recordings.tsv that do not fit the file."""
    for row in rows_of(folder, "recordings"):
        changes = {
            "unit": ("mV", "uV", "V", "ms", "s", "pct", "fraction", "mmHg", "kPa", "au"),
            "channel": ("ECG II", "smo2_vastus", "smo2_biceps", "Cuff", "cardiac", "none such"),
            "time_column": ("smo2_vastus", "none such", "n/a"),
            "sampling_rate_hz": ("1", "65", "128", "1000", "0"),
            "sync_marks_s": (
                *("n/a", "5", "500;5", "5;400", "15;500", "5;5", "5;501", "5.05;500"),
            ),
            "clock_offset_s": ("25",),
            "signal": ("ecg", "rr", "muscle_oxygen", "cuff_pressure", "respiration"),
        }
        for column, entries in changes.items():
            for entry in entries:
                if entry != str(getattr(row, column, None)):
                    name = f"recordings.tsv, row {row.row_number}: {column} = {entry}"
                    yield Damage(name, row.participant_id, _cell(row, column, entry))


def _cell(row, column, entry):
    def apply(folder):
        path = folder / "recordings.tsv"
        table = pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)
        if column not in table:
            table[column] = "n/a"
        table.loc[row.row_number - 2, column] = entry
        table.to_csv(path, sep="\t", index=False, lineterminator="\n")

    return apply


# ---- judged --------------------------------------------------------------------------------------


def moved(damaged, sound, module):
    """Whether an outcome is another finding than in the sound recording."""
    share = 3 * MOVED if module.FAMILY in ("spectrum", "breathing") else MOVED
    least = LEAST_MOVED.get(module.LABEL, LEAST_MOVED.get(module.UNIT, 0.0))
    return abs(damaged - sound) > max(share * abs(sound), least)


def what_came(damage, whole, sound, folder):
    """What came of one damage, and the outcomes that are wrong in silence."""
    study = folder / "study"
    shutil.rmtree(study, ignore_errors=True)
    shutil.copytree(whole, study)
    damage.apply(study)
    try:
        outcomes = outcomes_of(study, damage.participant)
    except StudyError as fault:
        return ("refused" if "recordings.tsv" in str(fault) else "refused without a place"), []
    except Exception as fault:  # noqa: BLE001 a traceback is what is looked for
        return f"traceback {type(fault).__name__}: {fault}", []
    told, wrong = False, []
    for key, was in sound[damage.participant].items():
        now = outcomes.get(key)
        if now is None or now["status"] != was["status"]:
            told = True
        if now is None or now["status"] != "ok":
            continue
        if was["status"] == "ok" and moved(now["value"], was["value"], outcome_modules()[key[2]]):
            wrong.append((*key, was["value"], now["value"]))
    return ("WRONG" if wrong else "told" if told else "same"), wrong


def run_cases(n=None, seed=1):
    """(counts of what came, (name, what came, wrong outcomes) of each that went wrong)."""
    warnings.simplefilter("ignore")
    counts, faults = Counter(), []
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "whole"
        write_sound_study(whole)
        chosen = list(damages(whole, np.random.default_rng(seed)))
        if n is not None and n < len(chosen):
            chosen = random.Random(seed).sample(chosen, n)  # noqa: S311 no secret
        sound = {person: outcomes_of(whole, person) for person in VISITS}
        for damage in chosen:
            came, wrong = what_came(damage, whole, sound, Path(folder))
            counts[came.partition(":")[0]] += 1
            if came not in ("refused", "told", "same"):
                faults.append((damage.name, came, wrong))
    return counts, faults


def main():
    parser = parser_of("benchmark damaged_recordings", __doc__)
    parser.add_argument("--cases", type=int, help="so many, drawn with a seed; all without it")
    counts, faults = run_cases(parser.parse_args().cases)
    for came, n in sorted(counts.items()):
        print(f"{n:6d} {came}")
    for name, came, wrong in faults:
        print(f"  {name}: {came}")
        for event, window, outcome, was, now in wrong[:4]:
            print(f"      {outcome} in {window} of {event}: {was:.4g}, now {now:.4g}")
    sys.exit(bool(faults))


if __name__ == "__main__":
    with suppress(BrokenPipeError):
        main()
