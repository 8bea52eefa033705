"""Write an invented study of one person: `python3.11 scripts/launch.py one-person`.

One visit, the conditions one after the other, two exercises of three bouts each, with one resting
baseline for all. Bouts with the target pressure decline until they fail. Everything is invented.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from demo import sensors, sheets, signals, study
from demo.raw_files import (
    INVENTED,
    RECORDING_COLUMNS,
    marks,
    run_writer,
    sensor,
    text_of_columns,
    write_intervals,
    write_table,
)
from demo.signals import Floats
from demo.study import CONDITIONS, EXERCISES, Exercise, PlannedSet, PlannedVisit
from recordings.writing import write_text

SEED = 20611
PARTICIPANT = "sub-01"
DONE = tuple(e for e in EXERCISES if e.name in ("knee_extension", "elbow_extension"))

# repetitions of each bout; a bout below its plan ended in failure
REPS = {
    ("knee_extension", "none"): (15, 15, 15),
    ("knee_extension", "low"): (15, 15, 14),
    ("knee_extension", "target"): (15, 12, 9),
    ("elbow_extension", "none"): (17, 17, 17),
    ("elbow_extension", "low"): (17, 17, 17),
    ("elbow_extension", "target"): (17, 14, 10),
}

OCCLUSION_MMHG = {"leg": 188, "arm": 142}
BASELINE_S = 330.0
REST_S = 75.0
BETWEEN_CONDITIONS_S = 180.0
RESTING_HR_BPM = 64.0
DEEPER_TO_FAILURE_PCT = 3.0
NADIR_SD_PCT = 1.0
OXYGEN_RATE_HZ = 1.0


def plan_bouts(rng: np.random.Generator) -> tuple[PlannedSet, ...]:
    """Every bout of the visit in order of time."""
    bouts, inflation_s = [], study.BASELINE_ONSET_S + BASELINE_S + 15.0
    for level, condition in enumerate(CONDITIONS):
        for exercise in DONE:
            share = study.SHARE_OF_OCCLUSION_PRESSURE[condition]
            pressure_mmhg = round(share * OCCLUSION_MMHG[exercise.limb])
            planned_reps = REPS[exercise.name, "none"][0]
            for number, reps in enumerate(REPS[exercise.name, condition], start=1):
                lengths_s = exercise.cadence_s * (1.0 + rng.normal(0.0, 0.03, reps))
                begins_s = inflation_s + study.INFLATED_BEFORE_SET_S
                edges_s = np.round(begins_s + np.cumsum([0.0, *lengths_s]), 1)
                end_s = float(edges_s[-1])
                failed = reps < planned_reps
                effort = 3.0 + 1.5 * level + 0.7 * (number - 1) + 1.5 * failed
                inflated_after_s = study.INFLATED_AFTER_SET_S if level else 0.0
                bouts.append(
                    PlannedSet(
                        condition=condition,
                        exercise=exercise,
                        bout=number,
                        inflation_s=inflation_s,
                        rep_boundaries_s=tuple(float(edge) for edge in edges_s),
                        release_s=round(end_s + inflated_after_s, 1),
                        rest_end_s=round(end_s + REST_S, 1),
                        cuff_pressure_mmhg=pressure_mmhg,
                        reps_logged=reps,
                        to_failure=failed,
                        stopped_early=False,
                        rpe=min(round(2.0 * effort) / 2.0, 10.0),
                        pain=round(0.5 + 1.8 * level + 0.6 * (number - 1)),
                        numbness="mild" if level == 2 and number == 3 else "none",
                        capillary_refill_s=round(1.5 + 0.3 * level, 1),
                        nadir_pct=exercise.smo2_nadir_pct
                        + study.SMO2_NADIR_EFFECT_PCT[condition]
                        - 1.5 * (number - 1)
                        - DEEPER_TO_FAILURE_PCT * failed
                        + rng.normal(0.0, NADIR_SD_PCT),
                        mean_hr_bpm=RESTING_HR_BPM
                        + exercise.hr_rise_bpm
                        + study.MEAN_HR_EFFECT_BPM[condition]
                        + 2.5 * (number - 1)
                        + rng.normal(0.0, 0.8),
                        recovery_tau_s=rng.uniform(19.0, 25.0),
                    )
                )
                inflation_s = bouts[-1].rest_end_s
        inflation_s += BETWEEN_CONDITIONS_S
    return tuple(bouts)


def visit_of(bouts: tuple[PlannedSet, ...], rng: np.random.Generator) -> PlannedVisit:
    """The visit as its heart lived it; conditions are those of the bouts."""
    person = study.draw_person(rng, PARTICIPANT, "ABC")
    last_s = round(bouts[-1].end_s + study.RECOVERY_DURATION_S + 5.0, 1)
    return PlannedVisit(
        person=person,
        participant_index=0,
        visit=1,
        condition="none",
        date_shifted=date(1921, 5, 3),
        occlusions=(),
        resting_hr_bpm=RESTING_HR_BPM,
        resting_rmssd_ms=41.0,
        modulation_ratio=1.0,
        resting_smo2_pct={e.muscle: e.resting_smo2_pct for e in DONE},
        baseline_refill_s=1.6,
        sets=bouts,
        sync_s=(study.FIRST_SYNC_S, last_s),
        heart_clock=study.SimulatedClock(-4.2, 3.0),
        oxygen_clock=study.SimulatedClock(-6.7, -2.0),
    )


def saturation_of(
    exercise: Exercise, visit: PlannedVisit, session_s: Floats, rng: np.random.Generator
) -> Floats:
    """Saturation of the muscle of one exercise as recorded, in percent, in steps of 0.1."""
    course_pct = signals.saturation_course(
        session_s,
        baseline_pct=exercise.resting_smo2_pct,
        sets=sensors.muscle_sets(visit, exercise.muscle),
    )
    for planned in visit.sets:
        if planned.exercise == exercise:
            course_pct -= 1.8 * signals.ripple(session_s, planned.rep_boundaries_s)
    return signals.saturation_as_recorded(course_pct, session_s, rng)


def write_one_person(folder: Path, *, seed: int = SEED) -> None:
    """Write the study folder: tables, beat intervals and saturation of one visit."""
    rng = np.random.default_rng(seed)
    bouts = plan_bouts(rng)
    visit = visit_of(bouts, rng)
    times_s = np.arange(-sensors.LEAD_S, visit.end_s + sensors.LEAD_S, 1.0 / sensors.GRID_RATE_HZ)
    turns = signals.cumulative_phase(times_s, sensors.respiration_course(visit, times_s))
    amplitudes_ms = sensors.modulation_amplitudes_ms(visit)
    period_s, _ = sensors.heart_period_course(visit, times_s, turns, amplitudes_ms, rng)
    beat_times_s = signals.pulse_times(times_s, period_s)
    beats = pd.DataFrame({"time_s": beat_times_s, "kind": "normal"})
    intervals_s, _, heart_marks_s = sensors.recorded_intervals(visit, beats)
    oxygen_s = sensors.sample_times_s(visit, visit.oxygen_clock, OXYGEN_RATE_HZ)
    session_s = visit.oxygen_clock.to_session_s(oxygen_s)
    saturation = {e.muscle: saturation_of(e, visit, session_s, rng) for e in DONE}

    stem = f"raw/{PARTICIPANT}_{visit.session_id}"
    write_intervals(folder / f"{stem}_intervals.txt", intervals_s, about=INVENTED)
    columns = {"time_s": [f"{t:.0f}" for t in oxygen_s]} | {
        muscle.replace(" ", "_"): [f"{v:.1f}" for v in readings]
        for muscle, readings in saturation.items()
    }
    write_text(text_of_columns(columns), folder / f"{stem}_saturation.csv")
    key = visit.key
    heart = {"signal": "rr", "file": f"{stem}_intervals.txt", "unit": "ms"}
    recordings = [key | heart | {"sync_marks_s": marks(heart_marks_s)}]
    oxygen_marks = marks(visit.oxygen_clock.to_file_s(np.array(visit.sync_s)))
    recordings += [
        key
        | sensor(muscle)
        | {"file": f"{stem}_saturation.csv", "channel": muscle.replace(" ", "_")}
        | {"time_column": "time_s", "unit": "pct", "sync_marks_s": oxygen_marks}
        for muscle in saturation
    ]
    write_table(recordings, folder / "recordings.tsv", RECORDING_COLUMNS)
    write_table(sheets.participants_table([visit]), folder / "participants.tsv")
    occlusion = [sheets.occlusion_row(key, limb, mmhg) for limb, mmhg in OCCLUSION_MMHG.items()]
    session = key | {"visit": 1, "sequence": "ABC", "note": "invented: all conditions in a row"}
    write_table([session], folder / "sessions.tsv")
    write_table(occlusion, folder / "occlusion.tsv")
    write_table(events_table(visit), folder / "events.tsv")
    write_text(STUDY_YAML, folder / "study.yaml")


def events_table(visit: PlannedVisit) -> pd.DataFrame:
    """events.tsv: one baseline, cuffs, sets and rests, one recovery at the end."""
    key = visit.key | {"posture": "seated"}
    events = [key | sheets.span("sync", at_s, at_s) for at_s in visit.sync_s]
    baseline_s = study.BASELINE_ONSET_S, study.BASELINE_ONSET_S + BASELINE_S
    events.append(key | sheets.span("baseline", *baseline_s) | {"cuff_pressure_mmhg": 0})
    for planned in visit.sets:
        of_set = key | sheets.labels_of_set(planned)
        pressure = {"cuff_pressure_mmhg": planned.cuff_pressure_mmhg}
        if planned.condition != "none":
            cuff = sheets.span("cuff", planned.inflation_s, planned.release_s)
            events.append(of_set | pressure | cuff)
        marks = sheets.set_marks(visit, planned)
        marks["reps_planned"] = REPS[planned.exercise.name, "none"][0]
        events.append(of_set | pressure | marks)
        events.append(of_set | sheets.span("rest", planned.end_s, planned.rest_end_s))
    events[-1] = key | sheets.span("recovery", *visit.recovery_s)
    table = sheets.table_of_events(events, without=sheets.SIGNS)
    return table.sort_values("onset_s", kind="stable")


STUDY_YAML = """\
# Only what differs from config/config.yaml. Everything in this folder is invented.
study:
  title: "Invented: one person, one visit, three pressures one after the other"
  conditions: ["none", "low", "target"]
  exercises: [knee_extension, elbow_extension]
  primary_outcomes:
    - {outcome: smo2_nadir_pct, window: set}
    - {outcome: reps_done, window: set}
    - {outcome: mean_hr_bpm, window: set}

segment_oxygenation:
  working_muscle:
    knee_extension: vastus lateralis
    elbow_extension: triceps brachii
"""


if __name__ == "__main__":
    run_writer(write_one_person, __doc__, seed=SEED)
