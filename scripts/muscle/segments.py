"""The sensor on the working muscle of every set, and its saturation through the visit."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from cuff.log import recorded_pressure
from muscle.cleaning import unusable_spans
from muscle.supplied_times import supply_times
from results.columns import columns_of
from results.tables import stack

TRACE_COLUMNS = ["session_id", "signal", "file", "channel", "site", "side", "position"]

SENSOR_COLUMNS = ["file", "channel", "site", "position", "status", "reason"]


def on_sensor(sets, labels):
    """Which sets have their working muscle under the sensor of a recording."""
    return (
        (sets["session_id"] == labels["session_id"])
        & (sets["sensor_file"] == labels["file"])
        & (sets["sensor_channel"].fillna("") == (labels["channel"] or ""))
    )


def with_supplied_times(sets, proposals, allowed, smallest_confidence, tolerance_s):
    """Times that the sheet lacks, from the sensor on the working muscle where that is allowed.

    Adds `supplied` (what was), `supplied_se_s` and `untimed` (why a set still has no time).
    """
    lacking = sets["onset_s"].isna() | sets["duration_s"].isna()
    refused = sets["sensor_status"] == "refused"
    reason = sets["sensor_reason"].where(refused, "no reading can be used")
    if not allowed:
        reason = "the sheet has no time for it"
    sets = sets.assign(supplied="", supplied_se_s=np.nan).assign(untimed="")
    sets["untimed"] = sets["untimed"].mask(lacking, reason)
    for labels, offered in proposals.items() if allowed else ():
        labels = dict(zip(TRACE_COLUMNS, labels, strict=True))
        here = sets["session_id"] == labels["session_id"]
        wanted = on_sensor(sets, labels)
        if not (wanted & lacking).any():
            continue
        found = supply_times(
            sets[here].assign(wanted=wanted[here]),
            offered,
            smallest_confidence=smallest_confidence,
            tolerance_s=tolerance_s,
        )
        own = sets.index[wanted & lacking]
        for column, source in (
            ("onset_s", "onset_s"),
            ("duration_s", "duration_s"),
            ("supplied", "supplied"),
            ("supplied_se_s", "se_s"),
            ("untimed", "reason"),
        ):
            sets.loc[own, column] = found.loc[own, source]
    return sets


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


def sensor_of_set(event, stretches, working_muscle, doubts):
    """The sensor that counts for a set, or why none does."""
    sensors = {
        (s.file, s.channel): s
        for s in stretches
        if s.session_id == event.session_id and s.signal == "muscle_oxygen"
    }
    wanted = working_muscle.get(event.exercise)
    on_muscle = [s for s in sensors.values() if wanted is None or s.site == wanted]
    if not sensors:
        return _no_sensor("no saturation was recorded in this session")
    if not on_muscle:
        named = "" if wanted == "n/a" else f"{wanted}, "
        return _no_sensor(f"no sensor on {named}the working muscle of {event.exercise}")
    if wanted is None and len({s.site for s in on_muscle}) > 1:
        return _no_sensor(
            f"several sensors and no working muscle named for {event.exercise}: "
            "set segment_oxygenation.working_muscle"
        )
    sensor = on_muscle[0]
    found = [
        "the sensor lies proximal to the cuff" if sensor.position == "proximal" else "",
        doubts.get((event.session_id, sensor.file, sensor.channel), ""),
    ]
    return {
        "file": sensor.file,
        "channel": sensor.channel,
        "site": sensor.site,
        "position": sensor.position,
        "status": "flagged" if any(found) else "ok",
        "reason": "; ".join(filter(None, found)),
    }


def _no_sensor(reason):
    return {"status": "refused", "reason": reason}


def segment_table(sets, cuffs):
    """One row per set: its time, the sensor that counts for it, the cuff pressure recorded."""
    recorded = [recorded_pressure(row, cuffs) for row in sets.itertuples()]
    return sets.assign(
        event_onset_s=sets["onset_s"],
        cuff_recorded_mmhg=pd.Series(recorded, index=sets.index, dtype=float),
        **{name: sets[f"sensor_{name}"] for name in SENSOR_COLUMNS},
    )[columns_of("segments")]


def write_traces(traces, path):
    """All cleaned traces of a person below each other, as Parquet."""
    columns = columns_of("saturation")
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
