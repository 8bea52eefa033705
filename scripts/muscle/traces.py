"""Cleaned traces of a person: spans that a person excluded, quality, and the file of all."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from muscle.cleaning import unusable_spans
from recordings.store import TRACE_COLUMNS
from results.tables import stack


def without_excluded_spans(cleaned, edits, session_id):
    """Spans that a person excluded, unusable for the reason that the person gave."""
    spans = edits[
        (edits["session_id"] == session_id)
        & (edits["signal"] == "muscle_oxygen")
        & (edits["action"] == "exclude_span")
    ]
    for edit in spans.itertuples():
        inside = cleaned["time_s"].between(edit.time_s, edit.end_s)
        cleaned = cleaned.assign(
            smo2_pct=cleaned["smo2_pct"].mask(inside),
            reason=cleaned["reason"].mask(
                inside, f"edit {edit.edit_id} by {edit.editor}: {edit.reason}"
            ),
        )
    return cleaned


def quality_of(cleaned, labels, participant, doubts):
    """A row on the whole recording and one on every span of it that cannot be used."""
    spans = unusable_spans(cleaned)
    usable = cleaned["smo2_pct"].notna().mean() * 100 if len(cleaned) else 0.0
    doubt = doubts.get((labels["session_id"], labels["file"], labels["channel"]), "")
    whole = {
        "segment": "recording",
        "start_s": cleaned["time_s"].min(),
        "end_s": cleaned["time_s"].max(),
        "usable_pct": usable,
        "dropouts": len(spans),
        "verdict": "accepted" if usable else "rejected",
        "reason": doubt if usable else "no reading can be used",
    }
    rejected = spans.assign(segment="span", usable_pct=0.0, verdict="rejected")
    shown = {name: labels[name] for name in ("session_id", "signal", "file", "site")}
    return stack([pd.DataFrame([whole]), rejected], "quality").assign(
        participant_id=participant, **shown
    )


def write_traces(traces, path):
    """All traces of a person, as Parquet."""
    pq.write_table(trace_table(traces), path, compression="zstd")


def trace_table(traces):
    """All traces of a person below each other, as an Arrow table.

    `traces`: pairs of the labels of a recording and its table: time_s, value, reason and, where
    slips part its levels, level_segment.
    """
    tables = [_one_trace(labels, table) for labels, table in traces]
    return pa.concat_tables([SCHEMA.empty_table(), *tables])


SCHEMA = pa.schema(
    [
        *(pa.field(name, pa.string()) for name in TRACE_COLUMNS),
        *(pa.field(name, pa.float64()) for name in ("time_s", "value")),
        pa.field("reason", pa.string()),
        pa.field("level_segment", pa.int32()),
    ]
)


def _one_trace(labels, table):
    n = len(table)
    level_segment = table["level_segment"] if "level_segment" in table else np.zeros(n)
    return pa.table(
        [
            *(pa.repeat(pa.scalar(labels[name], pa.string()), n) for name in TRACE_COLUMNS),
            # a reading that cannot be used is absent, as in every table
            *(
                pa.array(table[name], pa.float64(), from_pandas=True)
                for name in ("time_s", "value")
            ),
            pa.array(table["reason"], pa.string()),
            pa.array(np.asarray(level_segment, dtype="int32")),
        ],
        schema=SCHEMA,
    ).combine_chunks()
