"""Write an invented study of any size, to see what grows with the number of people.

    python3.11 scripts/launch.py benchmark large_study --people 333 --into FOLDER

Everybody comes for three visits of 8.5 minutes, shorter than those of a laboratory: a baseline, two
exercises of one bout each, a recovery, one condition per visit in balanced orders. Of five people
two have an ECG with saturation and cuff pressure in EDF, one an ECG as BIDS physiology and two beat
intervals, those three with saturation in delimited text. No two files are alike. The same seed
writes the same bytes, and the first people of a large study are those of a small one.
"""

from __future__ import annotations

import argparse
import gzip
import json
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path

import numpy as np
import pandas as pd

from demo import signals
from demo.heart_period import SimulatedBeats, simulate_beats

CONDITIONS = ("none", "low", "target")
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
    (folder / "raw").mkdir(parents=True, exist_ok=True)
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
            tables["occlusion"] += occlusion_rows(person, key)
            tables["events"] += event_rows(person, CONDITIONS[which], key, rng)
            recordings = write_recordings(folder, person, CONDITIONS[which], visit, rng)
            tables["recordings"] += [key | recording for recording in recordings]
    for name, table in tables.items():
        text = pd.DataFrame(table).to_csv(sep="\t", index=False, na_rep="n/a", lineterminator="\n")
        (folder / f"{name}.tsv").write_text(text, encoding="utf-8")
    (folder / "study.yaml").write_text(study_yaml(people), encoding="utf-8")


def draw_person(number: int, rng: np.random.Generator) -> Person:
    """Draw the constants of one person."""
    return Person(
        number=number,
        resting_bpm=rng.uniform(58.0, 78.0),
        resting_smo2_pct=rng.uniform(66.0, 74.0),
        occlusion_mmhg={"leg": int(rng.integers(150, 200)), "arm": int(rng.integers(120, 160))},
    )


def occlusion_rows(person: Person, key: dict) -> list[dict]:
    """Rows of occlusion.tsv of one visit: a measurement on each limb."""
    return [
        key
        | {
            "limb": limb,
            "side": "right",
            "posture": "seated",
            "cuff_width_cm": 13 if limb == "leg" else 8,
            "occlusion_pressure_mmhg": pressure,
            "method": "doppler",
        }
        for limb, pressure in person.occlusion_mmhg.items()
    ]


def event_rows(person: Person, condition: str, key: dict, rng: np.random.Generator) -> list[dict]:
    """Rows of events.tsv of one visit, on the session clock."""
    seated = key | {"posture": "seated", "condition": condition}

    def span(trial_type: str, start_s: float, end_s: float, **more: object) -> dict:
        onset = {"onset_s": start_s, "duration_s": end_s - start_s, "trial_type": trial_type}
        return seated | onset | more

    events = [key | {"onset_s": m, "duration_s": 0.0, "trial_type": "sync"} for m in MARKS_S]
    events.append(span("baseline", *BASELINE_S))
    for exercise in EXERCISES:
        limb = {"exercise": exercise.name, "limb": exercise.limb, "side": "right", "bout": 1}
        limb["cuff_pressure_mmhg"] = pressure_mmhg(person, exercise, condition)
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
            events.append(span("cuff", *exercise.cuff_s, **limb))
        events.append(span("set", exercise.onset_s, exercise.end_s, **limb, **answers))
    events.append(span("rest", EXERCISES[0].end_s, EXERCISES[1].onset_s))
    events.append(span("recovery", *RECOVERY_S))
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
        cuff = simulate_cuff(person, condition, rng)
        return write_edf(folder, f"{stem}.edf", record_ecg(beats, rng), saturation, cuff)
    write_heart = write_intervals if person.recorder == "intervals" else write_physio
    return [
        write_heart(folder, stem, beats, rng),
        *write_saturation(folder, f"{stem}_saturation.csv", times_s, saturation),
    ]


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
        fall_tau_s=12.0,
        recovery_delay_s=4.0,
        recovery_tau_s=rng.uniform(14.0, 22.0),
        overshoot_pct=2.0,
    )
    course_pct = signals.saturation_course(
        times_s, baseline_pct=person.resting_smo2_pct, sets=[muscle_set]
    )
    boundaries_s = np.arange(exercise.onset_s, exercise.end_s + 0.1, REPETITION_S)
    turns = signals.repetition_phase(times_s, boundaries_s)
    course_pct -= rng.uniform(1.4, 2.2) * np.sin(2.0 * np.pi * turns)
    course_pct += 0.25 * signals.slow_wander(times_s, rng, low_hz=0.003, high_hz=0.02)
    course_pct += rng.normal(0.0, 0.35, times_s.size)
    return np.round(np.clip(course_pct, 0.0, 100.0), 1)


def simulate_cuff(person: Person, condition: str, rng: np.random.Generator) -> np.ndarray:
    """Pressure of the cuff in use, in mmHg."""
    times_s = np.arange(0.0, VISIT_S, 1.0 / CUFF_RATE_HZ)
    course_mmhg = signals.cuff_course(
        times_s,
        inflations_s=[exercise.cuff_s[0] for exercise in EXERCISES],
        releases_s=[exercise.cuff_s[1] for exercise in EXERCISES],
        pressures_mmhg=[pressure_mmhg(person, exercise, condition) for exercise in EXERCISES],
        ramp_s=4.0,
        release_tau_s=0.7,
    )
    return np.maximum(course_mmhg + rng.normal(0.0, 0.3, times_s.size), 0.0)


def record_ecg(beats: SimulatedBeats, rng: np.random.Generator) -> np.ndarray:
    """Electrocardiogram in microvolts: waves of every beat, breathing, muscle noise."""
    times_s = np.arange(0.0, VISIT_S, 1.0 / ECG_RATE_HZ)
    breath = np.interp(times_s, beats.time_s, beats.breathing)
    beat_time_s = beats.beat_time_s
    trace_uv = signals.add_waves(
        45.0 * breath,
        beat_time_s,
        np.diff(beat_time_s, prepend=2.0 * beat_time_s[0] - beat_time_s[1]),
        1.0 + 0.06 * np.interp(beat_time_s, beats.time_s, beats.breathing),
        waves=signals.SINUS_WAVES,
        rate_hz=ECG_RATE_HZ,
    )
    return trace_uv + rng.normal(0.0, 12.0, times_s.size)


def write_edf(
    folder: Path,
    file: str,
    ecg_uv: np.ndarray,
    saturation_pct: dict[Exercise, np.ndarray],
    cuff_mmhg: np.ndarray,
) -> list[dict]:
    """Write one EDF with the electrocardiogram, two saturations and the pressure of the cuff."""
    from edfio import Edf, EdfSignal, Recording

    channels = [
        EdfSignal(
            np.clip(ecg_uv, -6500.0, 6500.0),
            ECG_RATE_HZ,
            label="ECG II",
            physical_dimension="uV",
            physical_range=(-6553.6, 6553.4),
        ),
        *(
            EdfSignal(
                values_pct,
                SATURATION_RATE_HZ["edf"],
                label=exercise.channel,
                physical_dimension="%",
                physical_range=(0, 100),
                digital_range=(0, 1000),
            )
            for exercise, values_pct in saturation_pct.items()
        ),
        EdfSignal(
            np.clip(cuff_mmhg, 0.0, 300.0),
            CUFF_RATE_HZ,
            label="Cuff",
            physical_dimension="mmHg",
            physical_range=(0, 300),
            digital_range=(0, 3000),
        ),
    ]
    recording = Recording(equipment_code="invented")
    Edf(channels, recording=recording, data_record_duration=1.0).write(folder / file)
    return [
        row(file, "ecg", "uV", channel="ECG II"),
        *(saturation_row(file, exercise) for exercise in saturation_pct),
        row(file, "cuff_pressure", "mmHg", channel="Cuff"),
    ]


def write_physio(folder: Path, stem: str, beats: SimulatedBeats, rng: np.random.Generator) -> dict:
    """Write the electrocardiogram as BIDS physiology."""
    name = f"{stem}_recording-ecg_physio"
    values = np.rint(record_ecg(beats, rng)).astype(int)
    text = "\n".join(map(str, values.tolist())) + "\n"
    (folder / f"{name}.tsv.gz").write_bytes(gzip.compress(text.encode(), 6, mtime=0))
    sidecar = {"SamplingFrequency": ECG_RATE_HZ, "StartTime": 0, "Columns": ["cardiac"]}
    sidecar["cardiac"] = {"Description": "Invented electrocardiogram", "Units": "uV"}
    (folder / f"{name}.json").write_text(json.dumps(sidecar, indent=2) + "\n", encoding="utf-8")
    return row(f"{name}.tsv.gz", "ecg", "uV", channel="cardiac")


def write_intervals(
    folder: Path, stem: str, beats: SimulatedBeats, rng: np.random.Generator
) -> dict:
    """Write beat intervals, one per line; the first beat is the zero of the file."""
    beat_time_s = beats.beat_time_s
    lines = np.rint(1000.0 * np.diff(beat_time_s)).astype(int).tolist()
    file = f"{stem}_intervals.txt"
    (folder / file).write_text("\n".join(map(str, lines)) + "\n", encoding="utf-8")
    return row(file, "rr", "ms", zero_s=float(beat_time_s[0]))


def write_saturation(
    folder: Path, file: str, times_s: np.ndarray, saturation_pct: dict[Exercise, np.ndarray]
) -> list[dict]:
    """Write the saturations as delimited text with a column of times."""
    names = ["time_s", *(exercise.channel for exercise in saturation_pct)]
    columns = zip(times_s.tolist(), *(v.tolist() for v in saturation_pct.values()), strict=True)
    lines = [",".join(f"{value:.1f}" for value in values) for values in columns]
    text = "\n".join([",".join(names), *lines]) + "\n"
    (folder / file).write_text(text, encoding="utf-8")
    return [saturation_row(file, exercise, time_column="time_s") for exercise in saturation_pct]


def saturation_row(file: str, exercise: Exercise, time_column: str | None = None) -> dict:
    """Row of recordings.tsv of one saturation sensor, distal to the cuff."""
    sensor = {"site": exercise.muscle, "side": "right", "position": "distal"}
    column = {"time_column": time_column}
    return row(file, "muscle_oxygen", "pct", channel=exercise.channel) | sensor | column


def row(
    file: str, signal: str, unit: str, *, channel: str | None = None, zero_s: float = 0.0
) -> dict:
    """Row of recordings.tsv; `zero_s` is the session time at the zero of the file."""
    return {
        "signal": signal,
        "file": file,
        "channel": channel,
        "time_column": None,
        "unit": unit,
        "site": None,
        "side": None,
        "position": None,
        "sync_marks_s": ";".join(f"{mark_s - zero_s:.3f}" for mark_s in MARKS_S),
    }


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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--people", type=int, default=333)
    parser.add_argument("--into", type=Path, required=True, help="folder of the new study")
    parser.add_argument("--seed", type=int, default=20261)
    chosen = parser.parse_args()
    write_study(chosen.into, people=chosen.people, seed=chosen.seed)


if __name__ == "__main__":
    main()
