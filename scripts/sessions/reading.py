"""The results of one person as the pages of their sessions need them, by session."""

from collections import defaultdict
from pathlib import Path

import numpy as np

from recordings.store import TRACE_COLUMNS, read_parquet
from results.manifest import sha256_of
from results.tables import lines_of
from sessions.content import Session

REVIEWED_SIGNALS = ("ecg", "rr", "muscle_oxygen")


def sessions_of(participant, visits, events, stretches, files, recorded):
    """Every session of one person that anything is known of, in order of name.

    `visits` gives the number of the visit by session, `events` the person's session sheet,
    `stretches` their recordings, `files` the paths of their result tables, `recorded` the files of
    `recorded_files`.
    """
    tables = {
        "segments": rows_by_session(files["segments"]),
        "outcomes": rows_by_session(files["outcomes"]),
        "windows": rows_by_session(files["window_quality"]),
        "spans": rows_by_session(files["beat_quality"], segment="span"),
    }
    beats = rows_by_session(files["beats"])
    respiration = rows_by_session(files["respiration"])
    traces = traces_by_session(files["saturation"])
    recordings = defaultdict(list)
    for stretch in stretches:
        recordings[stretch.session_id].append(stretch)
    names = {*visits, *events["session_id"], *recordings, *traces, *beats}
    names = names.union(respiration, *tables.values())
    return [
        Session(
            participant,
            name,
            visits.get(name),
            events[events["session_id"] == name],
            recordings.get(name, []),
            traces.get(name, []),
            columns(
                beats.get(name, []), ("time_s", "nn_time_s", "nn_ms"), ("kind", "source", "reason")
            ),
            columns(respiration.get(name, []), ("time_s", "rate_hz"), ("status",)),
            **{table: by_session.get(name, []) for table, by_session in tables.items()},
            files=recorded.get(name, []),
        )
        for name in sorted(names)
    ]


def recorded_files(study, recordings, stretches):
    """Signal, SHA-256 and span in s of each file that a person can decide about, by session.

    `recordings` are the person's rows of recordings.tsv. The span is None where `stretches` hold
    none of the file.
    """
    by_session = defaultdict(list)
    named = recordings[recordings["signal"].isin(REVIEWED_SIGNALS)]
    for row in named.drop_duplicates(["session_id", "signal", "file"]).itertuples():
        of_file = [
            s.time_s
            for s in stretches
            if (s.session_id, s.signal, s.file) == (row.session_id, row.signal, row.file)
            and len(s.time_s)
        ]
        by_session[row.session_id].append(
            {
                "signal": row.signal,
                "sha256": sha256_of(Path(study, row.file_inside)),
                "from_s": round(float(min(t[0] for t in of_file)), 3) if of_file else None,
                "to_s": round(float(max(t[-1] for t in of_file)), 3) if of_file else None,
            }
        )
    return dict(by_session)


def rows_by_session(path, **only):
    """Rows of a result table as text, cells as printed, None where missing."""
    by_session = defaultdict(list)
    with lines_of(path) as file:
        names = _cells(next(file))
        for line in file:
            row = dict(zip(names, _cells(line), strict=True))
            if all(row[name] == wanted for name, wanted in only.items()):
                by_session[row["session_id"]].append(row)
    return dict(by_session)


def _cells(line):
    """Cells of a line of a result table, which are never quoted and hold no tab."""
    return [None if cell == "n/a" else cell for cell in line.rstrip("\n").split("\t")]


def columns(table, numbers, words):
    """Columns of a table as text: numbers as arrays, NaN where missing, words as lists."""
    arrays = {
        name: np.array([np.nan if row[name] is None else float(row[name]) for row in table])
        for name in numbers
    }
    return arrays | {name: [row[name] for row in table] for name in words}


def traces_by_session(path):
    """Cleaned sensors of each session: labels, times in s, values, and why a reading was refused.

    A sensor is named after its muscle, and after side, place or channel where muscles repeat.
    """
    table = read_parquet(path, as_codes=[*TRACE_COLUMNS, "reason"])
    numbers = {name: table[name].to_numpy() for name in ("time_s", "value")}
    codes = np.zeros(table.num_rows, dtype=int)
    for name in TRACE_COLUMNS:
        column = table[name].combine_chunks()
        indices = column.indices.fill_null(len(column.dictionary)).to_numpy()
        codes = codes * (len(column.dictionary) + 1) + indices
    reasons = table["reason"].combine_chunks()
    reason_of = [*reasons.dictionary.to_pylist(), ""]
    reason_codes = reasons.indices.fill_null(len(reason_of) - 1).to_numpy()
    begins = np.flatnonzero(np.diff(codes, prepend=-1))
    sensors = []
    for begin, end in zip(begins, np.append(begins, table.num_rows)[1:], strict=True):
        labels = {name: table[name][int(begin)].as_py() for name in TRACE_COLUMNS}
        times = {name: column[begin:end] for name, column in numbers.items()}
        reason = [reason_of[code] or "" for code in reason_codes[begin:end]]
        sensors.append(labels | times | {"reason": reason})
    by_session = defaultdict(list)
    for sensor in sensors:
        by_session[sensor["session_id"]].append(sensor)
    return {
        name: [named(s, of_session) for s in of_session] for name, of_session in by_session.items()
    }


def named(sensor, sensors):
    """A sensor with its name among those of its session."""
    muscle = sensor["site"] or "muscle"
    alike = [
        s for s in sensors if s["signal"] == sensor["signal"] and (s["site"] or "muscle") == muscle
    ]
    parts = [sensor["side"], sensor["position"], sensor["channel"]] if len(alike) > 1 else []
    return sensor | {"name": ", ".join([muscle, *(part for part in parts if part)])}
