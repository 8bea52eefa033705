"""One person's saturation cleaned, and the sets of the log seen in the recordings."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from cuff.log import checked_cuffs, compared_cuffs
from cuff.recorded import pressure_recordings
from muscle.boundaries import propose_boundaries
from muscle.cleaning import clean_saturation, depth_doubt
from muscle.segments import (
    compared_sets,
    in_order_of_sheet,
    segment_table,
    with_supplied_times,
)
from muscle.sensors import SENSOR_COLUMNS, on_sensor, sensor_of_set
from muscle.traces import quality_of, without_excluded_spans
from recordings.store import TRACE_COLUMNS, by_recording, joined
from results.tables import stack

MUSCLE_SIGNALS = ("muscle_oxygen", "total_haemoglobin", "cuff_pressure")


class Segmentation(NamedTuple):
    """`traces` as `muscle.traces.trace_table` takes them, all else as result tables."""

    traces: list[tuple[dict, pd.DataFrame]]
    segments: pd.DataFrame
    boundaries: pd.DataFrame
    cuff_checks: pd.DataFrame
    quality: pd.DataFrame


def segmentation_of_person(stretches, events, edits, recordings, participant, settings, protocol):
    """The saturation of a person cleaned, the sensor of every set, log and recordings compared.

    `stretches` are those of MUSCLE_SIGNALS, `events` come from `session_sheet.events_of`, `edits`
    and `recordings` are the person's rows of these tables, `settings` those of
    segment_oxygenation.
    """
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
    boundary_table = stack(compared, "boundaries").assign(participant_id=participant)
    checks = stack(checked_cuffs(events, sets, cuffs, settings, protocol), "cuff_checks")
    return Segmentation(
        traces,
        segment_table(sets, cuffs),
        boundary_table,
        checks.assign(participant_id=participant),
        stack(verdicts, "quality"),
    )
