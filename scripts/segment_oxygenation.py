"""Clean one person's saturation and find, for every set, the sensor on its working muscle."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.oxygenation import clean_saturation, unusable_spans
from session_sheet import events_of, table_of
from signal_store import joined, read_stretches
from step import Input, Output, run
from tabular import write_table

TRACE_COLUMNS = ["session_id", "signal", "file", "channel", "site", "side", "position"]
QUALITY_COLUMNS = [
    "participant_id",
    "session_id",
    "signal",
    "file",
    "site",
    "segment",
    "start_s",
    "end_s",
    "usable_pct",
    "dropouts",
    "verdict",
    "reason",
]
SEGMENT_COLUMNS = [
    "session_id",
    "event_onset_s",
    "exercise",
    "file",
    "channel",
    "site",
    "position",
    "cuff_recorded_mmhg",
    "status",
    "reason",
]


def segment_oxygenation(
    signals: Input,
    saturation: Output,
    segments: Output,
    quality: Output,
    *,
    study: str,
    participant: str,
    working_muscle: dict,
    stuck_s: float,
    slip_pct_per_s: float,
    dropout_jump_pct: float,
    leak_longest_s: float,
):
    limits = {
        "stuck_s": stuck_s,
        "slip_pct_per_s": slip_pct_per_s,
        "dropout_jump_pct": dropout_jump_pct,
        "leak_longest_s": leak_longest_s,
    }
    edits = table_of(study, "edits", participant)
    stretches = read_stretches(signals, ["muscle_oxygen", "total_haemoglobin", "cuff_pressure"])
    traces, verdicts = [], []
    for labels, of_recording in by_recording(stretches):
        time_s, value = joined(of_recording)
        if labels["signal"] == "muscle_oxygen":
            cleaned = without_excluded_spans(
                clean_saturation(time_s, value, **limits), edits, labels["session_id"]
            )
            verdicts.append(quality_of(cleaned, labels, participant))
        else:
            cleaned = pd.DataFrame({"time_s": time_s, "smo2_pct": value, "reason": ""})
        traces.append(cleaned.rename(columns={"smo2_pct": "value"}).assign(**labels))
    write_traces(traces, saturation)
    events = events_of(study, participant)
    rows = [
        segment_of(event, stretches, working_muscle)
        for event in events[events["trial_type"] == "set"].itertuples()
    ]
    write_table(pd.DataFrame(rows, columns=SEGMENT_COLUMNS), segments)
    found = pd.concat(verdicts, ignore_index=True) if verdicts else pd.DataFrame()
    write_table(found.reindex(columns=QUALITY_COLUMNS), quality)


def by_recording(stretches):
    """Stretches of each recording together, with the labels that they share."""
    recordings = {}
    for stretch in stretches:
        labels = tuple(getattr(stretch, name) for name in TRACE_COLUMNS)
        recordings.setdefault(labels, []).append(stretch)
    for labels, of_recording in recordings.items():
        yield dict(zip(TRACE_COLUMNS, labels, strict=True)), of_recording


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


def quality_of(cleaned, labels, participant):
    """A row on the whole recording and one on every span of it that cannot be used."""
    spans = unusable_spans(cleaned)
    usable = cleaned["smo2_pct"].notna().mean() * 100 if len(cleaned) else 0.0
    whole = {
        "segment": "recording",
        "start_s": cleaned["time_s"].min(),
        "end_s": cleaned["time_s"].max(),
        "usable_pct": usable,
        "dropouts": len(spans),
        "verdict": "accepted" if usable else "rejected",
        "reason": "" if usable else "no reading can be used",
    }
    rejected = spans.assign(segment="span", usable_pct=0.0, verdict="rejected")
    shown = {name: labels[name] for name in ("session_id", "signal", "file", "site")}
    return pd.concat([pd.DataFrame([whole]), rejected], ignore_index=True).assign(
        participant_id=participant, **shown
    )


def segment_of(event, stretches, working_muscle):
    """The sensor that counts for a set, or why none does, and the cuff pressure recorded in it."""
    of_session = [s for s in stretches if s.session_id == event.session_id]
    sensors = {(s.file, s.channel): s for s in of_session if s.signal == "muscle_oxygen"}
    wanted = working_muscle.get(event.exercise)
    on_muscle = [s for s in sensors.values() if wanted is None or s.site == wanted]
    row = {
        "session_id": event.session_id,
        "event_onset_s": event.onset_s,
        "exercise": event.exercise,
        "cuff_recorded_mmhg": recorded_pressure(event, of_session),
        "status": "refused",
    }
    if not sensors:
        return row | {"reason": "no saturation was recorded in this session"}
    if not on_muscle:
        return row | {"reason": f"no sensor on {wanted}, the working muscle of {event.exercise}"}
    if wanted is None and len({s.site for s in on_muscle}) > 1:
        return row | {
            "reason": f"several sensors and no working muscle named for {event.exercise}: "
            "set segment_oxygenation.working_muscle"
        }
    sensor = on_muscle[0]
    proximal = sensor.position == "proximal"
    return row | {
        "file": sensor.file,
        "channel": sensor.channel,
        "site": sensor.site,
        "position": sensor.position,
        "status": "flagged" if proximal else "ok",
        "reason": "the sensor lies proximal to the cuff" if proximal else "",
    }


def recorded_pressure(event, of_session):
    """Median recorded cuff pressure during a set in mmHg; None without a pressure recording."""
    time_s, value = joined([s for s in of_session if s.signal == "cuff_pressure"])
    inside = (time_s >= event.onset_s) & (time_s <= event.onset_s + event.duration_s)
    return float(pd.Series(value[inside]).median()) if inside.any() else None


def write_traces(traces, path):
    """All cleaned traces of a person below each other, as Parquet."""
    columns = [*TRACE_COLUMNS, "time_s", "value", "reason", "level_segment"]
    table = pd.concat(traces, ignore_index=True) if traces else pd.DataFrame(columns=columns)
    table = table.reindex(columns=columns)
    table["level_segment"] = table["level_segment"].fillna(0).astype("int32")
    table = table.astype({"time_s": float, "value": float})
    labels = [pa.field(name, pa.string()) for name in TRACE_COLUMNS]
    numbers = [pa.field("time_s", pa.float64()), pa.field("value", pa.float64())]
    schema = pa.schema(
        [*labels, *numbers, pa.field("reason", pa.string()), pa.field("level_segment", pa.int32())]
    )
    arrow = pa.Table.from_pandas(table, schema=schema, preserve_index=False)
    pq.write_table(arrow.replace_schema_metadata(None), path, compression="zstd")


if __name__ == "__main__":
    run(segment_oxygenation)
