"""What the sensors of a visit of the demo study recorded: beats, ECG, saturation, cuff pressure.

Everything is drawn from the seed and the plan of the visit alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo import signals
from demo.signals import Floats, MuscleSet, Step
from demo.study import (
    DEMO_SEED,
    DROPOUT,
    ECTOPIC_PARTICIPANT,
    EQUIPMENT,
    EXERCISES,
    FALSE_BEAT,
    FALSE_BEAT_NEAR_S,
    MISSED_BEATS,
    MOTION_NOISE,
    MOTION_NOISE_EXERCISES,
    PlannedVisit,
    SimulatedClock,
    dropout_muscle,
    dropout_s,
    generator,
    lost_stretch_s,
    missed_near_s,
)

RESTING_CUFF_DROP_PCT = {"none": 0.0, "low": 1.5, "target": 4.0}
OVERSHOOT_PCT = {"none": 3.5, "low": 4.5, "target": 8.0}
HAEMOGLOBIN_RISE_G_DL = {"none": 0.05, "low": 0.20, "target": 0.45}
GRID_RATE_HZ = 100.0
CUFF_CHANNEL_RATE_HZ = 2.0
LEAD_S = 15.0
HR_ON_TAU_S = 15.0
HR_OFF_TAU_S = 35.0


@dataclass(frozen=True)
class SimulatedVisit:
    """The signals of one visit as its recorders sampled them, and the heart behind them.

    `beats` has time_s and kind: `normal`, `ectopic`, `missed` (a heart beat that the file joins
    over), `lost` (a heart beat in a stretch of which nothing was written) and `extra` (in the file
    but no heart beat); `of_heart` are the heart's own beats, `amplitudes_ms` those of its
    modulations. `ecg_uv` or `intervals_s` is None, according to the equipment.
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
    of_heart: pd.DataFrame
    amplitudes_ms: Mapping[str, float]


def simulate_visit(visit: PlannedVisit, seed: int = DEMO_SEED) -> SimulatedVisit:
    """Return the signals of one visit."""
    rng = generator(seed, 2, visit.participant_index, visit.visit)
    equipment = EQUIPMENT[visit.participant_id]
    times_s = np.arange(-LEAD_S, visit.end_s + LEAD_S, 1.0 / GRID_RATE_HZ)
    respiration_hz = respiration_course(visit, times_s)
    respiration_turns = signals.cumulative_phase(times_s, respiration_hz)
    amplitudes_ms = modulation_amplitudes_ms(visit)
    period_s, gain = heart_period_course(visit, times_s, respiration_turns, amplitudes_ms, rng)
    beats = heart_beats(visit, times_s, period_s, gain, rng)
    of_heart = beats

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
        of_heart=of_heart,
        amplitudes_ms=amplitudes_ms,
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
