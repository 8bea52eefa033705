"""Pressures against measured occlusion pressures, symptoms, and checks that are missing."""

import pandas as pd

from cuff.blood_pressure import above_stop_limits
from cuff.log import planned_pressure
from cuff.occlusion import share_of_occlusion
from recordings.limbs import limb_in_words, same_limb
from study.session_sheet import exercise_and_bout

# of the skin distal to a cuff
WARNING_COLOURS = ("pale", "blue", "mottled")

CHECKS = ("cuff_pressure_mmhg", "pain", "numbness", "capillary_refill_s", "distal_flow")


def safety_table(visits, events, occlusion, checks, settings, protocol):
    """One row per visit, limb, side and posture of the sets: pressures, symptoms, findings.

    `visits`, `events`, `occlusion`: tables of the study; `checks`: cuff_checks.tsv of everybody,
    which may be empty; `settings`, `protocol`: the sections check_safety and protocol.
    """
    of_visit = dict(list(events.groupby(["participant_id", "session_id"])))
    return pd.DataFrame(
        [
            labels(visit) | row
            for visit in visits.itertuples()
            for row in rows_of_visit(
                of_visit.get((visit.participant_id, visit.session_id), events[:0]),
                visit.note,
                occlusion,
                of_same_visit(checks, visit),
                settings,
                protocol,
            )
        ]
    )


def labels(visit):
    return {
        "participant_id": visit.participant_id,
        "session_id": visit.session_id,
        "visit": visit.visit,
    }


def of_same_visit(checks, visit):
    if checks.empty:
        return checks
    return checks[
        (checks["participant_id"] == visit.participant_id)
        & (checks["session_id"] == visit.session_id)
    ]


def rows_of_visit(events, note, occlusion, checks, settings, protocol):
    """Rows of the table of safety for one visit, without the names of the visit."""
    noted = events[events["trial_type"] == "cuff"]
    sets = events[events["trial_type"] == "set"].astype({"limb": object})
    sets = sets.assign(cuff_pressure_mmhg=planned_pressure(sets, protocol.no_cuff_condition))
    if sets.empty:
        yield {"findings": note or "no set was noted"}
    for (limb, side, posture), limb_sets in sets.groupby(["limb", "side", "posture"], dropna=False):
        cuffs = of_limb(noted, limb)
        row = {
            "condition": "; ".join(dict.fromkeys(limb_sets["condition"])),
            "limb": limb,
            "side": side,
            "posture": posture,
            "sets": len(limb_sets),
            **share_of_occlusion(limb_sets, limb, side, posture, occlusion),
            **restriction(cuffs),
            "stopped_early": sum(stopped is True for stopped in limb_sets["stopped_early"]),
            "symptoms": symptoms(limb_sets, settings),
            "missing_checks": missing_checks(limb_sets),
        }
        findings = [
            *beyond_limits(row, settings),
            *misplaced(limb_sets, noted),
            *above_noted(cuffs, limb_sets, protocol.pressure_tolerance_mmhg),
            *recorded_otherwise(of_limb(checks, limb)),
            *above_stop_limits(limb_sets, settings),
        ]
        yield row | {"findings": "; ".join(findings) or "none"}


def of_limb(table, limb):
    """Rows that may be of a limb: those of it, and those that name none."""
    if table.empty or pd.isna(limb):
        return table
    return table[table["limb"].eq(limb) | table["limb"].isna()]


def restriction(cuffs):
    """Total and longest unbroken time under the cuff, in minutes."""
    inflated = cuffs[cuffs["cuff_pressure_mmhg"].astype(float).fillna(1) > 0]
    minutes = inflated["duration_s"] / 60
    return {
        "restriction_min": minutes.sum(),
        "longest_restriction_min": minutes.max() if len(minutes) else 0.0,
    }


def symptoms(sets, settings):
    """Symptoms and signs of the sets, each with its exercise and bout."""
    noted = [
        f"{sign} ({exercise_and_bout(event)})"
        for event in sets.itertuples()
        for sign in signs_of(event, settings)
    ]
    return "; ".join(noted) or "none noted"


def signs_of(event, settings):
    """Signs of a set or of a step of a titration at which a cuff is to be released.

    `settings`: the section check_safety.
    """
    if event.numbness == "marked":
        yield "marked numbness"
    if pd.notna(event.pain) and event.pain >= settings.severe_pain:
        yield f"pain {event.pain:g} of 10"
    if event.skin_colour in WARNING_COLOURS:
        yield f"skin {event.skin_colour}"
    if pd.notna(event.capillary_refill_s) and event.capillary_refill_s > settings.slow_refill_s:
        yield f"refill {event.capillary_refill_s:g} s"
    if event.distal_flow is False:
        yield "no distal flow"
    if getattr(event, "stopped_early", None) is True:
        yield f"stopped early: {event.reason or 'no reason noted'}"


def missing_checks(sets):
    """Checks that nobody noted, with the number of sets that lack them."""
    lacking = {name: int(sets[name].isna().sum()) for name in CHECKS}
    return "; ".join(f"{name} in {n} sets" for name, n in lacking.items() if n) or "none"


def beyond_limits(row, settings):
    """Share and unbroken restriction that lie above the limits of the settings."""
    if row["share_pct"] is not None and row["share_pct"] > settings.highest_share_pct:
        yield f"share above {settings.highest_share_pct:g} %"
    if row["longest_restriction_min"] > settings.longest_restriction_min:
        longest_min = settings.longest_restriction_min
        yield f"cuff inflated for more than {longest_min:g} min without release"


def misplaced(sets, noted):
    """Sets with a pressure during which the sheet has inflated cuffs on other limbs only."""
    inflated = noted[~(noted["cuff_pressure_mmhg"] == 0)]
    for event in sets[sets["cuff_pressure_mmhg"] > 0].itertuples():
        during = inflated[
            (inflated["onset_s"] < event.onset_s + event.duration_s)
            & (inflated["onset_s"] + inflated["duration_s"] > event.onset_s)
        ]
        apart = [
            same_limb(event.limb, event.side, cuff.limb, cuff.side) is False
            for cuff in during.itertuples()
        ]
        if apart and all(apart):
            yield (
                "cuff noted on another limb than the working one: "
                f"{event.exercise}, cuff on the {limb_in_words(during.iloc[0])}"
            )


def above_noted(cuffs, sets, tolerance_mmhg):
    """A cuff that was noted with more pressure than the sets that it served."""
    excess_mmhg = cuffs["cuff_pressure_mmhg"].max() - sets["cuff_pressure_mmhg"].max()
    if excess_mmhg > tolerance_mmhg:
        yield f"cuff {excess_mmhg:.0f} mmHg above the pressure noted for the sets"


def recorded_otherwise(checks):
    """Where the recorded cuff pressure departs from the noted one, each departure once.

    A cuff and its set often tell the same.
    """
    if checks.empty:
        return []
    departing = checks[checks["status"] != "ok"].sort_values("trial_type", kind="stable")
    return dict.fromkeys(
        f"recorded pressure: {check.reason} ({exercise_and_bout(check)})"
        for check in departing.itertuples()
    )
