"""Beat times with known modulation, and known errors put into them.

The integral pulse frequency model turns a modulated rate into beats: a beat falls wherever the
integral of the rate reaches a whole number (Bayly 1968, IEEE Trans Biomed Eng 15:257-265; used for
heart rate variability by Mateo & Laguna 2000, IEEE Trans Biomed Eng 47:985-996). Power of the
intervals in a narrow band is then known to leading order (`interval_power_ms2`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

ERROR_KINDS = ("ectopic", "missed", "extra", "misplaced")

Course = float | np.ndarray | Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class SimulatedBeats:
    """Beats together with the courses that made them.

    `beat_time_s` holds the beats; `time_s`, `heart_rate_bpm`, `breathing_rate_hz`,
    `breathing` (unit-amplitude respiratory oscillation) and `modulation` (dimensionless) are the
    courses on the integration grid.
    """

    beat_time_s: np.ndarray
    time_s: np.ndarray
    heart_rate_bpm: np.ndarray
    breathing_rate_hz: np.ndarray
    breathing: np.ndarray
    modulation: np.ndarray


def course_on(time_s: np.ndarray, course: Course) -> np.ndarray:
    """Evaluate a course given as a number, an array on `time_s`, or a function of time in s."""
    level = course(time_s) if callable(course) else course
    return np.broadcast_to(np.asarray(level, dtype=float), time_s.shape).copy()


def beats_from_rate(time_s: np.ndarray, rate_hz: np.ndarray) -> np.ndarray:
    """Beat times in s at which the integral of `rate_hz` over `time_s` is a whole number.

    The first beat falls on the first grid time. Raises ValueError when the rate is not positive.
    Source: integral pulse frequency model, Bayly 1968, IEEE Trans Biomed Eng 15:257-265.
    """
    if np.any(rate_hz <= 0):
        raise ValueError("the modulated rate must stay above zero for beats to follow each other")
    steps = 0.5 * (rate_hz[1:] + rate_hz[:-1]) * np.diff(time_s)
    cycles = np.concatenate([[0.0], np.cumsum(steps)])
    # a beat that rounding puts a hair behind the end still counts
    return np.interp(np.arange(np.floor(cycles[-1] + 1e-9) + 1), cycles, time_s)


def narrow_band_course(
    time_s: np.ndarray, *, centre_hz: float, width_hz: float, rms: float, rng: np.random.Generator
) -> np.ndarray:
    """Gaussian random course with a bell-shaped spectrum around `centre_hz` and the given rms.

    `width_hz` is the standard deviation of the bell. `time_s` must be evenly spaced.
    """
    frequency_hz = np.fft.rfftfreq(time_s.size, time_s[1] - time_s[0])
    amplitude = np.exp(-0.25 * ((frequency_hz - centre_hz) / width_hz) ** 2)
    spectrum = rng.normal(size=(2, frequency_hz.size))
    course = np.fft.irfft((spectrum[0] + 1j * spectrum[1]) * amplitude, time_s.size)
    return course * (rms / course.std())


def simulate_beats(
    duration_s: float,
    *,
    heart_rate_bpm: Course,
    breathing_rate_hz: Course = 0.25,
    breathing_modulation: Course = 0.0,
    tones: Sequence[tuple[float, float, float]] = (),
    random_bands: Sequence[tuple[float, float, float]] = (),
    breathing_irregularity: float = 0.0,
    jitter_s: float = 0.0,
    step_s: float = 0.005,
    rng: np.random.Generator | None = None,
) -> SimulatedBeats:
    """Simulate beats whose rate is a heart-rate course times one plus a known modulation.

    The modulation is dimensionless: a respiratory part of amplitude `breathing_modulation` that
    follows `breathing_rate_hz`, `tones` as (frequency in Hz, amplitude, phase in rad), and
    `random_bands` as (centre in Hz, width in Hz, rms). `breathing_irregularity` is the relative
    standard deviation of a slow wander of the breathing rate; `jitter_s` the standard deviation
    of an independent error of each beat time. Courses are numbers, arrays on the grid
    `arange(0, duration_s, step_s)` or functions of time. Raises ValueError when something random
    is asked for without `rng`.
    """
    if rng is None and (random_bands or breathing_irregularity or jitter_s):
        raise ValueError("give rng=numpy.random.Generator for random bands, wander or jitter")
    time_s = np.arange(0.0, duration_s + step_s / 2, step_s)
    rate_bpm = course_on(time_s, heart_rate_bpm)
    breathing_hz = course_on(time_s, breathing_rate_hz)
    phase_0 = 0.0
    if rng is not None:
        phase_0 = rng.uniform(0, 2 * np.pi)
    if breathing_irregularity:
        wander = narrow_band_course(
            time_s, centre_hz=0.0, width_hz=0.03, rms=breathing_irregularity, rng=rng
        )
        breathing_hz = breathing_hz * (1 + wander)
    breathing = np.cos(phase_0 + 2 * np.pi * np.cumsum(breathing_hz) * step_s)
    modulation = course_on(time_s, breathing_modulation) * breathing
    for frequency_hz, amplitude, phase in tones:
        modulation = modulation + amplitude * np.cos(2 * np.pi * frequency_hz * time_s + phase)
    for centre_hz, width_hz, rms in random_bands:
        modulation = modulation + narrow_band_course(
            time_s, centre_hz=centre_hz, width_hz=width_hz, rms=rms, rng=rng
        )
    beat_time_s = beats_from_rate(time_s, rate_bpm / 60 * (1 + modulation))
    if jitter_s:
        beat_time_s = np.sort(beat_time_s + rng.normal(0, jitter_s, beat_time_s.size))
    return SimulatedBeats(beat_time_s, time_s, rate_bpm, breathing_hz, breathing, modulation)


def interval_power_ms2(
    *, heart_rate_bpm: float, frequency_hz: float, modulation_amplitude: float
) -> float:
    """Power in ms2 that a modulation tone leaves in the interval series, to leading order.

    T^2 A^2 / 2 sinc^2(f T) with the mean interval T: each interval averages the modulation over
    its own length. Source: derived from the integral pulse frequency model.
    """
    interval_s = 60.0 / heart_rate_bpm
    averaging = np.sinc(frequency_hz * interval_s) ** 2
    return float((1000 * interval_s * modulation_amplitude) ** 2 / 2 * averaging)


def inject_errors(
    beat_time_s: np.ndarray,
    *,
    share: float,
    rng: np.random.Generator,
    kinds: Sequence[str] = ERROR_KINDS,
) -> tuple[np.ndarray, pd.DataFrame]:
    """Put detection errors and ectopic beats into a clean series, and say where.

    `share` is the number of errors over the number of beats; kinds are dealt in turn. An
    `ectopic` beat comes early by a share of its interval and is followed by a full compensatory
    pause; a `missed` beat is left out; an `extra` one stands at 25-75 % of an interval; a
    `misplaced` one is shifted either way. At least two untouched beats separate two
    errors and the first and last three beats are left alone. Returns the disturbed beat times in
    s and a table with one row per error: kind, time_s (where the disturbed series shows it; for a
    missed beat where it should be), true_time_s (NaN for an extra beat). Raises ValueError for a
    kind that is not known and when the errors do not fit.
    """
    unknown = set(kinds) - set(ERROR_KINDS)
    if unknown:
        raise ValueError(f"unknown kinds of error {sorted(unknown)}; known are {ERROR_KINDS}")
    beats = np.asarray(beat_time_s, dtype=float)
    wanted = int(round(share * beats.size))
    chosen: list[int] = []
    for candidate in rng.permutation(np.arange(3, beats.size - 3)):
        if len(chosen) == wanted:
            break
        if all(abs(int(candidate) - placed) > 2 for placed in chosen):
            chosen.append(int(candidate))
    if len(chosen) < wanted:
        raise ValueError(f"{wanted} errors do not fit into {beats.size} beats")
    kept = np.ones(beats.size, dtype=bool)
    disturbed = beats.copy()
    extra_s: list[float] = []
    errors = []
    for number, index in enumerate(chosen):
        kind = kinds[number % len(kinds)]
        interval_s = beats[index] - beats[index - 1]
        true_s = beats[index]
        if kind == "ectopic":
            disturbed[index] = seen_s = true_s - rng.uniform(0.18, 0.40) * interval_s
        elif kind == "misplaced":
            shift_s = rng.choice([-1, 1]) * rng.uniform(0.06, 0.15) * interval_s
            disturbed[index] = seen_s = true_s + shift_s
        elif kind == "missed":
            kept[index] = False
            seen_s = true_s
        else:
            seen_s = beats[index - 1] + rng.uniform(0.25, 0.75) * interval_s
            true_s = np.nan
            extra_s.append(seen_s)
        errors.append((kind, seen_s, true_s))
    truth = pd.DataFrame(errors, columns=["kind", "time_s", "true_time_s"])
    together = np.sort(np.concatenate([disturbed[kept], extra_s]))
    return together, truth.sort_values("time_s", ignore_index=True)
