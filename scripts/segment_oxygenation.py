"""Clean one person's saturation, find the sensor on the working muscle of every set, and compare
the log with what the recordings show of sets and cuffs."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.cuff_log import checked_cuffs, compared_cuffs, recorded_pressure
from analysis.oxygenation import clean_saturation, depth_doubt, unusable_spans
from analysis.segmentation import compare_boundaries, propose_boundaries
from analysis.supplied_times import supply_times
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
    *("participant_id", "session_id", "trial_type", "exercise", "bout", "condition", "limb"),
    *("side", "onset_s", "duration_s", "file", "planned_mmhg", "actual_mmhg", "lowest_mmhg"),
    *("highest_mmhg", "leak_from_s", "status", "reason"),
]
SENSOR_COLUMNS = ["file", "channel", "site", "position", "status", "reason"]
SEGMENT_COLUMNS = [
    *("session_id", "place_on_sheet", "event_onset_s", "duration_s", "supplied", "supplied_se_s"),
    *("untimed", "exercise", "cuff_recorded_mmhg", *SENSOR_COLUMNS),
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
    no_cuff_condition: str | None,
    reached_depth_share: float,
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
    supply_boundaries: bool,
    smallest_supply_confidence: float,
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
    }
    inflating = {"inflated_mmhg": inflated_mmhg, "shortest_s": shortest_phase_s}
    comparing = {"tolerance_s": boundary_tolerance_s, "farthest_s": farthest_boundary_s}
    checking = {
        "tolerance_mmhg": pressure_tolerance_mmhg,
        "inflated_mmhg": inflated_mmhg,
        "settle_s": pressure_settle_s,
        "smooth_s": pressure_smooth_s,
    }
    events = events_of(study, participant)
    edits = table_of(study, "edits", participant)
    recordings = table_of(study, "recordings", participant)
    stretches = read_stretches(signals, ["muscle_oxygen", "total_haemoglobin", "cuff_pressure"])
    doubts = {
        (row.session_id, row.file, row.channel): depth_doubt(
            row.adipose_thickness_mm, row.source_detector_mm, reached_share=reached_depth_share
        )
        for row in recordings[recordings["signal"] == "muscle_oxygen"].itertuples()
    }
    sets = in_order_of_sheet(events[events["trial_type"] == "set"])
    sensors = [sensor_of_set(row, stretches, working_muscle, doubts) for row in sets.itertuples()]
    sets = sets.assign(
        **{f"sensor_{name}": [s.get(name) for s in sensors] for name in SENSOR_COLUMNS}
    )
    traces, verdicts, proposals = [], [], {}
    for labels, of_recording in by_recording(stretches):
        if labels["signal"] == "cuff_pressure":
            continue
        time_s, value = joined(of_recording)
        if labels["signal"] == "muscle_oxygen":
            cleaned = without_excluded_spans(
                clean_saturation(time_s, value, **cleaning), edits, labels["session_id"]
            )
            verdicts.append(quality_of(cleaned, labels, participant, doubts))
            if on_sensor(sets, labels).any():
                proposals[tuple(labels.values())] = propose_boundaries(
                    cleaned["time_s"], cleaned["smo2_pct"], **proposing
                )
        else:
            cleaned = pd.DataFrame({"time_s": time_s, "smo2_pct": value, "reason": ""})
        traces.append(cleaned.rename(columns={"smo2_pct": "value"}).assign(**labels))
    sets = with_supplied_times(
        sets, proposals, supply_boundaries, smallest_supply_confidence, boundary_tolerance_s
    )
    compared = [
        compared_sets(sets, dict(zip(TRACE_COLUMNS, labels, strict=True)), offered, comparing)
        for labels, offered in proposals.items()
    ]
    cuffs = list(pressure_recordings(stretches, recordings))
    compared += [compared_cuffs(events, sets, cuff, inflating, comparing) for cuff in cuffs]
    write_traces(traces, saturation)
    write_table(segment_table(sets, cuffs), segments)
    write_table(_stacked(compared, BOUNDARY_COLUMNS).assign(participant_id=participant), boundaries)
    checks = checked_cuffs(events, sets, cuffs, no_cuff_condition, checking)
    write_table(_stacked(checks, CUFF_COLUMNS).assign(participant_id=participant), cuff_checks)
    write_table(_stacked(verdicts, QUALITY_COLUMNS), quality)


def _stacked(tables, columns):
    filled = [table for table in tables if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return stacked.reindex(columns=columns)


def in_order_of_sheet(sets):
    """Sets in the order of the session sheet, each with its place among the rows of the person."""
    order = sets.sort_values("row_number", kind="stable").reset_index(drop=True)
    return order.assign(place_on_sheet=np.arange(len(order)))


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


def compared_sets(sets, labels, proposals, comparing):
    """Starts and ends of the sets whose working muscle one sensor sits on: log and recording.

    A limit that was supplied stands with the log empty, one that neither has with the reason.
    """
    own = sets[on_sensor(sets, labels)]
    ends_s = own["onset_s"] + own["duration_s"]
    start_noted = own["onset_s"].notna() & ~own["supplied"].str.contains("start")
    end_noted = ends_s.notna() & ~own["supplied"].str.contains("end")
    noted = pd.concat(
        [
            pd.DataFrame({"time_s": own["onset_s"][start_noted], "boundary": "set_start"}),
            pd.DataFrame({"time_s": ends_s[end_noted], "boundary": "set_end"}),
        ],
        ignore_index=True,
    ).sort_values("time_s", ignore_index=True)
    table = compare_boundaries(noted, proposals, **comparing)
    for boundary, word, time_s in (
        ("set_start", "start", own["onset_s"]),
        ("set_end", "end", ends_s),
    ):
        supplied = time_s[own["supplied"].str.contains(word)]
        taken = (table["boundary"] == boundary) & table["log_s"].isna()
        taken &= table["proposed_s"].isin(supplied)
        table["status"] = table["status"].mask(taken, "flagged")
        table["reason"] = table["reason"].mask(taken, f"supplied: the sheet has no {word} of it")
    still = own[own["untimed"] != ""]
    lacking = pd.DataFrame(
        [
            {
                "boundary": "set_end" if pd.notna(row.onset_s) else "set_start",
                "status": "missing",
                "reason": f"{place_of(row)} has no time on the sheet and got none: {row.untimed}",
            }
            for row in still.itertuples()
        ]
    )
    return _stacked([table, lacking], BOUNDARY_COLUMNS).assign(
        **{name: labels[name] for name in ("session_id", "file", "site")}
    )


def place_of(row):
    """Exercise and bout of a set or a cuff in words."""
    exercise = row.exercise if isinstance(row.exercise, str) else row.trial_type
    return exercise if pd.isna(row.bout) else f"{exercise} bout {row.bout:.0f}"


def pressure_recordings(stretches, recordings):
    """Every recording of a cuff's pressure, with the limb and side that recordings.tsv names."""
    for labels, of_recording in by_recording(stretches):
        if labels["signal"] != "cuff_pressure":
            continue
        row = recordings[
            (recordings["session_id"] == labels["session_id"])
            & (recordings["file"] == labels["file"])
            & (recordings["channel"].fillna("") == (labels["channel"] or ""))
            & (recordings["signal"] == "cuff_pressure")
        ].iloc[0]
        yield labels | {"limb": row["limb"], "side": row["side"], "trace": joined(of_recording)}


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
    return _stacked([pd.DataFrame([whole]), rejected], QUALITY_COLUMNS).assign(
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
    )[SEGMENT_COLUMNS]


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
