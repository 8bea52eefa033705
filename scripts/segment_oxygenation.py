"""Clean one person's saturation, find the sensor on the working muscle of every set, and compare
the log with what the recordings show of sets and cuffs."""

import pandas as pd

from cuff.log import checked_cuffs, compared_cuffs
from cuff.recorded import pressure_recordings
from engine.step import Input, Output, run
from muscle.boundaries import propose_boundaries
from muscle.cleaning import clean_saturation, depth_doubt
from muscle.segments import (
    compared_sets,
    in_order_of_sheet,
    segment_table,
    with_supplied_times,
)
from muscle.sensors import SENSOR_COLUMNS, on_sensor, sensor_of_set
from muscle.traces import quality_of, without_excluded_spans, write_traces
from recordings.store import TRACE_COLUMNS, by_recording, joined, read_stretches
from results.tables import stack, write
from study.session_sheet import events_of, table_of
from study.settings import Protocol, SegmentOxygenation


def segment_oxygenation(
    signals: Input,
    saturation: Output,
    segments: Output,
    boundaries: Output,
    cuff_checks: Output,
    oxygenation_quality: Output,
    *,
    study: str,
    participant: str,
    settings: SegmentOxygenation,
    protocol: Protocol,
):
    events = events_of(study, participant)
    edits = table_of(study, "edits", participant)
    recordings = table_of(study, "recordings", participant)
    stretches = read_stretches(signals, ["muscle_oxygen", "total_haemoglobin", "cuff_pressure"])
    doubts = {
        (row.session_id, row.file, row.channel): depth_doubt(
            row.adipose_thickness_mm,
            row.source_detector_mm,
            reached_share=settings.reached_depth_share,
        )
        for row in recordings[recordings["signal"] == "muscle_oxygen"].itertuples()
    }
    sets = in_order_of_sheet(events[events["trial_type"] == "set"])
    sensors = [
        sensor_of_set(row, stretches, settings.working_muscle, doubts) for row in sets.itertuples()
    ]
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
                clean_saturation(
                    time_s,
                    value,
                    stuck_s=settings.stuck_s,
                    slip_pct_per_s=settings.slip_pct_per_s,
                    dropout_jump_pct=settings.dropout_jump_pct,
                    leak_longest_s=settings.leak_longest_s,
                ),
                edits,
                labels["session_id"],
            )
            verdicts.append(quality_of(cleaned, labels, participant, doubts))
            if on_sensor(sets, labels).any():
                proposals[tuple(labels.values())] = propose_boundaries(
                    cleaned["time_s"],
                    cleaned["smo2_pct"],
                    slowest_hz=protocol.slowest_cadence_hz,
                    fastest_hz=protocol.fastest_cadence_hz,
                    min_samples_per_contraction=protocol.samples_per_contraction,
                    ripple_window_s=settings.ripple_window_s,
                    shortest_phase_s=settings.shortest_phase_s,
                    bend_reach_s=settings.bend_reach_s,
                    steep_pct_per_s=settings.steep_pct_per_s,
                )
        else:
            cleaned = pd.DataFrame({"time_s": time_s, "smo2_pct": value, "reason": ""})
        traces.append((labels, cleaned.rename(columns={"smo2_pct": "value"})))
    sets = with_supplied_times(
        sets,
        proposals,
        settings.supply_boundaries,
        settings.smallest_supply_confidence,
        settings.boundary_tolerance_s,
    )
    compared = [
        compared_sets(sets, dict(zip(TRACE_COLUMNS, labels, strict=True)), offered, settings)
        for labels, offered in proposals.items()
    ]
    cuffs = list(pressure_recordings(stretches, recordings))
    compared += [compared_cuffs(events, sets, cuff, settings) for cuff in cuffs]
    write_traces(traces, saturation)
    write(segment_table(sets, cuffs), "segments", segments)
    compared = stack(compared, "boundaries").assign(participant_id=participant)
    write(compared, "boundaries", boundaries)
    checks = checked_cuffs(events, sets, cuffs, settings, protocol)
    checks = stack(checks, "cuff_checks").assign(participant_id=participant)
    write(checks, "cuff_checks", cuff_checks)
    write(stack(verdicts, "quality"), "quality", oxygenation_quality)


if __name__ == "__main__":
    run(segment_oxygenation)
