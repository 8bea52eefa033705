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
    """One inflation: its span, and how far it lowers saturation and traps blood at rest."""

    start_s: float
    end_s: float
    rest_fall_pct: float = 8.0
    rest_tau_s: float = 40.0
    trapped_blood_au: float = 6.0
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
    """Readings (time_s, smo2_pct, total_haemoglobin_au), the course without ripple, noise and
    faults at the same times, and the truth: a row per set and a row per boundary."""

    readings: pd.DataFrame
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
    baseline_pct: float = 65.0,
    recovery_delay_s: float = 4.0,
    recovery_tau_s: float = 20.0,
    overshoot_pct: float = 0.0,
    ripple_pct: float = 2.0,
    cadence_spread: float = 0.03,
    noise_pct: float = 1.0,
    resolution_pct: float = 0.0,
    axis_jitter: float = 0.0,
    slope_window_s: float = 15.0,
) -> SimulatedOxygen:
    """Simulate one recording; sets must not overlap.

    `cadence_spread` is the SD of single contraction times as a share, `axis_jitter` the SD of the
    sampling steps as a share, `noise_pct` the SD of a reading. The truth of a set: onset_s,
    offset_s, contractions, rate_hz, nadir_pct, nadir_at_s, slope_pct_per_s (straight line over the
    first `slope_window_s` of the course), release_s (end of the set or of a cuff that outlasts
    it), baseline_pct, half_time_s (from release to half-way up to the baseline, NaN when the next
    set or the end comes first) and tau_s.
    """
    fine_s = np.arange(0.0, duration_s, 0.01)
    options = {
        "baseline_pct": baseline_pct,
        "delay_s": recovery_delay_s,
        "tau_s": recovery_tau_s,
        "overshoot_pct": overshoot_pct,
    }
    fine_pct = _course(fine_s, sets, cuffs, **options)
    time = _axis(rng, sampling_rate_hz, duration_s, axis_jitter)
    course_pct = np.interp(time, fine_s, fine_pct)
    readings_pct = course_pct.copy()
    blood_au = _blood(time, cuffs)
    truth = []
    for planned in sets:
        contraction_ends_s = _contraction_ends(rng, planned, cadence_spread)
        wave = _ripple(time, planned.start_s, contraction_ends_s)
        readings_pct += ripple_pct * wave
        blood_au -= 0.5 * wave
        release_s = _release_s(planned, cuffs)
        following = [later.start_s for later in sets if later.start_s > planned.start_s]
        truth.append(
            _set_truth(fine_s, fine_pct, planned, release_s, min([*following, duration_s]))
            | {
                "rate_hz": planned.contractions / (contraction_ends_s[-1] - planned.start_s),
                "slope_pct_per_s": _line_slope(fine_s, fine_pct, planned.start_s, slope_window_s),
                "tau_s": recovery_tau_s,
            }
        )
    readings_pct += rng.normal(0.0, noise_pct, len(time))
    blood_au += rng.normal(0.0, 0.2, len(time))
    readings_pct = np.clip(readings_pct, 0.0, 100.0)
    if resolution_pct:
        readings_pct = np.round(readings_pct / resolution_pct) * resolution_pct
    readings_pct = _with_faults(time, readings_pct, faults)
    readings = pd.DataFrame(
        {"time_s": time, "smo2_pct": readings_pct, "total_haemoglobin_au": blood_au}
    )
    return SimulatedOxygen(readings, course_pct, pd.DataFrame(truth), _boundary_truth(sets, cuffs))


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
    baseline_pct: float,
    delay_s: float,
    tau_s: float,
    overshoot_pct: float,
) -> np.ndarray:
    """Saturation without ripple: exponentials from one change to the next."""
    marks = {0.0, float(fine_s[-1] + 0.01)}
    for span in (*sets, *cuffs):
        marks |= {span.start_s, span.end_s}
    marks = sorted(mark for mark in marks if mark <= fine_s[-1] + 0.01)
    course = np.empty(len(fine_s))
    level = baseline_pct
    for begin, end in zip(marks[:-1], marks[1:], strict=True):
        inside = (fine_s >= begin - 1e-9) & (fine_s < end - 1e-9)
        since = fine_s[inside] - begin
        working = [planned for planned in sets if planned.start_s <= begin < planned.end_s]
        cuffed = [planned for planned in cuffs if planned.start_s <= begin < planned.end_s]
        after_set = any(planned.end_s == begin for planned in sets)
        rest_pct = baseline_pct - (cuffed[0].rest_fall_pct if cuffed else 0.0)
        bump_pct = np.zeros(len(since))
        if working:
            goal, tau, delay = working[0].floor_pct, working[0].fall_tau_s, 0.0
        elif cuffed and not after_set:
            goal, tau, delay = rest_pct, cuffed[0].rest_tau_s, 0.0
        else:
            goal, tau, delay = rest_pct, tau_s, delay_s
            if not cuffed and level < baseline_pct - 1.0:
                # Peaks three time constants after the rise began, when the rise itself is over.
                peak = np.maximum(since - delay, 0.0) / (3 * tau)
                bump_pct = overshoot_pct * (peak * np.exp(1 - peak)) ** 3
        moving = np.maximum(since - delay, 0.0)
        part = goal - (goal - level) * np.exp(-moving / tau) + bump_pct
        course[inside] = part
        if len(part):
            level = float(part[-1])
    return course


def _contraction_ends(
    rng: np.random.Generator, planned: SimulatedSet, cadence_spread: float
) -> np.ndarray:
    """When each contraction ends; all of them together last as long as planned."""
    lengths = 1 + np.clip(rng.normal(0.0, cadence_spread, planned.contractions), -0.4, 0.4)
    ends = np.cumsum(lengths)
    return planned.start_s + ends / ends[-1] * planned.contractions * planned.contraction_s


def _ripple(time: np.ndarray, start_s: float, ends_s: np.ndarray) -> np.ndarray:
    """One cycle of a sine per contraction, zero outside the set."""
    marks = np.concatenate([[start_s], ends_s])
    phase = np.interp(time, marks, np.arange(len(marks)))
    return np.where((time >= start_s) & (time <= ends_s[-1]), np.sin(2 * np.pi * phase), 0.0)


def _blood(time: np.ndarray, cuffs: Sequence[SimulatedCuff]) -> np.ndarray:
    """Total haemoglobin: rises while a cuff holds venous blood back, falls after release."""
    blood = np.full(len(time), 100.0)
    for cuff in cuffs:
        held_s = np.clip(time - cuff.start_s, 0.0, cuff.end_s - cuff.start_s)
        free_s = np.maximum(time - cuff.end_s, 0.0)
        blood += cuff.trapped_blood_au * (1 - np.exp(-held_s / 15.0)) * np.exp(-free_s / 5.0)
    return blood


def _set_truth(
    fine_s: np.ndarray,
    fine_pct: np.ndarray,
    planned: SimulatedSet,
    release_s: float,
    until_s: float,
) -> dict[str, float]:
    """What an analysis should find for one set."""
    inside = (fine_s >= planned.start_s) & (fine_s <= planned.end_s)
    lowest = int(np.argmin(np.where(inside, fine_pct, np.inf)))
    base = float(fine_pct[np.searchsorted(fine_s, planned.start_s) - 1])
    first_pct = float(fine_pct[0])
    half_way = (fine_pct[lowest] + first_pct) / 2
    after = (fine_s >= release_s) & (fine_s < until_s) & (fine_pct >= half_way)
    half_time_s = float(fine_s[np.argmax(after)] - release_s) if after.any() else float("nan")
    return {
        "onset_s": planned.start_s,
        "offset_s": planned.end_s,
        "contractions": planned.contractions,
        "start_pct": base,
        "baseline_pct": first_pct,
        "nadir_pct": float(fine_pct[lowest]),
        "nadir_at_s": float(fine_s[lowest]),
        "release_s": release_s,
        "half_time_s": half_time_s,
    }


def _line_slope(fine_s: np.ndarray, fine_pct: np.ndarray, start_s: float, window_s: float) -> float:
    inside = (fine_s >= start_s) & (fine_s <= start_s + window_s)
    if inside.sum() < 2:
        return float("nan")
    centred = fine_s[inside] - fine_s[inside].mean()
    return float(centred @ fine_pct[inside] / (centred @ centred))


def _boundary_truth(sets: Sequence[SimulatedSet], cuffs: Sequence[SimulatedCuff]) -> pd.DataFrame:
    """Every limit of a set or a cuff as a row: time_s, boundary."""
    boundaries = [(span.start_s, "set_start") for span in sets] + [
        (span.end_s, "set_end") for span in sets
    ]
    boundaries += [(span.start_s, "cuff_on") for span in cuffs] + [
        (span.end_s, "cuff_off") for span in cuffs
    ]
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
