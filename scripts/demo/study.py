"""The invented demo study: who, when, what was done, what the sensors saw, what is true.

Everything here is invented: people, pressures, effects and faults. `plan_study` decides the whole
study without making a signal; `simulate_visit` makes the signals and the truth of one visit. Both
depend on the seed alone, and a visit does not depend on which other visits are made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from demo import signals
from demo.signals import Floats, MuscleSet, Step

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
RESTING_CUFF_DROP_PCT = {"none": 0.0, "low": 1.5, "target": 4.0}
OVERSHOOT_PCT = {"none": 3.5, "low": 4.5, "target": 8.0}
HAEMOGLOBIN_RISE_G_DL = {"none": 0.05, "low": 0.20, "target": 0.45}
BASELINE_ONSET_S = 20.0
BASELINE_DURATION_S = 360.0
INFLATED_BEFORE_SET_S = 25.0
INFLATED_AFTER_SET_S = 5.0
RECOVERY_DURATION_S = 420.0
RECOVERY_STEADY_AFTER_S = 60.0
FIRST_SYNC_S = 5.0
GRID_RATE_HZ = 100.0
CUFF_CHANNEL_RATE_HZ = 2.0
LEAD_S = 15.0
HR_ON_TAU_S = 15.0
HR_OFF_TAU_S = 35.0


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


@dataclass(frozen=True)
class SimulatedVisit:
    """The signals of one visit as its recorders sampled them, and what is true about it.

    `beats` has time_s and kind: `normal`, `ectopic`, `missed` (a heart beat that the file joins
    over), `lost` (a heart beat in a stretch of which nothing was written) and `extra` (in the file
    but no heart beat). `ecg_uv` or `intervals_s` is None, according to the equipment.
    """

    beats: pd.DataFrame
    ecg_uv: Floats | None
    intervals_s: Floats | None
    saturation_pct: Mapping[str, Floats]
    haemoglobin_g_dl: Floats | None
    cuff_pressure_mmhg: Floats
    heart_clock: SimulatedClock
    heart_marks_s: tuple[float, ...]
    oxygen_marks_s: tuple[float, ...]
    set_truth: pd.DataFrame
    visit_truth: dict[str, object]


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


def centred(values: Floats) -> Floats:
    """Return values less their mean."""
    return values - values.mean()


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


def simulate_visit(visit: PlannedVisit, seed: int = DEMO_SEED) -> SimulatedVisit:
    """Return the signals and the truth of one visit."""
    rng = generator(seed, 2, visit.participant_index, visit.visit)
    equipment = EQUIPMENT[visit.participant_id]
    times_s = np.arange(-LEAD_S, visit.end_s + LEAD_S, 1.0 / GRID_RATE_HZ)
    respiration_hz = respiration_course(visit, times_s)
    respiration_turns = signals.cumulative_phase(times_s, respiration_hz)
    amplitudes_ms = modulation_amplitudes_ms(visit)
    period_s, gain = heart_period_course(visit, times_s, respiration_turns, amplitudes_ms, rng)
    beats = heart_beats(visit, times_s, period_s, gain, rng)
    set_truth = true_sets(visit, beats)
    visit_truth = true_visit(visit, beats, amplitudes_ms)

    ecg_uv = intervals_s = None
    heart_clock = visit.heart_clock
    if equipment.ecg_rate_hz is None:
        beats = with_recorder_faults(visit, beats)
        intervals_s, heart_clock, marks_s = recorded_intervals(visit, beats)
    else:
        ecg_uv = recorded_ecg(visit, beats, times_s, respiration_turns, rng)
        marks_s = heart_clock.to_file_s(np.array(visit.sync_s))
        if len(visit.sync_s) > 2:
            # Marks read by eye differ by some milliseconds: with three, the fit has a residual.
            marks_s = marks_s + rng.normal(0.0, 0.002, len(visit.sync_s))

    file_s = sample_times_s(visit, visit.oxygen_clock, equipment.oxygen_rate_hz)
    oxygen_s = visit.oxygen_clock.to_session_s(file_s)
    saturation_pct = {
        exercise.muscle: recorded_saturation(visit, exercise.muscle, oxygen_s, rng)
        for exercise in EXERCISES
    }
    haemoglobin_g_dl = recorded_haemoglobin(visit, oxygen_s, rng) if equipment.haemoglobin else None
    cuff_s = visit.oxygen_clock.to_session_s(
        sample_times_s(visit, visit.oxygen_clock, CUFF_CHANNEL_RATE_HZ)
    )
    return SimulatedVisit(
        beats=beats,
        ecg_uv=ecg_uv,
        intervals_s=intervals_s,
        saturation_pct=saturation_pct,
        haemoglobin_g_dl=haemoglobin_g_dl,
        cuff_pressure_mmhg=recorded_cuff_pressure(visit, cuff_s, rng),
        heart_clock=heart_clock,
        heart_marks_s=tuple(np.round(marks_s, 3)),
        oxygen_marks_s=tuple(np.round(visit.oxygen_clock.to_file_s(np.array(visit.sync_s)), 3)),
        set_truth=set_truth,
        visit_truth=visit_truth,
    )


def sample_times_s(visit: PlannedVisit, clock: SimulatedClock, rate_hz: float) -> Floats:
    """Return a recorder's sampling times on its own clock: whole seconds, past the visit's end."""
    duration_s = np.ceil(float(clock.to_file_s(np.array(visit.end_s))))
    return np.arange(int(duration_s * rate_hz)) / rate_hz


def respiration_course(visit: PlannedVisit, times_s: Floats) -> Floats:
    """Return the respiratory rate in hertz: faster in sets."""
    rest_hz = visit.person.respiration_hz
    steps = []
    for planned in visit.sets:
        steps += [Step(planned.onset_s, 0.40, 12.0), Step(planned.end_s, rest_hz, 20.0)]
    return signals.first_order_course(times_s, initial=rest_hz, steps=steps)


def modulation_amplitudes_ms(visit: PlannedVisit) -> dict[str, float]:
    """Return the amplitudes of the interval's modulations that give the visit's resting RMSSD.

    A sine of amplitude A and frequency f sampled every T has RMSSD = A sqrt(2) sin(pi f T).
    """
    interval_s = 60.0 / visit.resting_hr_bpm
    lf_share = 0.7
    gain = np.hypot(
        np.sin(np.pi * visit.person.respiration_hz * interval_s),
        lf_share * np.sin(np.pi * 0.1 * interval_s),
    )
    hf = visit.resting_rmssd_ms / (np.sqrt(2.0) * gain)
    return {"hf": float(hf), "lf": float(lf_share * hf), "vlf_sd": 14.0}


def heart_period_course(
    visit: PlannedVisit,
    times_s: Floats,
    respiration_turns: Floats,
    amplitudes_ms: Mapping[str, float],
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Return the instantaneous heart period in seconds, and the gain of its modulations.

    The rate rises in each set so that its mean over the set is the planned one. The modulations
    shrink to a fifth in sets and come back with 90 s; from the first set on they are the visit's
    `modulation_ratio` times as large, so that RMSSD after sets differs by just that.
    """
    rate_steps: list[Step] = []
    gain_steps: list[Step] = []
    rate_bpm, moment_s = visit.resting_hr_bpm, times_s[0]
    for planned in visit.sets:
        if rate_steps:
            elapsed_s = planned.onset_s - moment_s
            rate_bpm = signals.value_after(rate_steps[-1], rate_bpm, elapsed_s)
        duration_s = planned.end_s - planned.onset_s
        plateau_bpm = signals.plateau_for_mean(
            planned.mean_hr_bpm, value_at_onset=rate_bpm, duration_s=duration_s, tau_s=HR_ON_TAU_S
        )
        rise = Step(planned.onset_s, plateau_bpm, HR_ON_TAU_S)
        rate_bpm = signals.value_after(rise, rate_bpm, duration_s)
        moment_s = planned.end_s
        rate_steps += [rise, Step(planned.end_s, visit.resting_hr_bpm, HR_OFF_TAU_S)]
        gain_steps += [
            Step(planned.onset_s, 0.2 * visit.modulation_ratio, 8.0),
            Step(planned.end_s, visit.modulation_ratio, 90.0),
        ]
    course_bpm = signals.first_order_course(times_s, initial=visit.resting_hr_bpm, steps=rate_steps)
    gain = signals.first_order_course(times_s, initial=1.0, steps=gain_steps)
    lf_hz = 0.1 + 0.006 * signals.slow_wander(times_s, rng, low_hz=0.004, high_hz=0.03)
    modulation_ms = (
        amplitudes_ms["hf"] * np.sin(2.0 * np.pi * respiration_turns)
        + amplitudes_ms["lf"] * np.sin(2.0 * np.pi * signals.cumulative_phase(times_s, lf_hz))
        + amplitudes_ms["vlf_sd"] * signals.slow_wander(times_s, rng, low_hz=0.004, high_hz=0.03)
    )
    return 60.0 / course_bpm + gain * modulation_ms / 1000.0, gain


def heart_beats(
    visit: PlannedVisit, times_s: Floats, period_s: Floats, gain: Floats, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the heart's beats over the visit: time_s on the session clock, kind."""
    beat_times_s = signals.pulse_times(times_s, period_s)
    # Hearts differ from beat to beat faster than breathing and blood pressure make them; without
    # that, intervals look filtered.
    jitter_s = 0.004 * np.interp(beat_times_s, times_s, gain)
    beat_times_s = beat_times_s + jitter_s * rng.standard_normal(beat_times_s.size)
    kind = np.full(beat_times_s.size, "normal", dtype=object)
    if visit.participant_id == ECTOPIC_PARTICIPANT:
        gaps = rng.integers(45, 140, beat_times_s.size // 45)
        which = np.cumsum(gaps)
        which = which[which < beat_times_s.size - 2]
        beat_times_s = signals.premature(beat_times_s, which, share=0.32)
        kind[which] = "ectopic"
    return pd.DataFrame({"time_s": beat_times_s, "kind": kind})


def nearest_beat(beats: pd.DataFrame, time_s: float) -> int:
    """Return the position of the beat nearest to a time."""
    return int((beats["time_s"] - time_s).abs().to_numpy().argmin())


def missed_near_s(visit: PlannedVisit) -> tuple[float, ...]:
    """Return the times near which the recorder missed single beats."""
    return *MISSED_NEAR_S, *(visit.end_s - before_s for before_s in MISSED_BEFORE_END_S)


def lost_stretch_s(visit: PlannedVisit) -> tuple[float, float]:
    """Return the stretch of which the recorder with missed beats wrote nothing."""
    end_s = visit.sets[LOST_AFTER_SET - 1].end_s
    return end_s + LOST_FROM_S, end_s + LOST_TO_S


def with_recorder_faults(visit: PlannedVisit, beats: pd.DataFrame) -> pd.DataFrame:
    """Return the beats with those that the interval recorder missed, lost or made up."""
    faulty = beats.copy()
    key = (visit.participant_id, visit.visit)
    if key == MISSED_BEATS:
        which = [nearest_beat(faulty, moment_s) for moment_s in missed_near_s(visit)]
        faulty.loc[which, "kind"] = "missed"
        start_s, stop_s = lost_stretch_s(visit)
        faulty.loc[faulty["time_s"].between(start_s, stop_s), "kind"] = "lost"
    if key == FALSE_BEAT:
        after = nearest_beat(faulty, FALSE_BEAT_NEAR_S)
        before_s, after_s = faulty["time_s"].iloc[[after - 1, after]]
        extra = {"time_s": round(before_s + 0.42 * (after_s - before_s), 3), "kind": "extra"}
        faulty = pd.concat([faulty, pd.DataFrame([extra])]).sort_values("time_s")
    return faulty.reset_index(drop=True)


def recorded_intervals(
    visit: PlannedVisit, beats: pd.DataFrame
) -> tuple[Floats, SimulatedClock, Floats]:
    """Return the intervals that were written, the file's clock and the sync marks on it.

    The file's own zero is its first beat. Times are kept to 1 ms, so that rounding does not
    accumulate. A lost stretch shortens the file: its own time stands still there.
    """
    recording = beats[
        (beats["time_s"] >= visit.heart_clock.offset_s) & (beats["time_s"] <= visit.end_s)
    ]
    written = recording[~recording["kind"].isin(["missed", "lost"])]
    session_s = written["time_s"].to_numpy()
    clock = SimulatedClock(float(session_s[0]), visit.heart_clock.drift_ppm)
    intervals_s = np.diff(np.round(clock.to_file_s(session_s), 3))
    lost_s = recording.loc[recording["kind"] == "lost", "time_s"].to_numpy()
    spans_lost = np.zeros(intervals_s.size, dtype=bool)
    if lost_s.size:
        spans_lost = (session_s[:-1] < lost_s[0]) & (session_s[1:] > lost_s[-1])
    own_s = np.concatenate([[0.0], np.cumsum(np.where(spans_lost, 0.0, intervals_s))])
    return intervals_s[~spans_lost], clock, np.interp(visit.sync_s, session_s, own_s)


def recorded_ecg(
    visit: PlannedVisit,
    beats: pd.DataFrame,
    times_s: Floats,
    respiration_turns: Floats,
    rng: np.random.Generator,
) -> Floats:
    """Return the electrocardiogram in microvolts at the recorder's own rate and clock."""
    rate_hz = EQUIPMENT[visit.participant_id].ecg_rate_hz
    file_s = sample_times_s(visit, visit.heart_clock, rate_hz)
    session_s = visit.heart_clock.to_session_s(file_s)
    breath = np.sin(2.0 * np.pi * np.interp(session_s, times_s, respiration_turns))
    trace_uv = 45.0 * breath + 35.0 * signals.slow_wander(
        session_s, rng, low_hz=0.02, high_hz=0.35, n_tones=12
    )
    beat_times_s = beats["time_s"].to_numpy()
    intervals_s = signals.intervals_of(beat_times_s)
    phase = 2.0 * np.pi * np.interp(beat_times_s, times_s, respiration_turns)
    amplitudes = rng.uniform(0.8, 1.25) * (1.0 + 0.06 * np.sin(phase))
    beat_times_file_s = visit.heart_clock.to_file_s(beat_times_s)
    ectopic = (beats["kind"] == "ectopic").to_numpy()
    for chosen, waves in ((~ectopic, signals.SINUS_WAVES), (ectopic, signals.ECTOPIC_WAVES)):
        if chosen.any():
            trace_uv = signals.add_waves(
                trace_uv,
                beat_times_file_s[chosen],
                intervals_s[chosen],
                amplitudes[chosen],
                waves=waves,
                rate_hz=rate_hz,
            )
    high_hz = min(110.0, 0.45 * rate_hz)
    muscle = signals.band_noise(file_s.size, rng, rate_hz=rate_hz, low_hz=15.0, high_hz=high_hz)
    in_set = np.zeros(file_s.size, dtype=bool)
    for planned in visit.sets:
        in_set |= (session_s >= planned.onset_s) & (session_s < planned.end_s)
    trace_uv += np.where(in_set, 26.0, 9.0) * muscle
    if (visit.participant_id, visit.visit) == MOTION_NOISE:
        trace_uv += motion_noise_uv(visit, session_s, rate_hz, rng)
    return trace_uv


def motion_noise_uv(
    visit: PlannedVisit, session_s: Floats, rate_hz: float, rng: np.random.Generator
) -> Floats:
    """Return the noise of a slipping strap: bursts at the cadence, in the range of the QRS."""
    noise = signals.band_noise(session_s.size, rng, rate_hz=rate_hz, low_hz=1.0, high_hz=14.0)
    strength_uv = np.zeros(session_s.size)
    for planned in visit.sets:
        if planned.exercise.name in MOTION_NOISE_EXERCISES:
            inside = (session_s >= planned.onset_s) & (session_s < planned.end_s)
            turns = signals.repetition_phase(session_s[inside], np.array(planned.rep_boundaries_s))
            strength_uv[inside] = 150.0 + 500.0 * np.sin(np.pi * turns) ** 4
    return strength_uv * noise


def muscle_sets(visit: PlannedVisit, muscle: str) -> tuple[MuscleSet, ...]:
    """Return what every set of the visit does to one muscle.

    A set reaches the muscle that works in it, and through the cuff the others of that limb.
    """
    limb = next(exercise.limb for exercise in EXERCISES if exercise.muscle == muscle)
    reached = []
    for planned in visit.sets:
        works = planned.exercise.muscle == muscle
        if planned.exercise.limb != limb:
            continue
        reached.append(
            MuscleSet(
                inflation_s=planned.inflation_s,
                onset_s=planned.onset_s,
                end_s=planned.end_s,
                release_s=planned.release_s,
                resting_cuff_drop_pct=RESTING_CUFF_DROP_PCT[planned.condition],
                nadir_pct=planned.nadir_pct if works else None,
                recovery_tau_s=planned.recovery_tau_s,
                overshoot_pct=OVERSHOOT_PCT[planned.condition] if works else 0.0,
            )
        )
    return tuple(reached)


def recorded_saturation(
    visit: PlannedVisit, muscle: str, session_s: Floats, rng: np.random.Generator
) -> Floats:
    """Return the saturation under one sensor as recorded, in percent, in steps of 0.1."""
    course_pct = signals.saturation_course(
        session_s, baseline_pct=visit.resting_smo2_pct[muscle], sets=muscle_sets(visit, muscle)
    )
    for planned in visit.sets:
        if planned.exercise.muscle == muscle:
            ripple = signals.ripple(session_s, planned.rep_boundaries_s)
            course_pct -= rng.uniform(1.4, 2.2) * ripple
    recorded_pct = signals.saturation_as_recorded(course_pct, session_s, rng)
    if (visit.participant_id, visit.visit) == DROPOUT and muscle == dropout_muscle():
        start_s, stop_s = dropout_s(visit)
        recorded_pct[(session_s >= start_s) & (session_s < stop_s)] = 0.0
    return recorded_pct


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


def recorded_haemoglobin(
    visit: PlannedVisit, session_s: Floats, rng: np.random.Generator
) -> Floats:
    """Return total haemoglobin under the vastus sensor in g/dl, in steps of 0.01.

    A cuff on the leg holds venous blood back; each contraction squeezes some out.
    """
    course = (
        12.2
        + rng.normal(0.0, 0.15)
        + 0.03 * signals.slow_wander(session_s, rng, low_hz=0.003, high_hz=0.02)
    )
    steps = []
    for planned in visit.sets:
        if planned.exercise.limb == "leg":
            rise = HAEMOGLOBIN_RISE_G_DL[visit.condition]
            steps += [Step(planned.inflation_s, rise, 20.0), Step(planned.release_s, 0.0, 8.0)]
        if planned.exercise.muscle == EXERCISES[0].muscle:
            course -= 0.06 * signals.ripple(session_s, planned.rep_boundaries_s)
    course += signals.first_order_course(session_s, initial=0.0, steps=steps)
    return np.round(course + rng.normal(0.0, 0.02, session_s.size), 2)


def recorded_cuff_pressure(
    visit: PlannedVisit, session_s: Floats, rng: np.random.Generator
) -> Floats:
    """Return the pressure of the cuff in use, in mmHg: zero but for noise on a visit without."""
    inflations = [(p.inflation_s, p.release_s, p.cuff_pressure_mmhg) for p in visit.sets]
    course = signals.cuff_course(session_s, inflations)
    for planned in visit.sets:
        ripple = signals.ripple(session_s, planned.rep_boundaries_s)
        course += 0.02 * planned.cuff_pressure_mmhg * ripple
    return np.maximum(course + rng.normal(0.0, 0.3, session_s.size), 0.0)


def true_sets(visit: PlannedVisit, beats: pd.DataFrame) -> pd.DataFrame:
    """Return one row per set with what an analysis should find in it.

    Saturations are those of the noise-free course without contraction ripple; the mean heart rate
    is 60 / the mean interval between beats that lie both inside the set.
    """
    sets = []
    for planned in visit.sets:
        times_s = np.arange(planned.onset_s, planned.release_s + 60.0, 0.01)
        baseline_pct = visit.resting_smo2_pct[planned.exercise.muscle]
        course_pct = signals.saturation_course(
            times_s, baseline_pct=baseline_pct, sets=muscle_sets(visit, planned.exercise.muscle)
        )
        nadir_pct = float(course_pct[times_s <= planned.end_s].min())
        inside_s = beats["time_s"][beats["time_s"].between(planned.onset_s, planned.end_s)]
        sets.append(
            {
                **visit.key,
                "event_onset_s": planned.onset_s,
                "duration_s": round(planned.end_s - planned.onset_s, 1),
                "condition": visit.condition,
                "exercise": planned.exercise.name,
                "bout": planned.bout,
                "muscle": planned.exercise.muscle,
                "reps_done": planned.reps_done,
                "smo2_baseline_pct": baseline_pct,
                "smo2_nadir_pct": round(nadir_pct, 2),
                "reoxygenation_half_time_s": round(
                    signals.half_time_s(
                        times_s,
                        course_pct,
                        start_s=planned.release_s,
                        nadir_pct=nadir_pct,
                        baseline_pct=baseline_pct,
                    ),
                    2,
                ),
                "overshoot_pct": round(
                    float(course_pct[times_s > planned.release_s].max()) - baseline_pct, 2
                ),
                "mean_hr_bpm": round(60.0 / float(np.diff(inside_s).mean()), 2),
            }
        )
    return pd.DataFrame(sets)


def true_visit(
    visit: PlannedVisit, beats: pd.DataFrame, amplitudes_ms: Mapping[str, float]
) -> dict[str, object]:
    """Return what is true about one visit as a whole."""
    recovery_onset_s, recovery_end_s = visit.recovery_s
    windows_s = {
        "baseline": (BASELINE_ONSET_S, BASELINE_ONSET_S + BASELINE_DURATION_S),
        "recovery_steady": (recovery_onset_s + RECOVERY_STEADY_AFTER_S, recovery_end_s),
    }
    truth: dict[str, object] = {
        **visit.key,
        "condition": visit.condition,
        "respiration_rate_hz": round(visit.person.respiration_hz, 4),
        "lf_amplitude_ms": round(amplitudes_ms["lf"], 2),
        "hf_amplitude_ms": round(amplitudes_ms["hf"], 2),
    }
    for name, (start_s, stop_s) in windows_s.items():
        inside = beats[beats["time_s"].between(start_s, stop_s)]
        truth[f"mean_hr_{name}_bpm"] = round(60.0 / float(np.diff(inside["time_s"]).mean()), 2)
        truth[f"rmssd_{name}_ms"] = round(true_rmssd_ms(inside), 2)
    return truth


def true_rmssd_ms(beats: pd.DataFrame) -> float:
    """Return RMSSD over pairs of intervals whose three beats are all normal (Task Force 1996)."""
    differences_s = np.diff(beats["time_s"], n=2)
    normal = (beats["kind"] == "normal").to_numpy()
    usable = normal[:-2] & normal[1:-1] & normal[2:]
    return 1000.0 * float(np.sqrt(np.mean(differences_s[usable] ** 2)))


def participants_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return participants.tsv."""
    people = {visit.participant_id: visit.person for visit in visits}
    columns = [
        "participant_id",
        "age_years",
        "sex",
        "body_mass_kg",
        "stature_cm",
        "vastus_skinfold_mm",
    ]
    return pd.DataFrame([{c: getattr(p, c) for c in columns} for p in people.values()])


def sessions_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
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
                "note": note if key == (missing_participant, missing_visit - 1) else None,
            }
        )
    return pd.DataFrame(sessions)


def occlusion_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return occlusion.tsv: leg and arm, measured before every visit."""
    return pd.DataFrame(
        occlusion_row(visit.key, o.limb, o.pressure_mmhg, posture=o.posture, method=o.method)
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
) -> dict[str, object]:
    """Return a row of occlusion.tsv; `key` names participant and session."""
    return {
        **key,
        "limb": limb,
        "side": "right",
        "posture": posture,
        "cuff_width_cm": CUFF_WIDTH_CM[limb],
        "occlusion_pressure_mmhg": pressure_mmhg,
        "method": method,
    }


EVENT_COLUMNS = (
    "participant_id", "session_id", "onset_s", "duration_s", "trial_type", "condition", "exercise",
    "limb", "side", "posture", "bout", "cuff_pressure_mmhg", "reps_planned", "reps_done",
    "to_failure", "load_kg", "rpe", "pain", "numbness", "capillary_refill_s", "distal_flow",
    "stopped_early", "stop_reason", "reason", "note",
)  # fmt: skip


def events_table(visits: Sequence[PlannedVisit]) -> pd.DataFrame:
    """Return events.tsv: the session sheets, in order of onset within a visit."""
    listed = []
    for visit in visits:
        listed += sorted(visit_events(visit), key=lambda row: row["onset_s"])
    return table_of_events(listed)


def table_of_events(listed: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Return events as a table with all columns of a session sheet."""
    events = pd.DataFrame(listed, columns=list(EVENT_COLUMNS))
    whole = ["bout", "cuff_pressure_mmhg", "reps_planned", "reps_done", "pain"]
    return events.astype(dict.fromkeys(whole, "Int64"))


def visit_events(visit: PlannedVisit) -> list[dict[str, object]]:
    """Return the rows of one visit's session sheet."""
    state = visit.key | {"condition": visit.condition, "posture": "seated"}
    events: list[dict[str, object]] = [
        visit.key | {"onset_s": sync_s, "duration_s": 0, "trial_type": "sync"}
        for sync_s in visit.sync_s
    ]
    events.append(
        state
        | {
            "onset_s": BASELINE_ONSET_S,
            "duration_s": BASELINE_DURATION_S,
            "trial_type": "baseline",
            "cuff_pressure_mmhg": 0,
            "rpe": 0,
            "pain": 0,
            "numbness": "none",
            "capillary_refill_s": visit.baseline_refill_s,
            "distal_flow": "yes",
        }
    )
    for number, planned in enumerate(visit.sets, start=1):
        of_set = state | labels_of_set(planned)
        pressure = {"cuff_pressure_mmhg": planned.cuff_pressure_mmhg}
        if visit.condition != "none":
            events.append(of_set | pressure | span("cuff", planned.inflation_s, planned.release_s))
        events.append(of_set | pressure | set_marks(visit, planned))
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


def effects_table() -> pd.DataFrame:
    """Return the condition effects that were built in, as contrasts.

    `scale` is `identity` (a difference) or `ratio`.
    """
    no_effect = dict.fromkeys(CONDITIONS, 0.0)
    no_change = dict.fromkeys(CONDITIONS, 1.0)
    built_in = [
        ("smo2_nadir_pct", "set", "identity", SMO2_NADIR_EFFECT_PCT, "percentage points"),
        ("mean_hr_bpm", "set", "identity", MEAN_HR_EFFECT_BPM, "bpm"),
        ("rmssd_ms", "recovery_steady", "ratio", MODULATION_RATIO, "1"),
        ("rmssd_ms", "baseline", "ratio", no_change, "1"),
        ("mean_hr_bpm", "baseline", "identity", no_effect, "bpm"),
        ("smo2_baseline_pct", "baseline", "identity", no_effect, "percentage points"),
    ]
    effects = []
    for outcome, window, scale, level, unit in built_in:
        for above, below in (("low", "none"), ("target", "none"), ("target", "low")):
            difference = level[above] - level[below]
            effects.append(
                {
                    "outcome": outcome,
                    "window": window,
                    "contrast": f"{above} - {below}",
                    "scale": scale,
                    "true_value": level[above] / level[below] if scale == "ratio" else difference,
                    "unit": unit,
                }
            )
    return pd.DataFrame(effects)
