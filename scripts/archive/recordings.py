"""Recordings of an archive, on the session clock, with the rows of recordings.tsv that read them.

Even samples stand as BIDS physiology in beh/. Beat intervals have no even rate and no form in BIDS;
they, recordings with gaps and other uneven readings stand in sourcedata/ as tables of times and
values.
"""

import re
from collections import Counter
from dataclasses import replace

import numpy as np

from recordings.store import SessionStretch, by_recording
from recordings.writing import write_gzip, write_json
from study.tables import Recording

TASK = "cuff"

# signals of one kind share a table where they share file and grid
KINDS = {
    "ecg": "ecg",
    "rr": "intervals",
    "cuff_pressure": "cuff",
    "respiration": "respiration",
    **dict.fromkeys(
        ("muscle_oxygen", "oxy_haemoglobin", "deoxy_haemoglobin", "total_haemoglobin"),
        "oxygenation",
    ),
}

# names of columns that BIDS reserves
_COLUMN = {"ecg": "cardiac", "respiration": "respiratory"}

_UNIT = {"pct": "%", "g_dl": "g/dl", "umol_l": "umol/l", "au": "a.u."}

_DESCRIPTION = {
    "muscle_oxygen": "Muscle oxygen saturation",
    "oxy_haemoglobin": "Oxygenated haemoglobin",
    "deoxy_haemoglobin": "Deoxygenated haemoglobin",
    "total_haemoglobin": "Total haemoglobin",
    "cuff_pressure": "Pressure in the cuff, as recorded",
    "respiration": "Breathing",
    "ecg": "Electrocardiogram; a person can be recognised by it",
}

# of beats without an interval of their own: farther apart they begin another stretch
_LONGEST_INTERVAL_S = 3.0


def intervals_of_beats(beats, session, file):
    """Intervals of the beats that the detector saw in one session, as a stretch; None without.

    beats : rows of beats/<participant>.tsv, those among them that a person removed
    """
    seen = beats[(beats["source"] == "detector") | (beats["kind"] == "removed")]
    time_s = np.sort(seen["time_s"].to_numpy(float))
    interval_s = np.diff(time_s)
    within = interval_s <= _LONGEST_INTERVAL_S
    if not within.any():
        return None
    labels = dict.fromkeys(("channel", "site", "side", "position"))
    return SessionStretch(
        # as a recorder of intervals, which gives the beat that ends each
        **labels,
        session_id=session,
        signal="rr",
        file=file,
        unit="ms",
        number=0,
        start_s=time_s[0],
        step_s=None,
        time_s=np.concatenate([time_s[:1], time_s[1:][within]]),
        value=np.concatenate([[np.nan], 1000 * interval_s[within]]),
    )


class RecordingsWriter:
    """Writes recordings into an archive and gathers what its tables say of them.

    entries : rows of recordings.tsv, as dictionaries
    made_of : (participant, session, signal, former file) to the files made of it, each with its
        first and last time in s
    """

    def __init__(self, folder):
        self.folder = folder
        self.entries = []
        self.made_of = {}

    def add(self, participant, stretches, place_of, beside=lambda labels: {}):
        """Write the stretches of one person, with the labels of the archive.

        place_of : columns of recordings.tsv that place a recording, from its labels, first and last
            time; none where its place is not known
        beside : further columns of recordings.tsv, from the labels of a recording
        """
        tables = {}
        for labels, pieces in by_recording(stretches):
            session, signal, file = (labels[name] for name in ("session_id", "signal", "file"))
            piece = pieces[0] if len(pieces) == 1 else _as_one(pieces)
            placed = place_of(labels, piece.time_s[0], piece.time_s[-1])
            row = {"participant_id": participant, **labels, "unit": piece.unit}
            row |= beside(labels) | placed
            # without a place BIDS would take the start of the recording for that of the session
            if signal == "rr" or not placed or piece.step_s is None:
                tables[session, KINDS[signal], len(tables)] = [(row, _as_one([piece]))]
            else:
                grid = (file, piece.start_s, piece.step_s, len(piece.value))
                tables.setdefault((session, KINDS[signal], *grid), []).append((row, piece))
        numbers, of_kind = Counter(), Counter((session, kind) for session, kind, *_ in tables)
        for (session, kind, *_), columns in tables.items():
            numbers[session, kind] += 1
            number = numbers[session, kind] if of_kind[session, kind] > 1 else ""
            stem = f"{participant}_{session}_task-{TASK}_recording-{kind}{number}"
            is_even = columns[0][1].step_s is not None
            write = self._write_physio if is_even else self._write_readings
            self._remember(columns, *write(participant, session, stem, columns))

    def _write_physio(self, participant, session, stem, columns):
        names = _column_names([row for row, _ in columns])
        path = self.folder / participant / session / "beh" / f"{stem}_physio.tsv.gz"
        texts = [_in_digits(piece.value) for _, piece in columns]
        write_gzip(
            "".join("\t".join(line) + "\n" for line in zip(*texts, strict=True)), path, level=6
        )
        piece = columns[0][1]
        about = {
            "SamplingFrequency": float(1.0 / piece.step_s),
            "StartTime": float(piece.start_s),
            "Columns": names,
            "PhysioType": "generic",
            "TaskName": TASK,
        }
        about |= {name: _described(row) for name, (row, _) in zip(names, columns, strict=True)}
        write_json(about, path.with_name(f"{stem}_physio.json"))
        return path, [{"channel": name} for name in names]

    def _write_readings(self, participant, session, stem, columns):
        ((row, piece),) = columns
        path = self.folder / "sourcedata" / participant / session / f"{stem}_readings.tsv"
        name = "interval_ms" if row["signal"] == "rr" else row["signal"]
        readings = zip(piece.time_s, _in_digits(piece.value), strict=True)
        # the beat that begins a stretch of intervals carries none
        lines = [f"{t:.6f}\t{v}\n" for t, v in readings if v != "n/a" or row["signal"] != "rr"]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("".join([f"time_s\t{name}\n", *lines]), encoding="utf-8", newline="\n")
        return path, [{"channel": name, "time_column": "time_s"}]

    def _remember(self, columns, path, read_by):
        inside = path.relative_to(self.folder).as_posix()
        for (row, piece), how in zip(columns, read_by, strict=True):
            former = tuple(row[c] for c in ("participant_id", "session_id", "signal", "file"))
            span = (piece.time_s[0], piece.time_s[-1])
            self.made_of.setdefault(former, {})[inside] = span
            written = row | {"file": inside} | how
            self.entries.append({c: v for c, v in written.items() if c in Recording.model_fields})


def _as_one(pieces):
    """Stretches as one table of readings."""
    return replace(
        pieces[0],
        step_s=None,
        time_s=np.concatenate([piece.time_s for piece in pieces]),
        value=np.concatenate([piece.value for piece in pieces]),
    )


def _in_digits(samples):
    """Single-precision values in the fewest digits that give them back; n/a where there is none."""
    text = samples.astype(np.float32).astype(str)
    return np.where(np.isnan(samples), "n/a", text).tolist()


def _column_names(entries):
    names = []
    for row in entries:
        parts = [
            _COLUMN.get(row["signal"], row["signal"]),
            row.get("limb"),
            row["side"],
            row["site"],
        ]
        name = re.sub(r"\W+", "_", "_".join(filter(None, parts)).lower())
        same = sum(re.fullmatch(rf"{name}(_\d+)?", taken) is not None for taken in names)
        names.append(f"{name}_{same + 1}" if same else name)
    return names


def _described(row):
    where = [row["site"], row["side"], row["position"] and f"{row['position']} to the cuff"]
    placed = ", ".join(filter(None, where))
    said = _DESCRIPTION[row["signal"]]
    return {
        "Description": f"{said}: {placed}" if placed else said,
        "Units": _UNIT.get(row["unit"], row["unit"]),
    }
