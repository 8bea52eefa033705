"""Write an invented study of any size, to see what grows with the number of people.

    python3.11 scripts/launch.py benchmark large_study --people 333 --into FOLDER

Everybody comes for three visits of 8.5 minutes, shorter than those of a laboratory: a baseline, two
exercises of one bout each, a recovery, one condition per visit in balanced orders. Of five people
two have an ECG with saturation and cuff pressure in EDF, one an ECG as BIDS physiology and two beat
intervals, those three with saturation in delimited text. No two files are alike. The same seed
writes the same bytes, and the first people of a large study are those of a small one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import permutations
from pathlib import Path

import numpy as np

from demo import signals
from demo.heart_period import SimulatedBeats, simulate_beats
from demo.raw_files import (
    RECORDING_COLUMNS,
    marks,
    run_writer,
    sensor,
    text_of_columns,
    write_edf,
    write_intervals,
    write_physio,
    write_table,
)
from demo.sheets import occlusion_row, span
from demo.study import CONDITIONS
from recordings.writing import write_text

ORDERS = tuple(permutations(range(len(CONDITIONS))))
RECORDERS = ("edf", "intervals", "physio", "edf", "intervals")
VISIT_S = 510.0
MARKS_S = (5.0, 500.0)
BASELINE_S = (0.0, 150.0)
RECOVERY_S = (345.0, 505.0)
SET_S = 45.0
REPETITION_S = 3.0
INFLATED_BEFORE_S = 15.0
RELEASED_AFTER_S = 5.0
ECG_RATE_HZ = 130
SATURATION_RATE_HZ = {"edf": 10, "intervals": 2, "physio": 5}
CUFF_RATE_HZ = 2
SHARE_OF_OCCLUSION = {"none": 0.0, "low": 0.3, "target": 0.6}
NADIR_PCT = {"none": 48.0, "low": 42.0, "target": 35.0}
RISE_BPM = {"none": 28.0, "low": 31.0, "target": 34.0}


@dataclass(frozen=True)
class Exercise:
    """One exercise, when its only set begins, and the muscle that works in it."""

    name: str
    limb: str
    muscle: str
    channel: str
    onset_s: float

    @property
    def end_s(self) -> float:
        return self.onset_s + SET_S

    @property
    def cuff_s(self) -> tuple[float, float]:
        """Inflation and release."""
        return self.onset_s - INFLATED_BEFORE_S, self.end_s + RELEASED_AFTER_S


EXERCISES = (
    Exercise("squat", "leg", "vastus lateralis", "smo2_vastus", 180.0),
    Exercise("curl", "arm", "biceps brachii", "smo2_biceps", 290.0),
)


@dataclass(frozen=True)
class Person:
    """What stays the same over the visits of one person."""

    number: int
    resting_bpm: float
    resting_smo2_pct: float
    occlusion_mmhg: dict[str, int]

    @property
    def name(self) -> str:
        return f"sub-{self.number:04d}"

    @property
    def recorder(self) -> str:
        return RECORDERS[(self.number - 1) % len(RECORDERS)]

    @property
    def order(self) -> tuple[int, ...]:
        return ORDERS[(self.number - 1) % len(ORDERS)]


def write_study(folder: Path, *, people: int, seed: int) -> None:
    """Write the study folder: tables, settings and raw files of so many people."""
    tables: dict[str, list[dict]] = {
        name: [] for name in ("participants", "sessions", "occlusion", "recordings", "events")
    }
    for number in range(1, people + 1):
        rng = np.random.default_rng([seed, number])
        person = draw_person(number, rng)
        tables["participants"].append(
            {"participant_id": person.name, "age_years": int(rng.integers(19, 41))}
        )
        for visit, which in enumerate(person.order, start=1):
            key = {"participant_id": person.name, "session_id": f"ses-{visit}"}
            sequence = "".join("ABC"[at] for at in person.order)
            tables["sessions"].append(key | {"visit": visit, "sequence": sequence})
            tables["occlusion"] += [occlusion_row(key, *of) for of in person.occlusion_mmhg.items()]
            tables["events"] += event_rows(person, CONDITIONS[which], key, rng)
            recordings = write_recordings(folder, person, CONDITIONS[which], visit, rng)
            tables["recordings"] += [key | recording for recording in recordings]
    for name, table in tables.items():
        columns = RECORDING_COLUMNS if name == "recordings" else None
        write_table(table, folder / f"{name}.tsv", columns)
    write_text(study_yaml(people), folder / "study.yaml")


def draw_person(number: int, rng: np.random.Generator) -> Person:
    """Draw the constants of one person."""
    return Person(
        number=number,
        resting_bpm=rng.uniform(58.0, 78.0),
        resting_smo2_pct=rng.uniform(66.0, 74.0),
        occlusion_mmhg={"leg": int(rng.integers(150, 200)), "arm": int(rng.integers(120, 160))},
    )


def event_rows(person: Person, condition: str, key: dict, rng: np.random.Generator) -> list[dict]:
    """Rows of events.tsv of one visit, on the session clock."""
    seated = key | {"posture": "seated", "condition": condition}
    events = [key | span("sync", mark_s, mark_s) for mark_s in MARKS_S]
    events.append(seated | span("baseline", *BASELINE_S))
    for exercise in EXERCISES:
        of_set = seated | {"exercise": exercise.name, "limb": exercise.limb, "side": "right"}
        mmhg = pressure_mmhg(person, exercise, condition)
        of_set |= {"bout": 1, "cuff_pressure_mmhg": mmhg}
        answers = {
            "reps_planned": 15,
            "reps_done": 15,
            "to_failure": "no",
            "rpe": round(rng.uniform(2.0, 7.0), 1),
            "pain": int(rng.integers(0, 6)),
            "numbness": "none",
            "capillary_refill_s": round(rng.uniform(1.2, 2.4), 1),
            "distal_flow": "yes",
            "stopped_early": "no",
        }
        if condition != "none":
            events.append(of_set | span("cuff", *exercise.cuff_s))
        events.append(of_set | span("set", exercise.onset_s, exercise.end_s) | answers)
    events.append(seated | span("rest", EXERCISES[0].end_s, EXERCISES[1].onset_s))
    events.append(seated | span("recovery", *RECOVERY_S))
    return sorted(events, key=lambda row: row["onset_s"])


def pressure_mmhg(person: Person, exercise: Exercise, condition: str) -> int:
    """The pressure of the cuff in one exercise."""
    return round(SHARE_OF_OCCLUSION[condition] * person.occlusion_mmhg[exercise.limb])


def write_recordings(
    folder: Path, person: Person, condition: str, visit: int, rng: np.random.Generator
) -> list[dict]:
    """Write the raw files of one visit; give their rows of recordings.tsv."""
    beats = simulate_heart(person, condition, rng)
    times_s = np.arange(0.0, VISIT_S, 1.0 / SATURATION_RATE_HZ[person.recorder])
    saturation = {
        exercise: simulate_saturation(person, exercise, condition, times_s, rng)
        for exercise in EXERCISES
    }
    stem = f"raw/{person.name}_ses-{visit}"
    if person.recorder == "edf":
        cuff_mmhg = simulate_cuff(person, condition, rng)
        ecg_uv = record_ecg(beats, rng)
        channels = [
            ("ecg", "ECG II", ECG_RATE_HZ, ecg_uv),
            *(
                ("muscle_oxygen", exercise.channel, SATURATION_RATE_HZ["edf"], values_pct)
                for exercise, values_pct in saturation.items()
            ),
            ("cuff_pressure", "Cuff", CUFF_RATE_HZ, cuff_mmhg),
        ]
        write_edf(folder / f"{stem}.edf", channels)
        return [
            row(f"{stem}.edf", "ecg", "uV", channel="ECG II"),
            *(saturation_row(f"{stem}.edf", exercise) for exercise in EXERCISES),
            row(f"{stem}.edf", "cuff_pressure", "mmHg", channel="Cuff"),
        ]
    if person.recorder == "physio":
        about = "Invented electrocardiogram"
        ecg_uv = record_ecg(beats, rng)
        stem_of_ecg = f"{stem}_recording-ecg_physio"
        file = write_physio(folder, stem_of_ecg, ecg_uv, ECG_RATE_HZ, about)
        heart = row(file, "ecg", "uV", channel="cardiac")
    else:
        file, first_s = f"{stem}_intervals.txt", float(beats.beat_time_s[0])
        write_intervals(folder / file, np.diff(beats.beat_time_s))
        heart = row(file, "rr", "ms", zero_s=first_s)
    columns = {"time_s": times_s} | {e.channel: pct for e, pct in saturation.items()}
    written = {name: [f"{v:.1f}" for v in samples] for name, samples in columns.items()}
    file = f"{stem}_saturation.csv"
    write_text(text_of_columns(written), folder / file)
    return [heart, *(saturation_row(file, e) | {"time_column": "time_s"} for e in EXERCISES)]


def simulate_heart(person: Person, condition: str, rng: np.random.Generator) -> SimulatedBeats:
    """Beats of one visit: a rise in each set, breathing, slow waves."""

    def rate_bpm(times_s: np.ndarray) -> np.ndarray:
        steps = []
        for exercise in EXERCISES:
            working_bpm = person.resting_bpm + RISE_BPM[condition]
            steps += [
                signals.Step(exercise.onset_s, working_bpm, 14.0),
                signals.Step(exercise.end_s, person.resting_bpm + 4.0, 22.0),
            ]
        return signals.first_order_course(times_s, initial=person.resting_bpm, steps=steps)

    return simulate_beats(
        VISIT_S,
        heart_rate_bpm=rate_bpm,
        breathing_rate_hz=rng.uniform(0.22, 0.30),
        breathing_modulation=rng.uniform(0.015, 0.03),
        random_bands=[(0.1, 0.015, 0.025), (0.0, 0.02, 0.02)],
        breathing_irregularity=0.08,
        jitter_s=0.002,
        step_s=0.02,
        rng=rng,
    )


def simulate_saturation(
    person: Person,
    exercise: Exercise,
    condition: str,
    times_s: np.ndarray,
    rng: np.random.Generator,
) -> np.ndarray:
    """Saturation of one muscle in percent, in steps of 0.1, with the ripple of the repetitions."""
    inflation_s, release_s = exercise.cuff_s
    muscle_set = signals.MuscleSet(
        inflation_s=inflation_s,
        onset_s=exercise.onset_s,
        end_s=exercise.end_s,
        release_s=exercise.end_s if condition == "none" else release_s,
        resting_cuff_drop_pct=6.0 * SHARE_OF_OCCLUSION[condition],
        nadir_pct=NADIR_PCT[condition] + rng.normal(0.0, 3.0),
        recovery_tau_s=rng.uniform(14.0, 22.0),
        overshoot_pct=2.0,
    )
    course_pct = signals.saturation_course(
        times_s, baseline_pct=person.resting_smo2_pct, sets=[muscle_set]
    )
    boundaries_s = np.arange(exercise.onset_s, exercise.end_s + 0.1, REPETITION_S)
    course_pct -= rng.uniform(1.4, 2.2) * signals.ripple(times_s, boundaries_s)
    return signals.saturation_as_recorded(course_pct, times_s, rng)


def simulate_cuff(person: Person, condition: str, rng: np.random.Generator) -> np.ndarray:
    """Pressure of the cuff in use, in mmHg."""
    times_s = np.arange(0.0, VISIT_S, 1.0 / CUFF_RATE_HZ)
    inflations = [(*e.cuff_s, pressure_mmhg(person, e, condition)) for e in EXERCISES]
    course_mmhg = signals.cuff_course(times_s, inflations)
    return np.maximum(course_mmhg + rng.normal(0.0, 0.3, times_s.size), 0.0)


def record_ecg(beats: SimulatedBeats, rng: np.random.Generator) -> np.ndarray:
    """Electrocardiogram in microvolts: waves of every beat, breathing, muscle noise."""
    times_s = np.arange(0.0, VISIT_S, 1.0 / ECG_RATE_HZ)
    breath = np.interp(times_s, beats.time_s, beats.breathing)
    beat_time_s = beats.beat_time_s
    trace_uv = signals.add_waves(
        45.0 * breath,
        beat_time_s,
        signals.intervals_of(beat_time_s),
        1.0 + 0.06 * np.interp(beat_time_s, beats.time_s, beats.breathing),
        waves=signals.SINUS_WAVES,
        rate_hz=ECG_RATE_HZ,
    )
    return trace_uv + rng.normal(0.0, 12.0, times_s.size)


def saturation_row(file: str, exercise: Exercise) -> dict:
    """Row of recordings.tsv of one saturation sensor, distal to the cuff."""
    return row(file, "muscle_oxygen", "pct", channel=exercise.channel) | sensor(exercise.muscle)


def row(file: str, signal: str, unit: str, *, channel: str | None = None, zero_s: float = 0.0):
    """Row of recordings.tsv; `zero_s` is the session time at the zero of the file."""
    marks_s = marks(mark_s - zero_s for mark_s in MARKS_S)
    return {
        "signal": signal, "file": file, "channel": channel, "unit": unit, "sync_marks_s": marks_s
    }  # fmt: skip


def study_yaml(people: int) -> str:
    """What differs from the default settings."""
    muscles = "\n".join(f"    {exercise.name}: {exercise.muscle}" for exercise in EXERCISES)
    names = ", ".join(exercise.name for exercise in EXERCISES)
    return f"""\
study:
  title: "Invented study of {people} people"
  conditions: ["none", "low", "target"]
  exercises: [{names}]
  primary_outcomes:
    - {{outcome: smo2_nadir_pct, window: set}}
    - {{outcome: mean_hr_bpm, window: set}}
segment_oxygenation:
  working_muscle:
{muscles}
compare_conditions:
  smallest_effect: {{smo2_nadir_pct: 5.0, mean_hr_bpm: 3.0}}
"""


if __name__ == "__main__":
    run_writer(write_study, __doc__.splitlines()[0], people=333, seed=20261)
