"""Cuff pressure as a share of a measured occlusion pressure, and what is uncertain about it."""

import pandas as pd

from results.words import words_of

# limits of agreement of an equation against a measurement at an 18 cm cuff, Wedig et al. 2024
ESTIMATE_LIMITS_MMHG = 18.35

# limits of agreement of a pulse oximeter with Doppler ultrasound at the thigh, oximeter above and
# below it, Brekke et al. 2020, Int J Sports Phys Ther 15:783; no such limits were found for arms
LEG_OXIMETER_ABOVE_MMHG, LEG_OXIMETER_BELOW_MMHG = 28.8, 16.2

ESTIMATED = "estimated"


def share_of_occlusion(sets, limb, side, posture, occlusion):
    """Highest pressure of the sets as a share of the occlusion pressure of limb, side and posture.

    `sets`: sets of one visit; `occlusion`: rows of occlusion.tsv, pressures in mmHg. Without a
    measurement that matches there is no share, only the reason. Repeated measurements are averaged;
    where they differ, or were not made by Doppler ultrasound, the share is flagged with the range
    that they allow. An estimate counts only where nothing was measured.
    """
    pressure_mmhg = sets["cuff_pressure_mmhg"].max()
    row = {"highest_pressure_mmhg": pressure_mmhg, "share_pct": None}
    if pd.isna(pressure_mmhg):
        return row | {"share_status": "n/a", "share_reason": "no cuff pressure was noted"}
    if pressure_mmhg == 0:
        return row | {"share_status": "n/a", "share_reason": "no cuff pressure"}
    matching, refusal = _matching(sets.iloc[0], limb, side, posture, occlusion)
    if refusal:
        return row | {"share_status": "refused", "share_reason": refusal}
    counting, left_aside = _without_estimates(matching)
    if counting["cuff_width_cm"].nunique() > 1:
        refusal = "occlusion pressures of several cuff widths"
        return row | {"share_status": "refused", "share_reason": refusal}
    cautions = list(cautions_of_share(pressure_mmhg, limb, counting))
    aside = [
        f"an estimate of {value:g} mmHg was left aside"
        for value in left_aside["occlusion_pressure_mmhg"]
    ]
    occlusion_mmhg = counting["occlusion_pressure_mmhg"].mean()
    return row | {
        "cuff_width_cm": counting["cuff_width_cm"].iloc[0],
        "occlusion_pressure_mmhg": occlusion_mmhg,
        "occlusion_method": "; ".join(dict.fromkeys(counting["method"])),
        "share_pct": 100 * pressure_mmhg / occlusion_mmhg,
        "share_status": "flagged" if cautions else "ok",
        "share_reason": "; ".join([*cautions, *aside]),
    }


def _matching(event, limb, side, posture, occlusion):
    """Occlusion pressures of one limb, side and posture, and why there are none.

    Those of the visit count before those of the participant.
    """
    if pd.isna(limb):
        return occlusion[:0], "the sets name no limb"
    of_limb = occlusion[
        (occlusion["participant_id"] == event["participant_id"]) & (occlusion["limb"] == limb)
    ]
    of_visit = of_limb[of_limb["session_id"] == event["session_id"]]
    of_limb = of_visit if len(of_visit) else of_limb[of_limb["session_id"].isna()]
    if of_limb.empty:
        return of_limb, f"no occlusion pressure of the {limb} was measured"
    on_side = of_limb[of_limb["side"].isna() | of_limb["side"].isin([side, "both"])]
    if on_side.empty:
        measured = ", ".join(sorted(of_limb["side"].dropna().unique()))
        return on_side, f"occlusion pressure was measured on the {measured} side"
    in_posture = on_side[on_side["posture"] == posture]
    if in_posture.empty:
        measured = ", ".join(sorted(on_side["posture"].unique()))
        exercise = f"the exercise was {posture}"
        if pd.isna(posture):
            exercise = "the posture of the exercise was not noted"
        return in_posture, f"occlusion pressure was measured {measured}, {exercise}"
    return in_posture, ""


def _without_estimates(occlusion):
    """What counts, and the estimates left aside: an estimate never stands beside a measurement."""
    estimated = occlusion["method"] == ESTIMATED
    if estimated.all():
        return occlusion, occlusion[:0]
    return occlusion[~estimated], occlusion[estimated]


def cautions_of_share(pressure_mmhg, limb, occlusion):
    """Why a share of the occlusion pressure is not certain, with the range where it is known."""

    def may_be(lowest, highest):
        low_pct, high_pct = 100 * pressure_mmhg / highest, 100 * pressure_mmhg / lowest
        return f"the share may be {low_pct:.0f} to {high_pct:.0f} %"

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
