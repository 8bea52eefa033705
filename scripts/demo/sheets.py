"""Tables of the demo study as people would have written them: who, when, pressures, sheets."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from demo.safety import CUFF_OF_LIMB, blood_pressures, colour_of_skin, state_of
from demo.study import (
    BASELINE_DURATION_S,
    BASELINE_ONSET_S,
    CUFF_WIDTH_CM,
    MISSING_VISIT,
    MOTION_NOISE,
    MOTION_NOISE_EXERCISES,
    SINGLE_SYNC,
    STOPPED_EARLY,
    PlannedSet,
    PlannedVisit,
    find_set,
)


def participants_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return participants.tsv."""
    people = {visit.participant_id: visit.person for visit in visits}
    columns = ["participant_id", "age_years", "sex", "body_mass_kg", "stature_cm"]
    columns += ["vastus_skinfold_mm"]
    return pd.DataFrame([{c: getattr(p, c) for c in columns} for p in people.values()])


def sessions_table(visits: Sequence[PlannedVisit], seed: int) -> pd.DataFrame:
    """Return sessions.tsv: one row per visit that took place."""
    missing_participant, missing_visit = MISSING_VISIT
    sessions = []
    for visit in visits:
        key = (visit.participant_id, visit.visit)
        note = f"invented: visit {missing_visit} did not take place (moved away)"
        sessions.append(
            {
                **visit.key,
                "visit": visit.visit,
                "sequence": visit.person.sequence,
                "date_shifted": visit.date_shifted.isoformat(),
                **state_of(visit, seed),
                "note": note if key == (missing_participant, missing_visit - 1) else None,
            }
        )
    return pd.DataFrame(sessions)


def occlusion_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return occlusion.tsv: leg and arm, measured before every visit."""
    return pd.DataFrame(
        occlusion_row(
            *(visit.key, o.limb, o.pressure_mmhg),
            posture=o.posture,
            method=o.method,
            cuff=CUFF_OF_LIMB[o.limb],
        )
        for visit in visits
        for o in visit.occlusions
    )


def occlusion_row(
    key: Mapping[str, str],
    limb: str,
    pressure_mmhg: int,
    *,
    posture: str = "seated",
    method: str = "doppler",
    cuff: str | None = None,
) -> dict[str, object]:
    """Return a row of occlusion.tsv; `key` names participant and session."""
    return {
        **key,
        "limb": limb,
        "side": "right",
        "posture": posture,
        "cuff_width_cm": CUFF_WIDTH_CM[limb],
        **({} if cuff is None else {"cuff": cuff}),
        "occlusion_pressure_mmhg": pressure_mmhg,
        "method": method,
    }


EVENT_COLUMNS = (
    "participant_id", "session_id", "onset_s", "duration_s", "trial_type", "condition", "exercise",
    "limb", "side", "posture", "bout", "cuff", "cuff_pressure_mmhg", "reps_planned", "reps_done",
    "to_failure", "load_kg", "rpe", "pain", "numbness", "capillary_refill_s", "distal_flow",
    "skin_colour", "systolic_mmhg", "diastolic_mmhg", "stopped_early", "stop_reason", "reason",
    "note",
)  # fmt: skip

# what only the demo study notes
SIGNS = ("cuff", "skin_colour", "systolic_mmhg", "diastolic_mmhg")

WHOLE_NUMBERS = (
    *("bout", "cuff_pressure_mmhg", "reps_planned", "reps_done", "pain"),
    *("systolic_mmhg", "diastolic_mmhg"),
)


def events_table(visits: Sequence[PlannedVisit], seed: int) -> pd.DataFrame:
    """Return events.tsv: the session sheets, in order of onset within a visit."""
    listed = []
    for visit in visits:
        listed += sorted(visit_events(visit, seed), key=lambda row: row["onset_s"])
    return table_of_events(listed)


def table_of_events(
    listed: Sequence[Mapping[str, object]], without: Sequence[str] = ()
) -> pd.DataFrame:
    """Return events as a table with the columns of a session sheet."""
    columns = [column for column in EVENT_COLUMNS if column not in without]
    events = pd.DataFrame(listed, columns=columns)
    return events.astype({column: "Int64" for column in WHOLE_NUMBERS if column in columns})


def visit_events(visit: PlannedVisit, seed: int) -> list[dict[str, object]]:
    """Return the rows of one visit's session sheet."""
    state = visit.key | {"condition": visit.condition, "posture": "seated"}
    at_baseline, after_last_set = blood_pressures(visit, seed)
    events = [visit.key | span("sync", sync_s, sync_s) for sync_s in visit.sync_s]
    events.append(
        state
        | span("baseline", BASELINE_ONSET_S, BASELINE_ONSET_S + BASELINE_DURATION_S)
        | {
            "cuff_pressure_mmhg": 0,
            "rpe": 0,
            "pain": 0,
            "numbness": "none",
            "capillary_refill_s": visit.baseline_refill_s,
            "distal_flow": "yes",
            "skin_colour": colour_of_skin(visit.baseline_refill_s, stopped_early=False),
            **at_baseline,
        }
    )
    for number, planned in enumerate(visit.sets, start=1):
        of_set = state | labels_of_set(planned)
        pressure = {"cuff_pressure_mmhg": planned.cuff_pressure_mmhg}
        if planned.cuff_pressure_mmhg:
            pressure["cuff"] = CUFF_OF_LIMB[planned.exercise.limb]
        if visit.condition != "none":
            events.append(of_set | pressure | span("cuff", planned.inflation_s, planned.release_s))
        colour = colour_of_skin(planned.capillary_refill_s, stopped_early=planned.stopped_early)
        marks = set_marks(visit, planned) | {"skin_colour": colour}
        if number == len(visit.sets):
            marks |= after_last_set
        events.append(of_set | pressure | marks)
        if number < len(visit.sets):
            events.append(of_set | span("rest", planned.end_s, planned.rest_end_s))
    events.append(state | span("recovery", *visit.recovery_s))
    for onset_s, text in visit_notes(visit):
        events.append(visit.key | span("note", onset_s, onset_s) | {"note": text})
    return events


def labels_of_set(planned: PlannedSet) -> dict[str, object]:
    """Return which set an event belongs to."""
    return {
        "condition": planned.condition,
        "exercise": planned.exercise.name,
        "limb": planned.exercise.limb,
        "side": "right",
        "bout": planned.bout,
    }


def span(trial_type: str, start_s: float, stop_s: float) -> dict[str, object]:
    """Return type, onset and duration of an event."""
    return {"onset_s": start_s, "duration_s": round(stop_s - start_s, 1), "trial_type": trial_type}


def set_marks(visit: PlannedVisit, planned: PlannedSet) -> dict[str, object]:
    """Return what the session sheet holds about one set."""
    return span("set", planned.onset_s, planned.end_s) | {
        "reps_planned": planned.exercise.reps_planned,
        "reps_done": planned.reps_logged,
        "to_failure": "yes" if planned.to_failure else "no",
        "load_kg": visit.person.load_kg[planned.exercise.name],
        "rpe": planned.rpe,
        "pain": planned.pain,
        "numbness": planned.numbness,
        "capillary_refill_s": planned.capillary_refill_s,
        "distal_flow": "yes",
        "stopped_early": "yes" if planned.stopped_early else "no",
        "stop_reason": stop_reason(planned),
        "reason": "numbness marked, cuff released at once" if planned.stopped_early else None,
    }


def stop_reason(planned: PlannedSet) -> str:
    """Return why a set ended."""
    if planned.stopped_early:
        return "symptoms"
    return "volitional failure" if planned.to_failure else "planned end"


def visit_notes(visit: PlannedVisit) -> list[tuple[float, str]]:
    """Return the free notes of a visit: time and text."""
    key = (visit.participant_id, visit.visit)
    notes = []
    if key == MOTION_NOISE:
        first = find_set(visit, MOTION_NOISE_EXERCISES[0], 1)
        notes.append((first.onset_s, "invented: chest strap slips when the arms move"))
    if key == SINGLE_SYNC:
        notes.append((visit.recovery_s[1], "invented: the closing sync mark was forgotten"))
    if (visit.participant_id, visit.condition) == STOPPED_EARLY[:2]:
        stopped = find_set(visit, *STOPPED_EARLY[2:])
        notes.append((stopped.release_s, "invented: numbness gone one minute after release"))
    return notes
