"""What the demo study notes of safety: cuffs, titration, harms, blood pressure, state of a visit.

Invented as everything in the demo. Random numbers come from streams of their own, so that no
recording depends on what is noted here.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from demo import study
from demo.study import PlannedVisit
from study.tables import TABLES

CUFF_OF_LIMB = {"leg": "thigh cuff", "arm": "arm cuff"}

# invented, as the limits of blood pressure below are: no advice
TITRATED_SHARES = (0.4, 0.6, 0.7)

STOP_SYSTOLIC_MMHG, STOP_DIASTOLIC_MMHG = 180, 110
HARM = ("sub-04", "target")


def state_of(visit: PlannedVisit, seed: int) -> dict[str, object]:
    """Return sleep, caffeine, exercise, room and belief of a visit."""
    rng = study.generator(seed, 3, visit.participant_index, visit.visit)
    return {
        "sleep_h": round(2.0 * rng.normal(7.2, 0.8)) / 2.0,
        "caffeine_h": int(rng.integers(4, 20)),
        "exercise_h": int(rng.integers(40, 90)),
        "room_c": round(rng.uniform(20.5, 23.5), 1),
        "expectation": str(rng.choice(study.CONDITIONS)),
    }


def blood_pressures(visit: PlannedVisit, seed: int) -> list[dict[str, int]]:
    """Return systolic and diastolic pressure at baseline and after the last set of a visit."""
    rng = study.generator(seed, 4, visit.participant_index, visit.visit)
    level = study.CONDITIONS.index(visit.condition)
    return [
        {
            "systolic_mmhg": round(rng.normal(118.0, 6.0) + rise_mmhg),
            "diastolic_mmhg": round(rng.normal(74.0, 4.0) + rise_mmhg / 2),
        }
        for rise_mmhg in (0, 6 * level)
    ]


def colour_of_skin(refill_s: float, *, stopped_early: bool) -> str:
    """Return the colour seen distal to the cuff when somebody pressed for the refill."""
    if stopped_early:
        return "mottled"
    return "flushed" if refill_s > 2.2 else "normal"


def titration_table(visits: Sequence[PlannedVisit], seed: int) -> pd.DataFrame:
    """Return titration.tsv: steps before the sets of a target visit, by limb.

    Nothing where the occlusion pressure was estimated or measured in another posture.
    """
    steps = []
    for visit in visits:
        if visit.condition != "target":
            continue
        rng = study.generator(seed, 5, visit.participant_index, visit.visit)
        for occlusion in visit.occlusions:
            refill_s, smo2_pct = rng.uniform(1.5, 1.9), rng.uniform(58.0, 66.0)
            if (occlusion.posture, occlusion.method) != ("seated", "doppler"):
                continue
            for n, share in enumerate(TITRATED_SHARES):
                beyond = share > study.SHARE_OF_OCCLUSION_PRESSURE["target"]
                steps.append(
                    {
                        **visit.key,
                        "limb": occlusion.limb,
                        "side": "right",
                        "posture": "seated",
                        "cuff_width_cm": study.CUFF_WIDTH_CM[occlusion.limb],
                        "cuff": CUFF_OF_LIMB[occlusion.limb],
                        "pressure_mmhg": round(share * occlusion.pressure_mmhg),
                        "capillary_refill_s": round(refill_s + (0.0, 0.5, 1.7)[n], 1),
                        "distal_flow": "yes",
                        "skin_colour": ("normal", "flushed", "mottled")[n],
                        "pain": n + 1 + int(rng.integers(0, 2)),
                        "numbness": "mild" if beyond else "none",
                        "smo2_pct": round(smo2_pct - (2.0, 5.0, 8.0)[n] + rng.normal(0.0, 0.5), 1),
                        "accepted": "no" if beyond else "yes",
                    }
                )
    return pd.DataFrame(steps, columns=list(TABLES["titration"].model_fields))


def harms_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return harms.tsv: one mild harm, seen a day after its visit."""
    harms = [
        {
            **visit.key,
            "days_after": 1,
            "what": "bruise under the thigh cuff",
            "grade": "mild",
            "related": "probable",
            "resolved": "yes",
            "note": "invented: told by telephone",
        }
        for visit in visits
        if (visit.participant_id, visit.condition) == HARM
    ]
    return pd.DataFrame(harms, columns=list(TABLES["harms"].model_fields))


def settings_of_safety() -> str:
    """Return the part of study.yaml about cuffs and stop limits."""
    widths = study.CUFF_WIDTH_CM
    cuffs = "".join(
        f"  {name}: {{width_cm: {widths[limb]}, bladder: single, regulated: true}}\n"
        for limb, name in CUFF_OF_LIMB.items()
    )
    return f"""\
cuffs:
{cuffs}
check_safety:
  # Invented, no advice: a study states its own limits, from its own local rules.
  stop_systolic_mmhg: {STOP_SYSTOLIC_MMHG}
  stop_diastolic_mmhg: {STOP_DIASTOLIC_MMHG}
"""
