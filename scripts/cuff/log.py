"""The session sheet's cuffs and sets against the pressures that were recorded.

`events` and `sets` are rows of the sheet; a cuff is one recording of pressure: a dictionary with
session_id, file, site, the limb and side that it was recorded on (None where not named) and trace,
its times in seconds and pressures in mmHg. Conventions of this project.
"""

import numpy as np
import pandas as pd

from cuff.pressure import (
    check_cuff_pressure,
    find_inflations,
    held_pressure,
    propose_cuff_boundaries,
)
from recordings.boundaries import compare_boundaries
from recordings.limbs import limb_in_words, same_limb


def timed(sets):
    return sets[sets["onset_s"].notna() & sets["duration_s"].notna()]


def of_cuff(table, cuff):
    """Rows of one session that a pressure recording may belong to, by limb and side."""
    own = table[table["session_id"] == cuff["session_id"]]
    apart = [
        same_limb(row.limb, row.side, cuff["limb"], cuff["side"]) is False
        for row in own.itertuples()
    ]
    return own[~np.array(apart, dtype=bool)]


def compared_cuffs(events, sets, cuff, settings):
    """Inflations of one pressure recording against the cuffs of the sheet.

    Where the sheet has no cuffs, against its sets: an inflation must cover one with a pressure.
    """
    inflated = {
        "inflated_mmhg": settings.inflated_mmhg,
        "shortest_s": settings.shortest_phase_s,
    }
    proposals = propose_cuff_boundaries(*cuff["trace"], **inflated)
    noted = of_cuff(events[events["trial_type"] == "cuff"], cuff)
    if len(noted):
        # at 0 mmHg nothing is inflated; an unknown pressure may be
        noted = noted[~(noted["cuff_pressure_mmhg"] == 0)]
        log = pd.concat(
            [
                pd.DataFrame({"time_s": noted["onset_s"], "boundary": "cuff_on"}),
                pd.DataFrame(
                    {"time_s": noted["onset_s"] + noted["duration_s"], "boundary": "cuff_off"}
                ),
            ],
            ignore_index=True,
        ).sort_values("time_s", ignore_index=True)
        table = compare_boundaries(
            log,
            proposals,
            tolerance_s=settings.boundary_tolerance_s,
            farthest_s=settings.farthest_boundary_s,
        )
    else:
        table = proposals.rename(columns={"time_s": "proposed_s"})
        worked = timed(of_cuff(sets, cuff))
        worked = worked[worked["cuff_pressure_mmhg"] > 0]
        covered = covering(find_inflations(*cuff["trace"], **inflated), worked)
        table["status"] = np.where(table["proposed_s"].isin(covered), "ok", "flagged")
        table["reason"] = np.where(
            table["status"] == "ok",
            "the sheet has no cuffs; the inflation covers a set with a pressure",
            "the sheet has no cuffs, and the inflation covers no set with a pressure",
        )
    return table.assign(**{name: cuff[name] for name in ("session_id", "file", "site")})


def covering(inflations, sets):
    """Starts and ends of the inflations during which a set was done."""
    starts_s = inflations["start_s"].fillna(-np.inf)
    ends_s = inflations["end_s"].fillna(np.inf)
    limits = []
    for one in sets.itertuples():
        during = (starts_s < one.onset_s + one.duration_s) & (ends_s > one.onset_s)
        limits += [*inflations.loc[during, "start_s"], *inflations.loc[during, "end_s"]]
    return limits


def checked_cuffs(events, sets, cuffs, settings, protocol):
    """Recorded pressure of every cuff and every set of the sheet against what was noted."""
    for session_id in sorted({cuff["session_id"] for cuff in cuffs}):
        of_session = [
            cuff | {"held": held_pressure(*cuff["trace"], smooth_s=settings.pressure_smooth_s)}
            for cuff in cuffs
            if cuff["session_id"] == session_id
        ]
        noted = events[(events["session_id"] == session_id) & (events["trial_type"] == "cuff")]
        noted = noted.assign(planned_mmhg=noted["cuff_pressure_mmhg"].astype(float))
        done = timed(sets[sets["session_id"] == session_id])
        done = done.assign(planned_mmhg=planned_pressure(done, protocol.no_cuff_condition))
        spans = pd.concat([noted, done], ignore_index=True).sort_values("onset_s", kind="stable")
        for span in spans.to_dict("records"):
            yield checked_span(span, of_session, noted, settings, protocol)


def planned_pressure(sets, no_cuff_condition):
    """Pressure noted for each set; without a note 0 in the condition without cuff, else unknown."""
    noted = sets["cuff_pressure_mmhg"].astype(float)
    return noted.mask(noted.isna() & (sets["condition"] == no_cuff_condition), 0.0)


def noted_course(events, no_cuff_condition):
    """Pressure of one session over time as the sheet has it, and where it is unknown.

    Gives times in s, from 0 to the last release, pressures in mmHg (NaN while unknown) and the
    unknown spans (start, end). A set without a cuff row of its limb stands for itself. Where the
    sheet has no cuff rows and a set of unknown pressure, nothing is known between the sets either.
    """
    cuffs = timed(events[events["trial_type"] == "cuff"]).astype({"cuff_pressure_mmhg": float})
    sets = timed(events[events["trial_type"] == "set"])
    alone = sets[~np.array([any(_during(row, cuffs)) for row in sets.itertuples()], dtype=bool)]
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
    time_s, value = np.array(points).T
    return time_s, value, unknown


def _during(event, cuffs):
    """Which cuffs are inflated at some time of a set, on what may be its limb."""
    for cuff in cuffs.itertuples():
        here = same_limb(event.limb, event.side, cuff.limb, cuff.side) is not False
        before_end = cuff.onset_s < event.onset_s + event.duration_s
        yield here and before_end and cuff.onset_s + cuff.duration_s > event.onset_s


def checked_span(span, cuffs, noted, settings, protocol):
    """One cuff or set against the recordings of its own limb, and those of other limbs."""
    agree = [same_limb(span["limb"], span["side"], c["limb"], c["side"]) for c in cuffs]
    own = [cuff for cuff, agrees in zip(cuffs, agree, strict=True) if agrees is not False]
    named = [cuff for cuff, agrees in zip(cuffs, agree, strict=True) if agrees]
    planned = pd.DataFrame([{k: span[k] for k in ("onset_s", "duration_s", "planned_mmhg")}])
    labels = {name: span[name] for name in ("trial_type", "exercise", "bout", "condition")}
    labels |= {name: span[name] for name in ("session_id", "limb", "side")}
    if named:
        own = named
    if not own:
        where = " and ".join(limb_in_words(cuff) for cuff in cuffs)
        reason = f"pressure was recorded on the {where} only"
        found = planned.assign(status="missing", reason=reason)
    elif len(own) > 1 and not named:
        reason = "several pressures were recorded and none names its limb or side"
        found = planned.assign(status="missing", reason=reason)
    else:
        found = pd.concat(
            [
                against_plan(cuff, planned, settings, protocol).assign(file=cuff["file"])
                for cuff in own
            ],
            ignore_index=True,
        )
    others = [cuff for cuff, agrees in zip(cuffs, agree, strict=True) if agrees is False]
    doubts = list(doubts_about(span, others, noted, settings, protocol))
    if doubts:
        reasons = ["; ".join([reason, *doubts] if reason else doubts) for reason in found["reason"]]
        found = found.assign(status="flagged", reason=reasons)
    return found.assign(**labels)


def against_plan(cuff, planned, settings, protocol):
    """One pressure recording against planned spans, by the limits of the settings."""
    return check_cuff_pressure(
        cuff["held"],
        planned,
        tolerance_mmhg=protocol.pressure_tolerance_mmhg,
        inflated_mmhg=settings.inflated_mmhg,
        settle_s=settings.pressure_settle_s,
    )


def doubts_about(span, others, noted, settings, protocol):
    """What is wrong with a set beside the pressure on its own limb."""
    if span["trial_type"] != "set":
        return
    pressure = span["cuff_pressure_mmhg"]
    if span["condition"] == protocol.no_cuff_condition and pressure > settings.inflated_mmhg:
        yield f"{pressure:.0f} mmHg noted in condition {protocol.no_cuff_condition}"
    for cuff in others:
        planned = pd.DataFrame([{**span, "planned_mmhg": 0.0}])
        found = against_plan(
            cuff, planned[["onset_s", "duration_s", "planned_mmhg"]], settings, protocol
        ).iloc[0]
        elsewhere = noted[
            (noted["onset_s"] < span["onset_s"] + span["duration_s"])
            & (noted["onset_s"] + noted["duration_s"] > span["onset_s"])
        ]
        meant = any(
            same_limb(row.limb, row.side, cuff["limb"], cuff["side"])
            for row in elsewhere.itertuples()
        )
        if found["status"] == "flagged" and not meant:
            yield (
                f"the cuff on the {limb_in_words(cuff)} holds {found['actual_mmhg']:.0f} mmHg, "
                f"the set works the {limb_in_words(span)}"
            )
