"""Sets of a person through the muscle of each: times supplied, compared and tabled."""

import numpy as np
import pandas as pd

from cuff.recorded import recorded_pressure
from muscle.sensors import SENSOR_COLUMNS, on_sensor
from muscle.supplied_times import supply_times
from recordings.boundaries import compare_boundaries
from recordings.store import TRACE_COLUMNS
from results.columns import columns_of
from results.tables import stack
from study.session_sheet import exercise_and_bout


def in_order_of_sheet(sets):
    """Sets in the order of the rows of the session sheet."""
    return sets.sort_values("row_number", kind="stable").reset_index(drop=True)


def compared_sets(sets, labels, proposals, settings):
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
    table = compare_boundaries(
        noted,
        proposals,
        tolerance_s=settings.boundary_tolerance_s,
        farthest_s=settings.farthest_boundary_s,
    )
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
                "reason": f"{exercise_and_bout(row)} has no time on the sheet and got none: "
                f"{row.untimed}",
            }
            for row in still.itertuples()
        ]
    )
    return stack([table, lacking], "boundaries").assign(
        **{name: labels[name] for name in ("session_id", "file", "site")}
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


def segment_table(sets, cuffs):
    """One row per set: its time, the sensor that counts for it, the cuff pressure recorded."""
    recorded = [recorded_pressure(row, cuffs) for row in sets.itertuples()]
    return sets.assign(
        event_onset_s=sets["onset_s"],
        cuff_recorded_mmhg=pd.Series(recorded, index=sets.index, dtype=float),
        **{name: sets[f"sensor_{name}"] for name in SENSOR_COLUMNS},
    )[columns_of("segments")]
