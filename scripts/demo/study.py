"""The invented demo study: who, when, what was done, and where trouble lies.

Everything here is invented: people, pressures, effects and faults. `plan_study` decides the whole
study without making a signal, which `demo/sensors.py` does; both depend on the seed alone, and a
visit does not depend on which other visits are made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from demo.signals import Floats

DEMO_SEED = 20531
CONDITIONS = ("none", "low", "target")
SHARE_OF_OCCLUSION_PRESSURE = {"none": 0.0, "low": 0.20, "target": 0.60}

# All six orders of three conditions (Williams 1949, Aust J Sci Res A 2:149): A none, B low,
# C target.
SEQUENCES = ("ABC", "BCA", "CAB", "ACB", "BAC", "CBA")

CUFF_WIDTH_CM = {"leg": 13, "arm": 8}

# The condition effects. Person-by-condition deviations are centred over the people, so these are
# the effects among these ten people, not only in the population they were drawn from.
SMO2_NADIR_EFFECT_PCT = {"none": 0.0, "low": -6.0, "target": -32.0}

MEAN_HR_EFFECT_BPM = {"none": 0.0, "low": 2.0, "target": 6.0}

# of the modulations of the heart period, from the first set of a visit on
MODULATION_RATIO = {"none": 1.0, "low": 1.0, "target": 0.8}

SMO2_NADIR_DEVIATION_SD_PCT = 2.5
MEAN_HR_DEVIATION_SD_BPM = 1.8
SET_RESIDUAL_SD = 0.8  # of nadir (percentage points) and mean heart rate (bpm) alike
LOG_RMSSD_DEVIATION_SD = 0.10
LOG_MODULATION_DEVIATION_SD = 0.05
SMO2_BASELINE_DEVIATION_SD_PCT = 1.2
RESTING_HR_DEVIATION_SD_BPM = 2.0
BASELINE_ONSET_S = 20.0
BASELINE_DURATION_S = 360.0
INFLATED_BEFORE_SET_S = 25.0
INFLATED_AFTER_SET_S = 5.0
RECOVERY_DURATION_S = 420.0
FIRST_SYNC_S = 5.0


@dataclass(frozen=True)
class Exercise:
    """One exercise with what it takes in the condition without a cuff."""

    name: str
    limb: str
    muscle: str
    reps_planned: int
    cadence_s: float
    hr_rise_bpm: float
    smo2_nadir_pct: float
    resting_smo2_pct: float
    load_kg: tuple[float, float]


EXERCISES = (
    Exercise("knee_extension", "leg", "vastus lateralis", 15, 4.0, 28.0, 48.0, 66.0, (8, 14)),
    Exercise("calf_raise", "leg", "gastrocnemius", 16, 3.5, 17.0, 51.0, 64.5, (18, 30)),
    Exercise("elbow_extension", "arm", "triceps brachii", 17, 3.5, 19.0, 50.0, 65.5, (3, 6)),
    Exercise("band_row", "arm", "biceps brachii", 20, 3.0, 24.0, 52.0, 67.0, (6, 12)),
)

WORKING_MUSCLE = {exercise.name: exercise.muscle for exercise in EXERCISES}


@dataclass(frozen=True)
class Equipment:
    """What a participant was recorded with.

    `heart` is `edf`, `physio` (BIDS physiology) or `intervals`; the rest describes the file of
    saturations, which an EDF holds itself.
    """

    heart: str
    oxygen_rate_hz: float
    ecg_rate_hz: float | None = None
    interval_unit: str = "ms"
    suffix: str = ".csv"
    separator: str = ","
    decimal: str = "."
    newline: str = "\n"
    byte_order_mark: bool = False
    preamble_lines: int = 0
    fraction: bool = False
    time_column: str | None = "time_s"
    haemoglobin: bool = False


EQUIPMENT = {
    "sub-01": Equipment("edf", 10.0, 250.0),
    "sub-02": Equipment("edf", 10.0, 250.0),
    "sub-03": Equipment("physio", 2.0, 130.0, separator=";", decimal=","),
    "sub-04": Equipment("physio", 2.0, 130.0, separator=";", decimal=","),
    "sub-05": Equipment("intervals", 1.0, haemoglobin=True),
    "sub-06": Equipment("intervals", 1.0, suffix=".tsv", separator="\t", time_column="Time [s]"),
    "sub-07": Equipment("intervals", 1.0, preamble_lines=5, haemoglobin=True),
    "sub-08": Equipment("intervals", 1.0, interval_unit="s", newline="\r\n", byte_order_mark=True),
    "sub-09": Equipment("intervals", 1.0, suffix=".tsv", separator="\t", fraction=True),
    "sub-10": Equipment("intervals", 0.5, time_column=None),
}

PARTICIPANTS = tuple(EQUIPMENT)

# Deliberate trouble: who has which fault. Where it falls inside a visit follows from the plan.
MISSING_VISIT = ("sub-09", 3)
ECTOPIC_PARTICIPANT = "sub-02"
MOTION_NOISE = ("sub-03", 2)
MOTION_NOISE_EXERCISES = ("elbow_extension", "band_row")
DRIFTING_PARTICIPANT = "sub-04"
DRIFT_PPM = 45.0
FALSE_BEAT = ("sub-05", 1)
FALSE_BEAT_NEAR_S = 212.0
DROPOUT = ("sub-05", 3)
DROPOUT_SET = ("knee_extension", 2)
DROPOUT_AFTER_ONSET_S = 20.0
DROPOUT_DURATION_S = 40.0
MISSED_BEATS = ("sub-06", 2)
MISSED_NEAR_S = (97.0, 168.0, 251.0, 322.0, 741.0, 1033.0)
MISSED_BEFORE_END_S = (290.0, 151.0)
LOST_AFTER_SET = 4
LOST_FROM_S, LOST_TO_S = 30.0, 42.0
STOPPED_EARLY = ("sub-07", "target", "elbow_extension", 2)
STOPPED_AFTER_REPS = 7
SINGLE_SYNC = ("sub-08", 2)
ESTIMATED_OCCLUSION = ("sub-08", "target", "arm")
SUPINE_OCCLUSION = ("sub-10", "target", "leg")
MISCOUNTED = ("sub-01", 2, "calf_raise", 1)

# A set ends in failure where the planned nadir, with a spread of its own, lies below this.
FAILURE_BELOW_PCT = 16.0

FAILURE_SPREAD_PCT = 2.0
REPS_LOST_TO_FAILURE = 2


@dataclass(frozen=True)
class Person:
    """One invented participant."""

    participant_id: str
    age_years: int
    sex: str
    body_mass_kg: float
    stature_cm: float
    vastus_skinfold_mm: float
    sequence: str
    first_date: date
    resting_hr_bpm: float
    resting_rmssd_ms: float
    respiration_hz: float
    smo2_shift_pct: float
    nadir_shift_pct: float
    hr_rise_shift_bpm: float
    seated_occlusion_mmhg: Mapping[str, float]
    load_kg: Mapping[str, float]


@dataclass(frozen=True)
class SimulatedOcclusion:
    """One measurement of the occlusion pressure of a limb."""

    limb: str
    posture: str
    method: str
    pressure_mmhg: int


@dataclass(frozen=True)
class PlannedSet:
    """One set as it was really done, times on the session clock."""

    condition: str
    exercise: Exercise
    bout: int
    inflation_s: float
    rep_boundaries_s: tuple[float, ...]
    release_s: float
    rest_end_s: float
    cuff_pressure_mmhg: int
    reps_logged: int
    to_failure: bool
    stopped_early: bool
    rpe: float
    pain: int
    numbness: str
    capillary_refill_s: float
    nadir_pct: float
    mean_hr_bpm: float
    recovery_tau_s: float

    @property
    def onset_s(self) -> float:
        return self.rep_boundaries_s[0]

    @property
    def end_s(self) -> float:
        return self.rep_boundaries_s[-1]

    @property
    def span_s(self) -> tuple[float, float]:
        return self.onset_s, self.end_s

    @property
    def reps_done(self) -> int:
        return len(self.rep_boundaries_s) - 1


@dataclass(frozen=True)
class SimulatedClock:
    """A recorder's clock: session time = offset_s + file time x (1 + drift_ppm x 1e-6)."""

    offset_s: float
    drift_ppm: float

    def to_session_s(self, file_s: Floats) -> Floats:
        return self.offset_s + file_s * (1.0 + self.drift_ppm * 1e-6)

    def to_file_s(self, session_s: Floats) -> Floats:
        return (session_s - self.offset_s) / (1.0 + self.drift_ppm * 1e-6)


@dataclass(frozen=True)
class PlannedVisit:
    """One visit: one condition, on one session clock."""

    person: Person
    participant_index: int
    visit: int
    condition: str
    date_shifted: date
    occlusions: tuple[SimulatedOcclusion, ...]
    resting_hr_bpm: float
    resting_rmssd_ms: float
    modulation_ratio: float
    resting_smo2_pct: Mapping[str, float]
    baseline_refill_s: float
    sets: tuple[PlannedSet, ...]
    sync_s: tuple[float, ...]
    heart_clock: SimulatedClock
    oxygen_clock: SimulatedClock

    @property
    def participant_id(self) -> str:
        return self.person.participant_id

    @property
    def session_id(self) -> str:
        return f"ses-{self.visit}"

    @property
    def key(self) -> dict[str, str]:
        """Participant and session, as the rows of every table name them."""
        return {"participant_id": self.participant_id, "session_id": self.session_id}

    @property
    def recovery_s(self) -> tuple[float, float]:
        onset_s = self.sets[-1].end_s
        return onset_s, onset_s + RECOVERY_DURATION_S

    @property
    def end_s(self) -> float:
        return self.recovery_s[1] + 12.0


def plan_study(seed: int = DEMO_SEED) -> tuple[PlannedVisit, ...]:
    """Return every visit of the study in order of participant and visit, without any signal."""
    rng = generator(seed, 0)
    sequences = [SEQUENCES[i] for i in rng.permutation(6)]
    sequences += [SEQUENCES[i] for i in rng.permutation(6)[: len(PARTICIPANTS) - 6]]
    people = [
        draw_person(rng, participant, sequence)
        for participant, sequence in zip(PARTICIPANTS, sequences, strict=True)
    ]
    deviations = {
        name: centred_deviations(rng, sd)
        for name, sd in {
            "nadir": SMO2_NADIR_DEVIATION_SD_PCT,
            "hr": MEAN_HR_DEVIATION_SD_BPM,
            "log_rmssd": LOG_RMSSD_DEVIATION_SD,
            "smo2": SMO2_BASELINE_DEVIATION_SD_PCT,
            "resting_hr": RESTING_HR_DEVIATION_SD_BPM,
            "log_modulation": LOG_MODULATION_DEVIATION_SD,
        }.items()
    }
    visits = []
    for index, person in enumerate(people):
        for visit in (1, 2, 3):
            if (person.participant_id, visit) == MISSING_VISIT:
                continue
            condition = condition_of(person.sequence, visit)
            of_person = {
                name: table.at[person.participant_id, condition]
                for name, table in deviations.items()
            }
            visits.append(
                plan_visit(generator(seed, 1, index, visit), person, index, visit, of_person)
            )
    return tuple(visits)


def generator(seed: int, *key: int) -> np.random.Generator:
    """Return the generator of one part of the study, independent of all other parts.

    `key` is 0 for the people, 1 and 2 with participant and visit for a visit's plan and signals.
    """
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=key))


def condition_of(sequence: str, visit: int) -> str:
    """Return the condition of visit 1, 2 or 3 in a sequence such as `BCA`."""
    return CONDITIONS["ABC".index(sequence[visit - 1])]


def centred_deviations(rng: np.random.Generator, sd: float) -> pd.DataFrame:
    """Return person-by-condition deviations that sum to zero within each condition.

    The person with a missing visit gets none, so that the stated effects hold both among all
    people and among those with every visit.
    """
    drawn = pd.DataFrame(
        rng.normal(0.0, sd, (len(PARTICIPANTS), len(CONDITIONS))),
        index=pd.Index(PARTICIPANTS),
        columns=list(CONDITIONS),
    )
    complete = drawn.drop(index=MISSING_VISIT[0])
    return (complete - complete.mean()).reindex(drawn.index, fill_value=0.0)


def centred(draws: Floats) -> Floats:
    """Return values less their mean."""
    return draws - draws.mean()


def draw_person(rng: np.random.Generator, participant: str, sequence: str) -> Person:
    """Return one invented participant."""
    sex = ("female", "male")[PARTICIPANTS.index(participant) % 2]
    stature_cm = round(rng.normal(167.0 if sex == "female" else 179.0, 5.0), 1)
    body_mass_kg = round(rng.normal(22.8, 1.8) * (stature_cm / 100.0) ** 2, 1)
    return Person(
        participant_id=participant,
        age_years=int(rng.integers(20, 35)),
        sex=sex,
        body_mass_kg=body_mass_kg,
        stature_cm=stature_cm,
        vastus_skinfold_mm=round(rng.uniform(9.0, 16.0) + (5.0 if sex == "female" else 0.0), 1),
        sequence=sequence,
        # Shifted dates lie before 1925, as BIDS asks, so that nobody takes them for real ones.
        first_date=date(1921, 3, 1) + timedelta(days=int(rng.integers(0, 60))),
        resting_hr_bpm=rng.uniform(58.0, 74.0),
        resting_rmssd_ms=float(np.exp(rng.normal(np.log(38.0), 0.25))),
        respiration_hz=rng.uniform(0.23, 0.28),
        smo2_shift_pct=rng.uniform(-2.5, 2.5),
        nadir_shift_pct=rng.normal(0.0, 2.5),
        hr_rise_shift_bpm=rng.normal(0.0, 3.5),
        seated_occlusion_mmhg={"leg": rng.uniform(172.0, 210.0), "arm": rng.uniform(128.0, 160.0)},
        load_kg={e.name: round(2.0 * rng.uniform(*e.load_kg)) / 2.0 for e in EXERCISES},
    )


def plan_visit(
    rng: np.random.Generator,
    person: Person,
    participant_index: int,
    visit: int,
    deviations: Mapping[str, float],
) -> PlannedVisit:
    """Return one visit: pressures, every set with its times and marks, clocks."""
    condition = condition_of(person.sequence, visit)
    key = (person.participant_id, visit)
    occlusions = tuple(draw_occlusion(rng, person, condition, limb) for limb in ("leg", "arm"))
    resting_hr_bpm = person.resting_hr_bpm + deviations["resting_hr"]
    sets = plan_sets(rng, person, visit, condition, occlusions, deviations)
    last_sync_s = round(sets[-1].end_s + RECOVERY_DURATION_S + 4.0 + rng.uniform(0.0, 3.0), 3)
    sync_s = (FIRST_SYNC_S, last_sync_s)
    if key == SINGLE_SYNC:
        sync_s = (FIRST_SYNC_S,)
    if person.participant_id == DRIFTING_PARTICIPANT:
        sync_s = (FIRST_SYNC_S, round(sets[3].rest_end_s - 8.0, 3), last_sync_s)
    heart_clock, oxygen_clock = (
        SimulatedClock(round(-rng.uniform(2.5, 9.5), 3), round(rng.uniform(-9.0, 9.0), 1))
        for _ in range(2)
    )
    equipment = EQUIPMENT[person.participant_id]
    if equipment.heart == "edf":
        oxygen_clock = heart_clock
    if person.participant_id == DRIFTING_PARTICIPANT:
        heart_clock = SimulatedClock(heart_clock.offset_s, DRIFT_PPM)
    return PlannedVisit(
        person=person,
        participant_index=participant_index,
        visit=visit,
        condition=condition,
        date_shifted=person.first_date + timedelta(days=7 * (visit - 1) + int(rng.integers(0, 3))),
        occlusions=occlusions,
        resting_hr_bpm=resting_hr_bpm,
        resting_rmssd_ms=person.resting_rmssd_ms * float(np.exp(deviations["log_rmssd"])),
        modulation_ratio=MODULATION_RATIO[condition] * float(np.exp(deviations["log_modulation"])),
        resting_smo2_pct={
            e.muscle: round(e.resting_smo2_pct + person.smo2_shift_pct + deviations["smo2"], 2)
            for e in EXERCISES
        },
        baseline_refill_s=round(rng.uniform(1.3, 1.9), 1),
        sets=sets,
        sync_s=sync_s,
        heart_clock=heart_clock,
        oxygen_clock=oxygen_clock,
    )


def draw_occlusion(
    rng: np.random.Generator, person: Person, condition: str, limb: str
) -> SimulatedOcclusion:
    """Return the measurement of one limb at one visit, in 120 to 220 mmHg."""
    pressure = person.seated_occlusion_mmhg[limb] + rng.normal(0.0, 2.5)
    posture, method = "seated", "doppler"
    where = (person.participant_id, condition, limb)
    if where == SUPINE_OCCLUSION:
        # Supine against seated, leg: 187 and 204 mmHg (Hughes 2018, PeerJ 6:e4697).
        posture, pressure = "supine", pressure - 17.0
    if where == ESTIMATED_OCCLUSION:
        method = "estimated"
    return SimulatedOcclusion(limb, posture, method, round(pressure))


def plan_sets(
    rng: np.random.Generator,
    person: Person,
    visit: int,
    condition: str,
    occlusions: Sequence[SimulatedOcclusion],
    deviations: Mapping[str, float],
) -> tuple[PlannedSet, ...]:
    """Return the eight sets of a visit: four exercises of two bouts."""
    occlusion_mmhg = {occlusion.limb: occlusion.pressure_mmhg for occlusion in occlusions}
    nadir_residuals_pct, hr_residuals_bpm = (
        centred(rng.normal(0.0, SET_RESIDUAL_SD, 2 * len(EXERCISES))) for _ in range(2)
    )
    sets: list[PlannedSet] = []
    inflation_s = BASELINE_ONSET_S + BASELINE_DURATION_S + 18.0
    for exercise in EXERCISES:
        pressure = round(SHARE_OF_OCCLUSION_PRESSURE[condition] * occlusion_mmhg[exercise.limb])
        for bout in (1, 2):
            of_set = (person.participant_id, condition, exercise.name, bout)
            stopped = of_set == STOPPED_EARLY
            fewest, most = {"none": (0, 0), "low": (0, 1), "target": (1, 2)}[condition]
            missing = int(rng.integers(fewest, most + 1)) + (bout - 1) * int(rng.integers(1, 3))
            nadir_pct = (
                exercise.smo2_nadir_pct
                + person.nadir_shift_pct
                + SMO2_NADIR_EFFECT_PCT[condition]
                + deviations["nadir"]
                - 2.0 * (bout - 1)
                + nadir_residuals_pct[len(sets)]
            )
            near_failure_pct = nadir_pct + rng.normal(0.0, FAILURE_SPREAD_PCT)
            failed = near_failure_pct < FAILURE_BELOW_PCT and not stopped
            reps = max(exercise.reps_planned - missing - REPS_LOST_TO_FAILURE * failed, 10)
            if bout == 2:
                reps = min(reps, sets[-1].reps_done)
            if stopped:
                reps = STOPPED_AFTER_REPS
            lengths_s = exercise.cadence_s * (1.0 + rng.normal(0.0, 0.03, reps))
            boundaries_s = np.round(
                inflation_s + INFLATED_BEFORE_SET_S + np.cumsum([0.0, *lengths_s]), 1
            )
            end_s = float(boundaries_s[-1])
            release_s = end_s
            if condition != "none":
                release_s = round(end_s + (1.0 if stopped else INFLATED_AFTER_SET_S), 1)
            rest_end_s = round(end_s + rng.uniform(75.0, 84.0), 1)
            miscounted = (person.participant_id, visit, exercise.name, bout) == MISCOUNTED
            sets.append(
                PlannedSet(
                    condition=condition,
                    exercise=exercise,
                    bout=bout,
                    inflation_s=inflation_s,
                    rep_boundaries_s=tuple(float(b) for b in boundaries_s),
                    release_s=release_s,
                    rest_end_s=rest_end_s,
                    cuff_pressure_mmhg=pressure,
                    reps_logged=reps - 1 if miscounted else reps,
                    to_failure=failed,
                    stopped_early=stopped,
                    nadir_pct=nadir_pct,
                    mean_hr_bpm=person.resting_hr_bpm
                    + exercise.hr_rise_bpm
                    + person.hr_rise_shift_bpm
                    + MEAN_HR_EFFECT_BPM[condition]
                    + deviations["hr"]
                    + 2.5 * (bout - 1)
                    + hr_residuals_bpm[len(sets)],
                    recovery_tau_s=rng.uniform(19.0, 25.0),
                    **draw_marks(rng, condition, bout, failed=failed, stopped=stopped),
                )
            )
            inflation_s = rest_end_s
    return tuple(sets)


def draw_marks(
    rng: np.random.Generator, condition: str, bout: int, *, failed: bool, stopped: bool
) -> dict[str, object]:
    """Return what was asked and looked at after a set: effort, pain, numbness, refill."""
    level = CONDITIONS.index(condition)
    rpe = 3.0 + 1.5 * level + 0.8 * (bout - 1) + (1.0 if failed else 0.0) + rng.normal(0.0, 0.5)
    pain = 0.4 + 1.7 * level + 0.5 * (bout - 1) + rng.normal(0.0, 0.6)
    mild = rng.random() < (0.0, 0.03, 0.2)[level]
    refill_s = rng.uniform(1.4, 2.0) + 0.25 * level
    return {
        "rpe": float(np.clip(np.round(2.0 * rpe) / 2.0, 0.0, 10.0)),
        "pain": 6 if stopped else int(np.clip(round(pain), 0, 10)),
        "numbness": "marked" if stopped else "mild" if mild else "none",
        "capillary_refill_s": round(refill_s + (0.6 if stopped else 0.0), 1),
    }


def missed_near_s(visit: PlannedVisit) -> tuple[float, ...]:
    """Return the times near which the recorder missed single beats."""
    return *MISSED_NEAR_S, *(visit.end_s - before_s for before_s in MISSED_BEFORE_END_S)


def lost_stretch_s(visit: PlannedVisit) -> tuple[float, float]:
    """Return the stretch of which the recorder with missed beats wrote nothing."""
    end_s = visit.sets[LOST_AFTER_SET - 1].end_s
    return end_s + LOST_FROM_S, end_s + LOST_TO_S


def dropout_muscle() -> str:
    """Return the muscle whose sensor fell silent."""
    return WORKING_MUSCLE[DROPOUT_SET[0]]


def find_set(visit: PlannedVisit, exercise: str, bout: int) -> PlannedSet:
    """Return one set of a visit by exercise and bout."""
    return next(s for s in visit.sets if (s.exercise.name, s.bout) == (exercise, bout))


def dropout_s(visit: PlannedVisit) -> tuple[float, float]:
    """Return the stretch in which the silent sensor wrote zeros."""
    start_s = find_set(visit, *DROPOUT_SET).onset_s + DROPOUT_AFTER_ONSET_S
    return start_s, start_s + DROPOUT_DURATION_S
