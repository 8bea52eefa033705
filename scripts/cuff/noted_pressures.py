"""The session sheet's cuffs and sets against the pressures that were recorded.

`events` and `sets` are rows of the sheet; a cuff is one recording of pressure: a dictionary with
session_id, file, site, the limb and side that it was recorded on (None where not named) and trace,
its times in seconds and pressures in mmHg. Conventions of this project.
"""

import numpy as np
import pandas as pd

from cuff.pressure import find_inflations, propose_cuff_boundaries
from recordings.boundaries import compare_boundaries
from recordings.limbs import same_limb


def timed_events(sets):
    """Events of which the sheet has both start and length."""
    return sets[sets["onset_s"].notna() & sets["duration_s"].notna()]


def events_of_cuff(table, cuff):
    """Rows of one session that a pressure recording may belong to, by limb and side."""
    of_session = table[table["session_id"] == cuff["session_id"]]
    apart = [
        same_limb(row.limb, row.side, cuff["limb"], cuff["side"]) is False
        for row in of_session.itertuples()
    ]
    return of_session[~np.array(apart, dtype=bool)]


def compared_cuffs(events, sets, cuff, settings):
    """Inflations of one pressure recording against the cuffs of the sheet.

    Rows of boundaries.tsv. Where the sheet has no cuffs, against its sets: an inflation must cover
    one with a pressure.
    """
    inflated = {
        "inflated_mmhg": settings.inflated_mmhg,
        "shortest_s": settings.shortest_phase_s,
    }
    proposals = propose_cuff_boundaries(*cuff["trace"], **inflated)
    noted = events_of_cuff(events[events["trial_type"] == "cuff"], cuff)
    if len(noted):
        # at 0 mmHg nothing is inflated; an unknown pressure may be
        noted = noted[~(noted["cuff_pressure_mmhg"] == 0)]
        limits_s = {
            "cuff_on": noted["onset_s"],
            "cuff_off": noted["onset_s"] + noted["duration_s"],
        }
        log = [
            {"time_s": time_s, "boundary": boundary}
            for boundary, times_s in limits_s.items()
            for time_s in times_s
        ]
        return compare_boundaries(
            pd.DataFrame(log, columns=["time_s", "boundary"]).sort_values("time_s"),
            proposals,
            tolerance_s=settings.boundary_tolerance_s,
            farthest_s=settings.farthest_boundary_s,
        )
    worked = timed_events(events_of_cuff(sets, cuff))
    worked = worked[worked["cuff_pressure_mmhg"] > 0]
    covered_s = limits_covering_sets(find_inflations(*cuff["trace"], **inflated), worked)
    return [
        _beside_sets(proposal, proposal["time_s"] in covered_s)
        for proposal in proposals.to_dict("records")
    ]


def _beside_sets(proposal, covers):
    reason = "the sheet has no cuffs, and the inflation covers no set with a pressure"
    if covers:
        reason = "the sheet has no cuffs; the inflation covers a set with a pressure"
    known = {name: proposal[name] for name in ("boundary", "se_s", "confidence", "source")}
    verdict = {"status": "ok" if covers else "flagged", "reason": reason}
    return known | verdict | {"proposed_s": proposal["time_s"]}


def limits_covering_sets(inflations, sets):
    """Starts and ends of the inflations during which a set was done."""
    starts_s = inflations["start_s"].fillna(-np.inf)
    ends_s = inflations["end_s"].fillna(np.inf)
    limits = []
    for event in sets.itertuples():
        during = (starts_s < event.onset_s + event.duration_s) & (ends_s > event.onset_s)
        limits += [*inflations.loc[during, "start_s"], *inflations.loc[during, "end_s"]]
    return limits


def planned_pressure(sets, no_cuff_condition):
    """Pressure noted for each set; without a note 0 in the condition without cuff, else unknown."""
    noted = sets["cuff_pressure_mmhg"].astype(float)
    return noted.mask(noted.isna() & (sets["condition"] == no_cuff_condition), 0.0)


def with_recorded(sets, cuff_checks):
    """Sets with `recorded_mmhg`, the pressure recorded under their cuff, NaN where none was.

    `cuff_checks`: result table of this name.
    """
    key = ["participant_id", "session_id", "exercise", "bout"]
    if cuff_checks.empty:
        return sets.assign(recorded_mmhg=np.nan)
    of_sets = cuff_checks[(cuff_checks["trial_type"] == "set") & cuff_checks["bout"].notna()]
    recorded = of_sets.groupby(key)["actual_mmhg"].mean().to_dict()
    keys = zip(*(sets[name] for name in key), strict=True)
    return sets.assign(recorded_mmhg=[recorded.get(k, np.nan) for k in keys])


def noted_course(events, no_cuff_condition):
    """Pressure of one session over time as the sheet has it, and where it is unknown.

    Gives times in s, from 0 to the last release, pressures in mmHg (NaN while unknown) and the
    unknown spans (start, end). A set without a cuff row of its limb stands for itself. Where the
    sheet has no cuff rows and a set of unknown pressure, nothing is known between the sets either.
    """
    timed = timed_events(events)
    cuffs = timed[timed["trial_type"] == "cuff"].astype({"cuff_pressure_mmhg": float})
    sets = timed[timed["trial_type"] == "set"]
    inflations = list(cuffs.itertuples())
    noted = [any(_overlaps(row, inflations)) for row in sets.itertuples()]
    alone = sets[~np.array(noted, dtype=bool)]
    alone = alone.assign(cuff_pressure_mmhg=planned_pressure(alone, no_cuff_condition))
    alone = alone[~(alone["cuff_pressure_mmhg"] == 0)]
    spans = [
        (row.onset_s, row.onset_s + row.duration_s, row.cuff_pressure_mmhg)
        for table in (cuffs, alone)
        for row in table.itertuples()
    ]
    unknown = [(start_s, end_s) for start_s, end_s, pressure in spans if np.isnan(pressure)]
    released = np.nan if cuffs.empty and unknown else 0.0
    points = [(0.0, released)]
    for start_s, end_s, pressure in sorted(spans, key=lambda span: span[0]):
        points += [(start_s, released), (start_s, pressure), (end_s, pressure), (end_s, released)]
    time_s, pressure_mmhg = np.array(points).T
    return time_s, pressure_mmhg, unknown


def _overlaps(event, cuffs):
    """Which cuffs are inflated at some time of a set, on what may be its limb."""
    for cuff in cuffs:
        on_limb = same_limb(event.limb, event.side, cuff.limb, cuff.side) is not False
        before_end = cuff.onset_s < event.onset_s + event.duration_s
        yield on_limb and before_end and cuff.onset_s + cuff.duration_s > event.onset_s
