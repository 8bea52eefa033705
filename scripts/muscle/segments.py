"""Sets of a person through the muscle of each: limits proposed, supplied, compared and tabled."""

import numpy as np
import pandas as pd

from cuff.noted_pressures import compared_cuffs
from cuff.recorded_pressures import recorded_pressure
from muscle.boundaries import propose_boundaries
from muscle.contractions import Cadences
from muscle.sensors import SENSOR_COLUMNS, on_sensor
from muscle.supplied_times import supply_times
from recordings.boundaries import compare_boundaries
from results.columns import columns_of
from study.session_sheet import exercise_and_bout

# limits of a set on the sheet, by the name that they have among boundaries
LIMITS = {"set_start": "start", "set_end": "end"}


def proposals_of_sensors(traces, sets, settings, protocol):
    """Labels and proposed boundaries of every sensor that lies on the working muscle of a set.

    `traces`: as `cleaned_traces` gives them; `sets`: with the sensor of each.
    """
    cadences = Cadences(
        protocol.slowest_cadence_hz, protocol.fastest_cadence_hz, protocol.samples_per_contraction
    )
    return [
        (
            labels,
            propose_boundaries(
                trace["time_s"],
                trace["smo2_pct"],
                cadences,
                ripple_window_s=settings.ripple_window_s,
                shortest_phase_s=settings.shortest_phase_s,
                bend_reach_s=settings.bend_reach_s,
                steep_pct_per_s=settings.steep_pct_per_s,
            ),
        )
        for labels, trace in traces
        if labels["signal"] == "muscle_oxygen" and on_sensor(sets, labels).any()
    ]


def with_supplied_times(sets, proposals, settings):
    """Times that the sheet lacks, from the sensor on the working muscle where that is allowed.

    Adds `supplied` (what was), `supplied_se_s` and `untimed` (why a set still has no time).
    """
    lacking = sets["onset_s"].isna() | sets["duration_s"].isna()
    refused = sets["sensor_status"] == "refused"
    reason = sets["sensor_reason"].where(refused, "no reading can be used")
    if not settings.supply_boundaries:
        reason = "the sheet has no time for it"
    sets = sets.assign(supplied="", supplied_se_s=np.nan).assign(untimed="")
    sets["untimed"] = sets["untimed"].mask(lacking, reason)
    for labels, offered in proposals if settings.supply_boundaries else ():
        wanted = on_sensor(sets, labels)
        if not (wanted & lacking).any():
            continue
        of_session = sets["session_id"] == labels["session_id"]
        times = supply_times(
            sets[of_session].assign(wanted=wanted[of_session]),
            offered,
            smallest_confidence=settings.smallest_supply_confidence,
            tolerance_s=settings.boundary_tolerance_s,
        )
        at = sets.index[wanted & lacking]
        times = times.rename(columns={"se_s": "supplied_se_s", "reason": "untimed"})
        for column in ("onset_s", "duration_s", "supplied", "supplied_se_s", "untimed"):
            sets.loc[at, column] = times.loc[at, column]
    return sets


def compared_sets(sets, labels, proposals, settings):
    """Starts and ends of the sets whose working muscle one sensor sits on: log and recording.

    Rows of boundaries.tsv. A limit that was supplied stands with the log empty, one that neither
    has with the reason.
    """
    of_sensor = sets[on_sensor(sets, labels)]
    limits_s = {
        "set_start": of_sensor["onset_s"],
        "set_end": of_sensor["onset_s"] + of_sensor["duration_s"],
    }
    supplied = {
        boundary: of_sensor["supplied"].str.contains(word).to_numpy(bool)
        for boundary, word in LIMITS.items()
    }
    noted = [
        {"time_s": time_s, "boundary": boundary}
        for boundary, times_s in limits_s.items()
        for time_s in times_s[~supplied[boundary]].dropna()
    ]
    compared = compare_boundaries(
        pd.DataFrame(noted, columns=["time_s", "boundary"]).sort_values("time_s"),
        proposals,
        tolerance_s=settings.boundary_tolerance_s,
        farthest_s=settings.farthest_boundary_s,
    )
    taken_s = {name: set(limits_s[name][supplied[name]]) for name in LIMITS}
    for row in compared:
        if np.isnan(row["log_s"]) and row["proposed_s"] in taken_s.get(row["boundary"], ()):
            reason = f"supplied: the sheet has no {LIMITS[row['boundary']]} of it"
            row |= {"status": "flagged", "reason": reason}
    untimed = of_sensor[of_sensor["untimed"] != ""]
    if len(untimed):
        compared += [_without_time(row) for row in untimed.itertuples()]
    return compared


def _without_time(event):
    return {
        "boundary": "set_end" if pd.notna(event.onset_s) else "set_start",
        "status": "missing",
        "reason": f"{exercise_and_bout(event)} has no time on the sheet and got none: "
        f"{event.untimed}",
    }


def segment_table(sets, cuffs):
    """One row per set: its time, the sensor that counts for it, the cuff pressure recorded."""
    recorded = [recorded_pressure(row, cuffs) for row in sets.itertuples()]
    return sets.assign(
        event_onset_s=sets["onset_s"],
        cuff_recorded_mmhg=pd.Series(recorded, index=sets.index, dtype=float),
        **{name: sets[f"sensor_{name}"] for name in SENSOR_COLUMNS},
    )[columns_of("segments")]


def boundary_table(events, sets, proposals, cuffs, settings):
    """Limits of sets and inflations of cuffs: what the sheet says beside the recordings.

    `proposals`: labels and proposed boundaries of sensors; `cuffs`: recordings of pressure.
    """
    compared = [
        *(
            (labels, compared_sets(sets, labels, offered, settings))
            for labels, offered in proposals
        ),
        *((cuff, compared_cuffs(events, sets, cuff, settings)) for cuff in cuffs),
    ]
    return pd.DataFrame(
        [
            {name: labels[name] for name in ("session_id", "file", "site")} | row
            for labels, boundaries in compared
            for row in boundaries
        ]
    )
