"""Clean one person's saturation, find the sensor on the working muscle of every set, and compare
the log with what the recordings show of sets and cuffs."""

import pandas as pd

from cuff.compared import (
    BOUNDARY_COLUMNS,
    CUFF_COLUMNS,
    by_recording,
    compared_sets,
    in_order_of_sheet,
    pressure_recordings,
)
from cuff.log import checked_cuffs, compared_cuffs
from engine.step import Input, Output, run
from muscle.boundaries import propose_boundaries
from muscle.cleaning import clean_saturation, depth_doubt
from muscle.segments import (
    QUALITY_COLUMNS,
    SENSOR_COLUMNS,
    TRACE_COLUMNS,
    on_sensor,
    quality_of,
    segment_table,
    sensor_of_set,
    with_supplied_times,
    without_excluded_spans,
    write_traces,
)
from recordings.store import joined, read_stretches
from results.tables import stack, write_table
from study.session_sheet import events_of, table_of


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
    write_table(stack(compared, BOUNDARY_COLUMNS).assign(participant_id=participant), boundaries)
    checks = checked_cuffs(events, sets, cuffs, no_cuff_condition, checking)
    write_table(stack(checks, CUFF_COLUMNS).assign(participant_id=participant), cuff_checks)
    write_table(stack(verdicts, QUALITY_COLUMNS), quality)


if __name__ == "__main__":
    run(segment_oxygenation)
