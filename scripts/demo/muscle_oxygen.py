"""Muscle oxygen saturation of cuffed exercise, invented with known truth.

The course without noise is made of exponentials (a fall in a set, a slower fall under a cuff at
rest, a delayed rise after release with an overshoot), so that nadir, slope, half-time and limits of
every set are known exactly. On top lie the ripple of single contractions, the sensor's noise and
rounding, and whatever can go wrong: dropouts, stuck values, slips and light leaks.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from demo import signals

BASELINE_PCT = 65.0

# SD of the time of single contractions, as a share
CADENCE_SPREAD = 0.03


@dataclass(frozen=True)
class SimulatedSet:
    """One set: when it starts, its contractions and the level that saturation falls towards."""

    start_s: float
    contractions: int
    contraction_s: float
    floor_pct: float
    fall_tau_s: float = 15.0

    @property
    def end_s(self) -> float:
        """End of the last contraction at the planned cadence, in seconds."""
        return self.start_s + self.contractions * self.contraction_s


@dataclass(frozen=True)
class SimulatedCuff:
    """One inflation: its span, and how far it lowers saturation at rest."""

    start_s: float
    end_s: float
    rest_fall_pct: float = 8.0
    rest_tau_s: float = 40.0
    pressure_mmhg: float = 120.0


@dataclass(frozen=True)
class SensorFault:
    """One fault: `dropout` (zeros), `missing`, `stuck`, `slip` (size_pct stays) or `light_leak`."""

    kind: str
    start_s: float
    duration_s: float
    size_pct: float = 0.0


@dataclass(frozen=True)
class SimulatedOxygen:
    """Readings (time_s, smo2_pct), the fine course without ripple, noise and faults, and the
    truth: a row per set and a row per boundary."""

    readings: pd.DataFrame
    course_s: np.ndarray
    course_pct: np.ndarray
    sets: pd.DataFrame
    boundaries: pd.DataFrame


def simulate_muscle_oxygen(
    rng: np.random.Generator,
    *,
    sampling_rate_hz: float,
    duration_s: float,
    sets: Sequence[SimulatedSet],
    cuffs: Sequence[SimulatedCuff] = (),
    faults: Sequence[SensorFault] = (),
    recovery_delay_s: float = 4.0,
    recovery_tau_s: float = 20.0,
    overshoot_pct: float = 0.0,
    ripple_pct: float = 2.0,
    noise_pct: float = 1.0,
    resolution_pct: float = 0.0,
    axis_jitter: float = 0.0,
) -> SimulatedOxygen:
    """Simulate one recording; sets must not overlap.

    `axis_jitter` is the SD of the sampling steps as a share, `noise_pct` the SD of a reading. The
    truth of a set: onset_s, offset_s, contractions, rate_hz, release_s (end of the set or of a cuff
    that outlasts it), tau_s and what `signals.truth_of_set` finds until the next set or the end.
    """
    fine_s = np.arange(0.0, duration_s, 0.01)
    fine_pct = _course(
        fine_s, sets, cuffs, delay_s=recovery_delay_s, tau_s=recovery_tau_s, bump_pct=overshoot_pct
    )
    time = _axis(rng, sampling_rate_hz, duration_s, axis_jitter)
    readings_pct = np.interp(time, fine_s, fine_pct)
    truth = []
    for planned in sets:
        contraction_ends_s = _contraction_ends(rng, planned)
        readings_pct += ripple_pct * _ripple(time, planned.start_s, contraction_ends_s)
        release_s = _release_s(planned, cuffs)
        until_s = min([s.start_s for s in sets if s.start_s > planned.start_s], default=duration_s)
        before = fine_s < until_s
        truth.append(
            {
                "onset_s": planned.start_s,
                "offset_s": planned.end_s,
                "contractions": planned.contractions,
                "rate_hz": planned.contractions / (contraction_ends_s[-1] - planned.start_s),
                "release_s": release_s,
                "tau_s": recovery_tau_s,
            }
            | signals.truth_of_set(
                fine_s[before],
                fine_pct[before],
                *(planned.start_s, planned.end_s, release_s),
                baseline_pct=float(fine_pct[0]),
            )
        )
    readings_pct += rng.normal(0.0, noise_pct, len(time))
    readings_pct = np.clip(readings_pct, 0.0, 100.0)
    if resolution_pct:
        readings_pct = np.round(readings_pct / resolution_pct) * resolution_pct
    readings_pct = _with_faults(time, readings_pct, faults)
    readings = pd.DataFrame({"time_s": time, "smo2_pct": readings_pct})
    limits = _boundary_truth(sets, cuffs)
    return SimulatedOxygen(readings, fine_s, fine_pct, pd.DataFrame(truth), limits)


def _axis(
    rng: np.random.Generator, sampling_rate_hz: float, duration_s: float, axis_jitter: float
) -> np.ndarray:
    """Reading times, evenly spaced or with steps that scatter by up to half."""
    count = int(np.floor(duration_s * sampling_rate_hz))
    if not axis_jitter:
        return np.arange(count) / sampling_rate_hz
    steps = 1 + np.clip(rng.normal(0.0, axis_jitter, count), -0.5, 0.5)
    return np.cumsum(steps) / sampling_rate_hz - steps[0] / sampling_rate_hz


def _release_s(planned: SimulatedSet, cuffs: Sequence[SimulatedCuff]) -> float:
    """When recovery can begin: the end of the set, or of a cuff that is still inflated then."""
    holding = [cuff.end_s for cuff in cuffs if cuff.start_s < planned.end_s < cuff.end_s]
    return max([planned.end_s, *holding])


def _course(
    fine_s: np.ndarray,
    sets: Sequence[SimulatedSet],
    cuffs: Sequence[SimulatedCuff],
    *,
    delay_s: float,
    tau_s: float,
    bump_pct: float,
) -> np.ndarray:
    """Saturation without ripple: exponentials from one change to the next."""
    marks = {0.0, float(fine_s[-1] + 0.01)}
    for span in (*sets, *cuffs):
        marks |= {span.start_s, span.end_s}
    marks = sorted(mark for mark in marks if mark <= fine_s[-1] + 0.01)
    course = np.empty(len(fine_s))
    level = BASELINE_PCT
    for begin, end in zip(marks[:-1], marks[1:], strict=True):
        inside = (fine_s >= begin - 1e-9) & (fine_s < end - 1e-9)
        since = fine_s[inside] - begin
        working = [planned for planned in sets if planned.start_s <= begin < planned.end_s]
        cuffed = [planned for planned in cuffs if planned.start_s <= begin < planned.end_s]
        after_set = any(planned.end_s == begin for planned in sets)
        rest_pct = BASELINE_PCT - (cuffed[0].rest_fall_pct if cuffed else 0.0)
        overshoot_pct = np.zeros(len(since))
        if working:
            goal, tau, delay = working[0].floor_pct, working[0].fall_tau_s, 0.0
        elif cuffed and not after_set:
            goal, tau, delay = rest_pct, cuffed[0].rest_tau_s, 0.0
        else:
            goal, tau, delay = rest_pct, tau_s, delay_s
            if not cuffed and level < BASELINE_PCT - 1.0:
                # Peaks three time constants after the rise began, when the rise itself is over.
                peak = np.maximum(since - delay, 0.0) / (3 * tau)
                overshoot_pct = bump_pct * (peak * np.exp(1 - peak)) ** 3
        moving = np.maximum(since - delay, 0.0)
        part = goal - (goal - level) * np.exp(-moving / tau) + overshoot_pct
        course[inside] = part
        if len(part):
            level = float(part[-1])
    return course


def _contraction_ends(rng: np.random.Generator, planned: SimulatedSet) -> np.ndarray:
    """When each contraction ends; all of them together last as long as planned."""
    lengths = 1 + np.clip(rng.normal(0.0, CADENCE_SPREAD, planned.contractions), -0.4, 0.4)
    ends = np.cumsum(lengths)
    return planned.start_s + ends / ends[-1] * planned.contractions * planned.contraction_s


def _ripple(time: np.ndarray, start_s: float, ends_s: np.ndarray) -> np.ndarray:
    """One cycle of a sine per contraction, zero outside the set."""
    marks = np.concatenate([[start_s], ends_s])
    phase = np.interp(time, marks, np.arange(len(marks)))
    return np.where((time >= start_s) & (time <= ends_s[-1]), np.sin(2 * np.pi * phase), 0.0)


def _boundary_truth(sets: Sequence[SimulatedSet], cuffs: Sequence[SimulatedCuff]) -> pd.DataFrame:
    """Every limit of a set or a cuff as a row: time_s, boundary."""
    spans = [("set_start", "set_end", span) for span in sets]
    spans += [("cuff_on", "cuff_off", span) for span in cuffs]
    boundaries = [(span.start_s, begin) for begin, _, span in spans]
    boundaries += [(span.end_s, end) for _, end, span in spans]
    return pd.DataFrame(sorted(boundaries), columns=["time_s", "boundary"])


def _with_faults(
    time: np.ndarray, readings_pct: np.ndarray, faults: Sequence[SensorFault]
) -> np.ndarray:
    """The readings as a faulty sensor would have written them."""
    faulty = readings_pct.copy()
    for fault in faults:
        inside = (time >= fault.start_s) & (time < fault.start_s + fault.duration_s)
        if fault.kind == "dropout":
            faulty[inside] = 0.0
        elif fault.kind == "missing":
            faulty[inside] = np.nan
        elif fault.kind == "stuck":
            faulty[inside] = faulty[inside][0]
        elif fault.kind == "slip":
            faulty[time >= fault.start_s] += fault.size_pct
        elif fault.kind == "light_leak":
            faulty[inside] += fault.size_pct
        else:
            raise ValueError(f"no such fault: {fault.kind}")
    return np.clip(faulty, 0.0, 100.0)
