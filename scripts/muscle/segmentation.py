"""One person's saturation cleaned, and the sets of the log seen in the recordings."""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd

from cuff.checks import check_table
from cuff.recorded_pressures import pressure_recordings
from muscle.concentration import HAEMOGLOBIN
from muscle.segments import (
    boundary_table,
    proposals_of_sensors,
    segment_table,
    with_supplied_times,
)
from muscle.sensors import depth_cautions, sets_with_sensors
from muscle.traces import cleaned_traces, quality_table

MUSCLE_SIGNALS = ("muscle_oxygen", *HAEMOGLOBIN, "cuff_pressure")


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
    cautions = depth_cautions(recordings, settings.reached_depth_share)
    cuffs = list(pressure_recordings(stretches, recordings))
    traces = cleaned_traces(stretches, edits, settings)
    sets = sets_with_sensors(events, stretches, settings.working_muscle, cautions)
    proposals = proposals_of_sensors(traces, sets, settings, protocol)
    sets = with_supplied_times(sets, proposals, settings)
    compared = boundary_table(events, sets, proposals, cuffs, settings)
    checks = check_table(events, sets, cuffs, settings, protocol)
    return Segmentation(
        traces,
        segment_table(sets, cuffs),
        compared.assign(participant_id=participant),
        checks.assign(participant_id=participant),
        quality_table(traces, cautions, participant),
    )
