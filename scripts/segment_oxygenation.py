"""Clean one person's saturation, find the sensor on the working muscle of every set, and compare
the log with what the recordings show of sets and cuffs."""

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.oxygenation import clean_saturation, unusable_spans
from analysis.segmentation import check_cuff_pressure, compare_boundaries, propose_boundaries
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
BOUNDARY_COLUMNS = [
    *("participant_id", "session_id", "file", "site", "boundary", "log_s", "proposed_s"),
    *("difference_s", "se_s", "confidence", "source", "status", "reason"),
]
CUFF_COLUMNS = [
    *("participant_id", "session_id", "exercise", "bout", "condition", "limb", "side", "onset_s"),
    *("duration_s", "planned_mmhg", "actual_mmhg", "lowest_mmhg", "highest_mmhg", "leak_from_s"),
    *("status", "reason"),
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
    boundaries: Output,
    cuff_checks: Output,
    quality: Output,
    *,
    study: str,
    participant: str,
    working_muscle: dict,
    stuck_s: float,
    slip_pct_per_s: float,
    dropout_jump_pct: float,
    leak_longest_s: float,
    ripple_window_s: float,
    shortest_phase_s: float,
    bend_reach_s: float,
    steep_pct_per_s: float,
    inflated_mmhg: float,
    boundary_tolerance_s: float,
    farthest_boundary_s: float,
    pressure_settle_s: float,
    pressure_smooth_s: float,
    pressure_tolerance_mmhg: float,
    slowest_cadence_hz: float,
    fastest_cadence_hz: float,
    samples_per_contraction: float,
):
    cleaning = {
        "stuck_s": stuck_s,
        "slip_pct_per_s": slip_pct_per_s,
        "dropout_jump_pct": dropout_jump_pct,
        "leak_longest_s": leak_longest_s,
    }
    proposing = {
        "slowest_hz": slowest_cadence_hz,
        "fastest_hz": fastest_cadence_hz,
        "min_samples_per_contraction": samples_per_contraction,
        "ripple_window_s": ripple_window_s,
        "shortest_phase_s": shortest_phase_s,
        "bend_reach_s": bend_reach_s,
        "steep_pct_per_s": steep_pct_per_s,
        "inflated_mmhg": inflated_mmhg,
    }
    checking = {
        "tolerance_mmhg": pressure_tolerance_mmhg,
        "inflated_mmhg": inflated_mmhg,
        "settle_s": pressure_settle_s,
        "smooth_s": pressure_smooth_s,
    }
    events = events_of(study, participant)
    edits = table_of(study, "edits", participant)
    stretches = read_stretches(signals, ["muscle_oxygen", "total_haemoglobin", "cuff_pressure"])
    sets = [
        segment_of(event, stretches, working_muscle)
        for event in events[events["trial_type"] == "set"].itertuples()
    ]
    segment_table = pd.DataFrame(sets, columns=SEGMENT_COLUMNS)
    traces, verdicts, compared = [], [], []
    for labels, of_recording in by_recording(stretches):
        if labels["signal"] == "cuff_pressure":
            continue
        time_s, value = joined(of_recording)
        if labels["signal"] == "muscle_oxygen":
            cleaned = without_excluded_spans(
                clean_saturation(time_s, value, **cleaning), edits, labels["session_id"]
            )
            verdicts.append(quality_of(cleaned, labels, participant))
            log = boundaries_of_log(labels, segment_table, events)
            if len(log):
                proposals = propose_boundaries(cleaned["time_s"], cleaned["smo2_pct"], **proposing)
                compared.append(
                    compare_boundaries(
                        log,
                        proposals,
                        tolerance_s=boundary_tolerance_s,
                        farthest_s=farthest_boundary_s,
                    ).assign(participant_id=participant, **labels)
                )
        else:
            cleaned = pd.DataFrame({"time_s": time_s, "smo2_pct": value, "reason": ""})
        traces.append(cleaned.rename(columns={"smo2_pct": "value"}).assign(**labels))
    write_traces(traces, saturation)
    write_table(segment_table, segments)
    write_table(_stacked(compared, BOUNDARY_COLUMNS), boundaries)
    write_table(
        _stacked(checked_cuffs(events, stretches, participant, checking), CUFF_COLUMNS),
        cuff_checks,
    )
    write_table(_stacked(verdicts, QUALITY_COLUMNS), quality)


def _stacked(tables, columns):
    filled = [table for table in tables if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return stacked.reindex(columns=columns)


def boundaries_of_log(labels, segments, events):
    """Starts and ends of the sets whose working muscle one sensor sits on, as the log has them."""
    own = segments[
        (segments["session_id"] == labels["session_id"])
        & (segments["file"] == labels["file"])
        & (segments["channel"].fillna("") == (labels["channel"] or ""))
    ]
    sets = events[
        (events["trial_type"] == "set")
        & (events["session_id"] == labels["session_id"])
        & events["onset_s"].isin(own["event_onset_s"])
    ]
    starts = pd.DataFrame({"time_s": sets["onset_s"], "boundary": "set_start"})
    ends = pd.DataFrame({"time_s": sets["onset_s"] + sets["duration_s"], "boundary": "set_end"})
    return pd.concat([starts, ends], ignore_index=True).sort_values("time_s", ignore_index=True)


def checked_cuffs(events, stretches, participant, checking):
    """Recorded cuff pressure of every noted inflation, and of sets that should have none."""
    for session_id in sorted({s.session_id for s in stretches}):
        own = [s for s in stretches if s.session_id == session_id and s.signal == "cuff_pressure"]
        of_session = events[events["session_id"] == session_id]
        cuffs = of_session[of_session["trial_type"] == "cuff"]
        if not own or cuffs.empty:
            continue
        planned = pd.DataFrame(
            {
                "onset_s": cuffs["onset_s"],
                "duration_s": cuffs["duration_s"],
                "planned_mmhg": cuffs["cuff_pressure_mmhg"].fillna(0.0).astype(float),
            }
        )
        found = check_cuff_pressure(*joined(own), planned, **checking)
        labels = cuffs[["exercise", "limb", "side", "condition", "bout"]].reset_index(drop=True)
        yield pd.concat([found.reset_index(drop=True), labels], axis=1).assign(
            participant_id=participant, session_id=session_id
        )


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
