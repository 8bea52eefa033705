"""Pressures against measured occlusion pressures, symptoms, and checks that are missing."""

import pandas as pd

from recordings.limbs import same_place
from report.words import words_of

CHECKS = ("cuff_pressure_mmhg", "pain", "numbness", "capillary_refill_s", "distal_flow")

# limits of agreement of an equation against a measurement at an 18 cm cuff, Wedig et al. 2024
ESTIMATE_LIMITS_MMHG = 18.35

# limits of agreement of a pulse oximeter with Doppler ultrasound at the thigh, oximeter above and
# below it, Brekke et al. 2020, Int J Sports Phys Ther 15:783; no such limits were found for arms
LEG_OXIMETER_ABOVE_MMHG, LEG_OXIMETER_BELOW_MMHG = 28.8, 16.2

ESTIMATED = "estimated"


def labels(visit):
    return {
        "participant_id": visit.participant_id,
        "session_id": visit.session_id,
        "visit": visit.visit,
    }


def share_of_occlusion(sets, limb, side, posture, occlusion):
    """Highest pressure of the sets as a share of the occlusion pressure of limb, side and posture.

    Without a measurement that matches there is no share, only the reason. Repeated measurements
    are averaged; where they differ, or were not made by Doppler ultrasound, the share is flagged
    with the range that they allow. An estimate counts only where nothing was measured.
    """
    pressure = sets["cuff_pressure_mmhg"].max()
    row = {"highest_pressure_mmhg": pressure, "share_pct": None, "share_status": "n/a"}
    if pd.isna(pressure):
        return row | {"share_reason": "no cuff pressure was noted"}
    if pressure == 0:
        return row | {"share_reason": "no cuff pressure"}
    first = sets.iloc[0]
    own = occlusion[
        (occlusion["participant_id"] == first["participant_id"]) & (occlusion["limb"] == limb)
    ]
    same_visit = own[own["session_id"] == first["session_id"]]
    own = same_visit if len(same_visit) else own[own["session_id"].isna()]
    refused = {"share_status": "refused"}
    if own.empty:
        return row | refused | {"share_reason": f"no occlusion pressure of the {limb} was measured"}
    on_side = own[own["side"].isna() | (own["side"] == side) | (own["side"] == "both")]
    if on_side.empty:
        measured = ", ".join(sorted(own["side"].dropna().unique()))
        return (
            row
            | refused
            | {"share_reason": f"occlusion pressure was measured on the {measured} side"}
        )
    matching = on_side[on_side["posture"] == posture]
    if matching.empty:
        measured = ", ".join(sorted(on_side["posture"].unique()))
        return (
            row
            | refused
            | {
                "share_reason": f"occlusion pressure was measured {measured}, "
                f"the exercise was {posture}"
            }
        )
    estimated, left_aside = matching["method"] == ESTIMATED, matching[:0]
    if not estimated.all():
        # an estimate never stands beside a measurement
        left_aside, matching = matching[estimated], matching[~estimated]
    if matching["cuff_width_cm"].nunique() > 1:
        return row | refused | {"share_reason": "occlusion pressures of several cuff widths"}
    known = {
        "cuff_width_cm": matching["cuff_width_cm"].iloc[0],
        "occlusion_pressure_mmhg": matching["occlusion_pressure_mmhg"].mean(),
        "occlusion_method": "; ".join(dict.fromkeys(matching["method"])),
    }
    doubts = list(doubts_of_share(pressure, limb, matching))
    aside = [
        f"an estimate of {value:g} mmHg was left aside"
        for value in left_aside["occlusion_pressure_mmhg"]
    ]
    return (
        row
        | known
        | {
            "share_pct": 100 * pressure / known["occlusion_pressure_mmhg"],
            "share_status": "flagged" if doubts else "ok",
            "share_reason": "; ".join([*doubts, *aside]),
        }
    )


def doubts_of_share(pressure, limb, occlusion):
    """Why a share of the occlusion pressure is not certain, with the range where it is known."""

    def may_be(lowest, highest):
        return f"the share may be {100 * pressure / highest:.0f} to {100 * pressure / lowest:.0f} %"

    values = occlusion["occlusion_pressure_mmhg"]
    lowest, mean, highest = values.agg(["min", "mean", "max"])
    if highest > lowest:
        yield (
            f"{len(values)} occlusion pressures, {lowest:g} to {highest:g} mmHg, were averaged: "
            f"{may_be(lowest, highest)}"
        )
    for method in dict.fromkeys(occlusion["method"]):
        if method == ESTIMATED:
            around = may_be(mean - ESTIMATE_LIMITS_MMHG, mean + ESTIMATE_LIMITS_MMHG)
            yield (
                f"occlusion pressure was estimated, not measured: {around} (limits of agreement "
                "of Wedig et al. 2024)"
            )
        elif method == "photoplethysmography" and limb == "leg":
            around = may_be(mean - LEG_OXIMETER_ABOVE_MMHG, mean + LEG_OXIMETER_BELOW_MMHG)
            yield (
                f"occlusion pressure was found by photoplethysmography: {around} of what Doppler "
                "ultrasound would give (limits of agreement of Brekke et al. 2020)"
            )
        elif method != "doppler":
            yield (
                f"occlusion pressure was found by {words_of(method)}, not by Doppler ultrasound, "
                "with which it may disagree"
            )


def restriction(cuffs):
    """Total and longest unbroken time under the cuff, in minutes."""
    inflated = cuffs[cuffs["cuff_pressure_mmhg"].astype(float).fillna(1) > 0]
    minutes = inflated["duration_s"] / 60
    return {
        "restriction_min": minutes.sum(),
        "longest_restriction_min": minutes.max() if len(minutes) else 0.0,
    }


def symptoms(sets, slow_refill_s):
    """Symptoms and signs of the sets, each with its exercise and bout."""
    found = []
    for event in sets.itertuples():
        place = (
            f"{event.exercise} bout {event.bout:.0f}" if pd.notna(event.bout) else event.exercise
        )
        if event.numbness == "marked":
            found.append(f"marked numbness ({place})")
        if pd.notna(event.capillary_refill_s) and event.capillary_refill_s > slow_refill_s:
            found.append(f"refill {event.capillary_refill_s:g} s ({place})")
        if event.distal_flow is False:
            found.append(f"no distal flow ({place})")
        if event.stopped_early is True:
            found.append(f"stopped early: {event.reason or 'no reason noted'} ({place})")
    return "; ".join(found) or "none noted"


def missing_checks(sets):
    """Checks that nobody noted, with the number of sets that lack them."""
    lacking = {name: int(sets[name].isna().sum()) for name in CHECKS}
    return "; ".join(f"{name} in {n} sets" for name, n in lacking.items() if n) or "none"


def recorded_findings(checks, visit, limb):
    """Where the recorded cuff pressure departs from the noted one."""
    if checks.empty:
        return
    own = checks[
        (checks["participant_id"] == visit.participant_id)
        & (checks["session_id"] == visit.session_id)
        & (checks["limb"] == limb)
        & (checks["status"] != "ok")
    ]
    said = set()
    for check in own.sort_values("trial_type", kind="stable").itertuples():
        place = check.exercise if pd.isna(check.bout) else f"{check.exercise} bout {check.bout:.0f}"
        # a cuff and its set often tell the same
        if (place, check.reason) not in said:
            yield f"recorded pressure: {check.reason} ({place})"
        said.add((place, check.reason))


def misplaced(sets, noted):
    """Sets with a pressure during which the sheet has inflated cuffs on other limbs only."""
    inflated = noted[~(noted["cuff_pressure_mmhg"] == 0)]
    for event in sets[sets["cuff_pressure_mmhg"] > 0].itertuples():
        during = inflated[
            (inflated["onset_s"] < event.onset_s + event.duration_s)
            & (inflated["onset_s"] + inflated["duration_s"] > event.onset_s)
        ]
        apart = [
            same_place(event.limb, event.side, cuff.limb, cuff.side) is False
            for cuff in during.itertuples()
        ]
        if apart and all(apart):
            cuff = during.iloc[0]
            yield f"{event.exercise}, cuff on the {words(cuff['side'], cuff['limb'])}"


def words(*parts):
    return " ".join(part for part in parts if isinstance(part, str))


def findings(
    row, cuffs, sets, noted, highest_share_pct, pressure_tolerance_mmhg, longest_restriction_min
):
    """What a person should look at, in words."""
    found = []
    if row["share_pct"] is not None and row["share_pct"] > highest_share_pct:
        found.append(f"share above {highest_share_pct:g} %")
    if row["longest_restriction_min"] > longest_restriction_min:
        found.append(f"cuff inflated for more than {longest_restriction_min:g} min without release")
    found += [
        f"cuff noted on another limb than the working one: {w}" for w in misplaced(sets, noted)
    ]
    excess = cuffs["cuff_pressure_mmhg"].max() - sets["cuff_pressure_mmhg"].max()
    if excess > pressure_tolerance_mmhg:
        found.append(f"cuff {excess:.0f} mmHg above the pressure noted for the sets")
    return "; ".join(found) or "none"
