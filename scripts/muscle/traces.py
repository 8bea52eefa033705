"""Traces of the muscles of one person: cleaned, judged, and written into one file."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from muscle.cleaning import clean_saturation, unusable_spans
from muscle.concentration import HAEMOGLOBIN
from recordings.store import TRACE_COLUMNS, by_recording, joined
from study.problems import StudyError


def cleaned_traces(stretches, edits, settings):
    """Every recording of a muscle: its labels and its table, in the order of the stretches.

    Saturation is cleaned and loses the spans that a person excluded (columns of
    `clean_saturation`); haemoglobin stays as it is (time_s, value, reason).
    """
    traces, recorded = [], {}
    for labels, of_recording in by_recording(stretches):
        time_s, readings = joined(of_recording)
        if labels["signal"] == "muscle_oxygen":
            cleaned = clean_saturation(
                time_s,
                readings,
                stuck_s=settings.stuck_s,
                slip_pct_per_s=settings.slip_pct_per_s,
                dropout_jump_pct=settings.dropout_jump_pct,
                leak_longest_s=settings.leak_longest_s,
            )
            trace = without_excluded_spans(cleaned, edits, labels["session_id"])
            recorded.setdefault(labels["session_id"], []).append(time_s)
        elif labels["signal"] in HAEMOGLOBIN:
            trace = pd.DataFrame({"time_s": time_s, "value": readings, "reason": ""})
        else:
            continue
        traces.append((labels | {"unit": of_recording[0].unit}, trace))
    refuse_spans_without_samples(edits, recorded)
    return traces


def refuse_spans_without_samples(edits, recorded):
    """StudyError where a person excluded a span of saturation in which nothing was recorded.

    `recorded`: times of every recording of saturation, in s, by session.
    """
    spans = edits[(edits["signal"] == "muscle_oxygen") & (edits["action"] == "exclude_span")]
    for edit in spans.itertuples():
        times = recorded.get(edit.session_id, [])
        if not any(((t >= edit.time_s) & (t <= edit.end_s)).any() for t in times):
            raise StudyError(
                f"edits.tsv, {edit.participant_id} {edit.session_id}: edit {edit.edit_id} "
                f"(exclude_span): no saturation was recorded from {edit.time_s:g} to "
                f"{edit.end_s:g} s; correct the times or take the row out"
            )


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


def quality_table(traces, cautions, participant):
    """Of every recording of saturation a row on the whole and one per span that cannot be used."""
    qualities = [
        row
        for labels, trace in traces
        if labels["signal"] == "muscle_oxygen"
        for row in quality_of(trace, labels, cautions)
    ]
    return pd.DataFrame(qualities).assign(participant_id=participant)


def quality_of(cleaned, labels, cautions):
    """A row on the whole recording, then one on every span of it that cannot be used."""
    spans = unusable_spans(cleaned)
    shown = {name: labels[name] for name in ("session_id", "signal", "file", "site")}
    usable = cleaned["smo2_pct"].notna().mean() * 100 if len(cleaned) else 0.0
    caution = cautions.get((labels["session_id"], labels["file"], labels["channel"]), "")
    yield shown | {
        "segment": "recording",
        "start_s": cleaned["time_s"].min(),
        "end_s": cleaned["time_s"].max(),
        "usable_pct": usable,
        "dropouts": len(spans),
        "verdict": "accepted" if usable else "rejected",
        "reason": caution if usable else "no reading can be used",
    }
    for span in spans.to_dict("records"):
        limits = {name: span[name] for name in ("start_s", "end_s", "reason")}
        yield shown | limits | {"segment": "span", "usable_pct": 0.0, "verdict": "rejected"}


def write_traces(traces, path):
    """All traces of a person, as Parquet."""
    labels = [name for name in SCHEMA.names if name != "time_s"]
    # evenly rising times share most bytes of each place: two fifths of the file
    pq.write_table(
        trace_table(traces),
        path,
        compression="zstd",
        compression_level=9,
        use_dictionary=labels,
        column_encoding={"time_s": "BYTE_STREAM_SPLIT"},
    )


def trace_table(traces):
    """All traces of a person below each other, as an Arrow table.

    `traces`: as `cleaned_traces` gives them.
    """
    tables = [_arrow_trace(labels, table) for labels, table in traces]
    return pa.concat_tables([SCHEMA.empty_table(), *tables])


SCHEMA = pa.schema(
    [
        *(pa.field(name, pa.string()) for name in (*TRACE_COLUMNS, "unit")),
        *(pa.field(name, pa.float64()) for name in ("time_s", "value")),
        pa.field("reason", pa.string()),
        pa.field("level_segment", pa.int32()),
    ]
)


def _arrow_trace(labels, table):
    n = len(table)
    table = table.rename(columns={"smo2_pct": "value"})
    level_segment = table["level_segment"] if "level_segment" in table else np.zeros(n)
    return pa.table(
        [
            *(
                pa.repeat(pa.scalar(labels[name], pa.string()), n)
                for name in (*TRACE_COLUMNS, "unit")
            ),
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
