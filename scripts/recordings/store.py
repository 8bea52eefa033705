"""Signals of one person in one Parquet file: a row is one unbroken stretch on the session clock.

Evenly sampled stretches keep their start and step, so that time has no rounding and no cost; the
others keep a time per value.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from recordings.recording import Stretch

SCHEMA = pa.schema(
    [
        ("session_id", pa.string()),
        ("signal", pa.string()),
        ("file", pa.string()),
        ("channel", pa.string()),
        ("site", pa.string()),
        ("side", pa.string()),
        ("position", pa.string()),
        ("unit", pa.string()),
        ("stretch", pa.int32()),
        ("start_s", pa.float64()),
        ("step_s", pa.float64()),
        ("time_s", pa.list_(pa.float64())),
        ("value", pa.list_(pa.float32())),
    ]
)

TRACE_COLUMNS = ["session_id", "signal", "file", "channel", "site", "side", "position"]
LABELS = (*TRACE_COLUMNS, "unit")

# times share most bytes with their neighbours; a recorder knows few levels, each is kept once
_ENCODED = {
    "column_encoding": {"time_s.list.element": "BYTE_STREAM_SPLIT"},
    "use_dictionary": [*LABELS, "value.list.element"],
    "dictionary_pagesize_limit": 1 << 24,
}


@dataclass(frozen=True, eq=False, kw_only=True)
class SessionStretch(Stretch):
    """A stretch on the session clock: what it is of, and its number within its recording.

    For beat intervals `time_s` begins with the beat that begins the first of them.
    """

    session_id: str
    signal: str
    file: str
    channel: str | None
    site: str | None
    side: str | None
    position: str | None
    unit: str
    number: int


def write_stretches(stretches, path):
    """Write stretches to a Parquet file that depends on nothing but its content."""
    tables = []
    for s in stretches:
        labels = (getattr(s, name) for name in LABELS)
        times = np.asarray(s.time_s, float) if s.step_s is None else None
        tables.append((*labels, s.number, s.start_s, s.step_s, times, s.value.astype(np.float32)))
    columns = list(zip(*tables, strict=True)) or [()] * len(SCHEMA)
    table = pa.table(
        [pa.array(column, field.type) for column, field in zip(columns, SCHEMA, strict=True)],
        schema=SCHEMA,
    )
    pq.write_table(table, path, compression="zstd", compression_level=6, **_ENCODED)


def read_stretches(path, signals=None, session_id=None):
    """Stretches of the named signals, of one session or of all, in the order of the file."""
    table = read_parquet(path)
    stretches = []
    for n in range(table.num_rows):
        row = {name: table.column(name)[n] for name in SCHEMA.names}
        if signals and row["signal"].as_py() not in signals:
            continue
        if session_id is not None and row["session_id"].as_py() != session_id:
            continue
        samples = _array(row["value"]).astype(float)
        start_s, step_s = row["start_s"].as_py(), row["step_s"].as_py()
        if step_s is None:
            time_s = _array(row["time_s"])
        else:
            time_s = start_s + step_s * np.arange(len(samples))
        stretches.append(
            SessionStretch(
                **{name: row[name].as_py() for name in LABELS},
                number=row["stretch"].as_py(),
                start_s=start_s,
                step_s=step_s,
                time_s=time_s,
                value=samples,
            )
        )
    return stretches


def _array(cell):
    """A list of numbers in a row as an array, shape (n,)."""
    return cell.values.to_numpy(zero_copy_only=False)


def read_parquet(path, columns=None, as_codes=None):
    """A Parquet file as a table of pyarrow, without its library of data sets: that loads longer.

    Columns of text in `as_codes` come as dictionaries of their values with a code for each row.
    """
    with pq.ParquetFile(path, read_dictionary=as_codes) as file:
        return file.read(columns, use_threads=False)


def joined(stretches):
    """Time and value of several stretches after one another, sorted by time."""
    if not stretches:
        return np.empty(0), np.empty(0)
    order = sorted(stretches, key=lambda s: s.time_s[0] if len(s.time_s) else 0.0)
    return np.concatenate([s.time_s for s in order]), np.concatenate([s.value for s in order])


def by_recording(stretches):
    """Stretches of each recording together, with the labels that they share."""
    recordings = {}
    for stretch in stretches:
        labels = tuple(getattr(stretch, name) for name in TRACE_COLUMNS)
        recordings.setdefault(labels, []).append(stretch)
    for labels, of_recording in recordings.items():
        yield dict(zip(TRACE_COLUMNS, labels, strict=True)), of_recording
