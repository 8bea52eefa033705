"""What the demo study notes of safety: cuffs, titration, harms, blood pressure, state of a visit.

Invented as everything in the demo. Random numbers come from streams of their own, so that no
recording depends on what is noted here.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from demo import study
from demo.study import PlannedVisit

CUFF_OF_LIMB = {"leg": "thigh cuff", "arm": "arm cuff"}

# invented, as the limits of blood pressure below are: no advice
TITRATED_SHARES = (0.4, 0.6, 0.7)

STOP_SYSTOLIC_MMHG, STOP_DIASTOLIC_MMHG = 180, 110
HARM = ("sub-04", "target")

TITRATION_COLUMNS = (
    "participant_id", "session_id", "limb", "side", "posture", "cuff_width_cm", "cuff",
    "pressure_mmhg", "capillary_refill_s", "distal_flow", "skin_colour", "pain", "numbness",
    "smo2_pct", "accepted", "note",
)  # fmt: skip

HARM_COLUMNS = (
    "participant_id", "session_id", "event_id", "days_after", "what", "grade", "related",
    "resolved", "note",
)  # fmt: skip


def with_states(sessions: pd.DataFrame, visits: Sequence[PlannedVisit], seed: int) -> pd.DataFrame:
    """Return sessions.tsv with sleep, caffeine, exercise, room and belief of each visit."""
    states = []
    for visit in visits:
        rng = study.generator(seed, 3, visit.participant_index, visit.visit)
        states.append(
            {
                "sleep_h": round(2.0 * rng.normal(7.2, 0.8)) / 2.0,
                "caffeine_h": int(rng.integers(4, 20)),
                "exercise_h": int(rng.integers(40, 90)),
                "room_c": round(rng.uniform(20.5, 23.5), 1),
                "expectation": str(rng.choice(study.CONDITIONS)),
            }
        )
    before_note = sessions.drop(columns="note")
    return pd.concat([before_note, pd.DataFrame(states), sessions["note"]], axis=1)


def with_cuffs(occlusion: pd.DataFrame) -> pd.DataFrame:
    """Return occlusion.tsv with the name of each cuff."""
    names = occlusion["limb"].map(CUFF_OF_LIMB)
    return beside(occlusion, "cuff_width_cm", cuff=names)


def with_cuffs_and_signs(
    events: pd.DataFrame, visits: Sequence[PlannedVisit], seed: int
) -> pd.DataFrame:
    """Return events.tsv with cuffs by name, colour of the skin and blood pressure."""
    pressure = blood_pressures(visits, seed)
    last_sets = {(v.participant_id, v.session_id, v.sets[-1].onset_s): "last set" for v in visits}
    keys = [
        (
            event.participant_id,
            event.session_id,
            last_sets.get(
                (event.participant_id, event.session_id, event.onset_s), event.trial_type
            ),
        )
        for event in events.itertuples()
    ]
    taken = pd.DataFrame([pressure.get(key, (None, None)) for key in keys], dtype="Int64")
    inflated = events["cuff_pressure_mmhg"].fillna(0) > 0
    events = beside(events, "bout", cuff=events["limb"].map(CUFF_OF_LIMB).where(inflated))
    return beside(
        events,
        "distal_flow",
        skin_colour=[colour_of_skin(event) for event in events.itertuples()],
        systolic_mmhg=taken[0],
        diastolic_mmhg=taken[1],
    )


def beside(table: pd.DataFrame, column: str, **further: object) -> pd.DataFrame:
    """Return a table with further columns behind one of its own."""
    at = table.columns.get_loc(column) + 1
    names = [*table.columns[:at], *further, *table.columns[at:]]
    return table.assign(**further)[names]


def blood_pressures(
    visits: Sequence[PlannedVisit], seed: int
) -> dict[tuple[str, str, str], tuple[int, int]]:
    """Return systolic and diastolic pressure at baseline and after the last set of each visit."""
    taken = {}
    for visit in visits:
        rng = study.generator(seed, 4, visit.participant_index, visit.visit)
        for moment, rise_mmhg in (("baseline", 0), ("last set", 6)):
            rise_mmhg *= study.CONDITIONS.index(visit.condition)
            taken[visit.participant_id, visit.session_id, moment] = (
                round(rng.normal(118.0, 6.0) + rise_mmhg),
                round(rng.normal(74.0, 4.0) + rise_mmhg / 2),
            )
    return taken


def colour_of_skin(event) -> str | None:
    """Return the colour seen distal to the cuff, where somebody pressed for the refill."""
    if pd.isna(event.capillary_refill_s):
        return None
    if event.stopped_early == "yes":
        return "mottled"
    return "flushed" if event.capillary_refill_s > 2.2 else "normal"


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
                        "note": None,
                    }
                )
    return pd.DataFrame(steps, columns=list(TITRATION_COLUMNS))


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
    return pd.DataFrame(harms, columns=list(HARM_COLUMNS))


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
