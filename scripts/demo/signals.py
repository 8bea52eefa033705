"""Signals of the invented demo study: heart beats, electrocardiogram, muscle oxygen, cuff.

Written for the demo study alone and independent of every function that analyses signals, so that
the demo's truth cannot share a mistake with the analysis. All numbers are those of a scenario
that we invented; shapes follow the cited models.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Step:
    """From `onset_s` on, a first-order approach to `target` with time constant `tau_s`."""

    onset_s: float
    target: float
    tau_s: float


@dataclass(frozen=True)
class MuscleSet:
    """What one set, with or without a cuff, does to the saturation under one sensor.

    `nadir_pct` is None for a muscle that does not work in this set: only the cuff reaches it.
    """

    inflation_s: float
    onset_s: float
    end_s: float
    release_s: float
    resting_cuff_drop_pct: float
    nadir_pct: float | None
    recovery_tau_s: float
    overshoot_pct: float
    fall_tau_s: float = 12.0
    recovery_delay_s: float = 4.0


@dataclass(frozen=True)
class Wave:
    """One Gaussian of the electrocardiogram, placed relative to the R peak of its beat.

    Centre and width are those at an interval of 1 s; `stretch` is the exponent of the interval
    by which both grow (0.5: with its square root).
    """

    amplitude_uv: float
    centre_s: float
    width_s: float
    stretch: float


# Lead-II-like beat as a sum of Gaussians (form of McSharry, Clifford, Tarassenko & Smith 2003,
# IEEE Trans Biomed Eng 50:289; the numbers are ours).
SINUS_WAVES = (
    Wave(120.0, -0.165, 0.024, 0.2),
    Wave(-90.0, -0.029, 0.009, 0.0),
    Wave(1100.0, 0.0, 0.011, 0.0),
    Wave(-210.0, 0.030, 0.010, 0.0),
    Wave(270.0, 0.280, 0.048, 0.5),
)

ECTOPIC_WAVES = (
    Wave(1450.0, 0.0, 0.034, 0.0),
    Wave(-520.0, 0.075, 0.030, 0.0),
    Wave(-340.0, 0.330, 0.055, 0.5),
)

OVERSHOOT_PEAK_S = 32.0
SLOPE_S = 15.0
RESTING_CUFF_TAU_S = 18.0
CUFF_RAMP_S, CUFF_RELEASE_TAU_S = 4.0, 0.7


def first_order_course(times_s: Floats, *, initial: float, steps: Sequence[Step]) -> Floats:
    """Return a quantity that approaches a new target exponentially at every step.

    Steps are in order of time; before the first one the value is `initial`. First-order kinetics
    are the convention for heart rate and ventilation at the start and end of light exercise.
    """
    course = np.full(times_s.shape, float(initial))
    level = float(initial)
    ends_s = [step.onset_s for step in steps[1:]] + [np.inf]
    for step, end_s in zip(steps, ends_s, strict=True):
        inside = (times_s >= step.onset_s) & (times_s < end_s)
        decay = np.exp(-(times_s[inside] - step.onset_s) / step.tau_s)
        course[inside] = step.target + (level - step.target) * decay
        level = value_after(step, level, end_s - step.onset_s)
    return course


def value_after(step: Step, value_at_onset: float, elapsed_s: float) -> float:
    """Return where a first-order approach stands `elapsed_s` after its onset."""
    return step.target + (value_at_onset - step.target) * float(np.exp(-elapsed_s / step.tau_s))


def plateau_for_mean(
    mean: float, *, value_at_onset: float, duration_s: float, tau_s: float
) -> float:
    """Return the target of a first-order rise whose mean over `duration_s` is `mean`."""
    share = tau_s / duration_s * (1.0 - float(np.exp(-duration_s / tau_s)))
    return (mean - value_at_onset * share) / (1.0 - share)


def slow_wander(
    times_s: Floats, rng: np.random.Generator, *, low_hz: float, high_hz: float, n_tones: int = 7
) -> Floats:
    """Return a smooth random course of unit standard deviation: tones between two frequencies."""
    frequencies_hz = rng.uniform(low_hz, high_hz, n_tones)
    phases = rng.uniform(0.0, 2.0 * np.pi, n_tones)
    tones = np.sin(2.0 * np.pi * np.outer(times_s, frequencies_hz) + phases)
    return tones.sum(axis=1) * np.sqrt(2.0 / n_tones)


def cumulative_phase(times_s: Floats, frequency_hz: Floats) -> Floats:
    """Return the integral of a frequency, in turns, starting at 0 (trapezoidal rule)."""
    steps = 0.5 * (frequency_hz[1:] + frequency_hz[:-1]) * np.diff(times_s)
    return np.concatenate([[0.0], np.cumsum(steps)])


def pulse_times(times_s: Floats, period_s: Floats) -> Floats:
    """Return the beat times of an integral pulse frequency model.

    A beat falls whenever the integral of 1 / `period_s` passes a whole number (Mateo & Laguna
    2000, IEEE Trans Biomed Eng 47:985). Both arrays have shape (n,), in seconds.
    """
    phase = cumulative_phase(times_s, 1.0 / period_s)
    return np.interp(np.arange(1.0, np.floor(phase[-1]) + 1.0), phase, times_s)


def premature(beat_times_s: Floats, which: NDArray[np.int_], *, share: float) -> Floats:
    """Return the beats with those at `which` early by `share` of their interval.

    The beat after stays in place: a full compensatory pause.
    """
    moved_s = beat_times_s.copy()
    moved_s[which] -= share * (beat_times_s[which] - beat_times_s[which - 1])
    return moved_s


def intervals_of(beat_times_s: Floats) -> Floats:
    """Return the interval that ends at each beat; the first is as long as the second."""
    return np.diff(beat_times_s, prepend=2.0 * beat_times_s[0] - beat_times_s[1])


def add_waves(
    trace_uv: Floats,
    beat_times_s: Floats,
    intervals_s: Floats,
    amplitudes: Floats,
    *,
    waves: Sequence[Wave],
    rate_hz: float,
) -> Floats:
    """Return the trace with every wave of every beat added.

    `beat_times_s`, `intervals_s` (the interval that ends at the beat) and `amplitudes`
    (dimensionless) have shape (n_beats,); beat times are on the trace's own clock.
    """
    total_uv = trace_uv.copy()
    for wave in waves:
        growth = intervals_s**wave.stretch
        centre_s = beat_times_s + wave.centre_s * growth
        width_s = wave.width_s * growth
        reach = int(np.ceil(4.5 * width_s.max() * rate_hz))
        samples = np.rint(centre_s * rate_hz).astype(int)[:, None] + np.arange(-reach, reach + 1)
        deviation = (samples / rate_hz - centre_s[:, None]) / width_s[:, None]
        height_uv = amplitudes[:, None] * wave.amplitude_uv * np.exp(-0.5 * deviation**2)
        inside = (samples >= 0) & (samples < total_uv.size)
        np.add.at(total_uv, samples[inside], height_uv[inside])
    return total_uv


def band_noise(
    n_samples: int, rng: np.random.Generator, *, rate_hz: float, low_hz: float, high_hz: float
) -> Floats:
    """Return Gaussian noise of unit standard deviation between two frequencies."""
    spectrum = np.fft.rfft(rng.standard_normal(n_samples))
    frequencies_hz = np.fft.rfftfreq(n_samples, 1.0 / rate_hz)
    spectrum[(frequencies_hz < low_hz) | (frequencies_hz > high_hz)] = 0.0
    noise = np.fft.irfft(spectrum, n_samples)
    return noise / noise.std()


def saturation_course(times_s: Floats, *, baseline_pct: float, sets: Sequence[MuscleSet]) -> Floats:
    """Return the noise-free saturation under one sensor, in percent, shape of `times_s`.

    Per set: a small fall while the cuff is inflated at rest, a mono-exponential fall to the nadir
    at the end of the set, no change until the cuff is released, then after a delay a
    mono-exponential recovery with a hyperaemic overshoot. Mono-exponential recovery with a delay
    is the convention of the field; half-time = delay + tau ln 2 without overshoot.
    """
    course_pct = np.full(times_s.shape, float(baseline_pct))
    for muscle_set in sets:
        course_pct += displacement_pct(times_s, muscle_set, baseline_pct=baseline_pct)
    return course_pct


def displacement_pct(times_s: Floats, muscle_set: MuscleSet, *, baseline_pct: float) -> Floats:
    """Return by how much one set moves the saturation from its baseline, in percentage points."""
    drop = muscle_set.resting_cuff_drop_pct

    def cuff_only(moments_s: Floats | float) -> Floats:
        since_s = np.maximum(np.asarray(moments_s) - muscle_set.inflation_s, 0.0)
        return -drop * (1.0 - np.exp(-since_s / RESTING_CUFF_TAU_S))

    moved = np.where(times_s < muscle_set.release_s, cuff_only(times_s), 0.0)
    last = float(cuff_only(muscle_set.release_s))
    if muscle_set.nadir_pct is not None:
        at_onset = float(cuff_only(muscle_set.onset_s))
        last = muscle_set.nadir_pct - baseline_pct
        remaining = float(np.exp(-(muscle_set.end_s - muscle_set.onset_s) / muscle_set.fall_tau_s))
        asymptote = (last - at_onset * remaining) / (1.0 - remaining)
        working = (times_s >= muscle_set.onset_s) & (times_s < muscle_set.end_s)
        decay = np.exp(-(times_s[working] - muscle_set.onset_s) / muscle_set.fall_tau_s)
        moved[working] = asymptote + (at_onset - asymptote) * decay
        moved[(times_s >= muscle_set.end_s) & (times_s < muscle_set.release_s)] = last
    after = times_s >= muscle_set.release_s
    since_s = np.maximum(times_s[after] - muscle_set.release_s - muscle_set.recovery_delay_s, 0.0)
    moved[after] = last * np.exp(-since_s / muscle_set.recovery_tau_s)
    moved[after] += muscle_set.overshoot_pct * hyperaemia(since_s)
    return moved


def hyperaemia(since_s: Floats) -> Floats:
    """Return the course of an overshoot after release: 0 at first, 1 at its peak, then fading."""
    relative = since_s / OVERSHOOT_PEAK_S
    return (relative * np.exp(1.0 - relative)) ** 2


def repetition_phase(times_s: Floats, boundaries_s: Floats) -> Floats:
    """Return the repetition phase in turns: 0 at the set's onset, one more at each boundary.

    `boundaries_s` has shape (reps + 1,). Outside the set the phase is constant and whole.
    """
    return np.interp(times_s, boundaries_s, np.arange(boundaries_s.size, dtype=float))


def ripple(times_s: Floats, boundaries_s: Sequence[float]) -> Floats:
    """Return one cycle of a sine per repetition, 0 outside of the set."""
    return np.sin(2.0 * np.pi * repetition_phase(times_s, np.asarray(boundaries_s)))


def saturation_as_recorded(course_pct: Floats, times_s: Floats, rng: np.random.Generator) -> Floats:
    """Return a course as a sensor gives it: with slow wander and noise, in steps of 0.1 %."""
    recorded_pct = course_pct + 0.25 * slow_wander(times_s, rng, low_hz=0.003, high_hz=0.02)
    recorded_pct += rng.normal(0.0, 0.35, times_s.size)
    return np.round(np.clip(recorded_pct, 0.0, 100.0), 1)


def cuff_course(times_s: Floats, inflations: Iterable[tuple[float, float, float]]) -> Floats:
    """Return the pressure in the cuff in mmHg: a ramp, a plateau and an exponential release.

    Each inflation is its start in s, its release in s and its pressure in mmHg.
    """
    course_mmhg = np.zeros(times_s.shape)
    for start_s, release_s, pressure_mmhg in inflations:
        rising = np.clip((times_s - start_s) / CUFF_RAMP_S, 0.0, 1.0)
        falling = np.exp(-np.maximum(times_s - release_s, 0.0) / CUFF_RELEASE_TAU_S)
        course_mmhg += pressure_mmhg * rising * falling
    return course_mmhg


def truth_of_set(
    times_s: Floats,
    course_pct: Floats,
    onset_s: float,
    end_s: float,
    release_s: float,
    *,
    baseline_pct: float,
) -> dict[str, float | None]:
    """Return what an analysis should find of one set in its noise-free course.

    The slope is that of a straight line over the first `SLOPE_S`. `times_s` is evenly spaced;
    nothing is true of a set that lies outside of it.
    """
    working = (times_s >= onset_s) & (times_s <= end_s)
    if not working.any():
        return {}
    first = working & (times_s <= onset_s + SLOPE_S)
    nadir_pct = float(course_pct[working].min())
    below_pct = np.maximum(baseline_pct - course_pct[working], 0.0)
    centred_s = times_s[first] - times_s[first].mean() if first.any() else times_s[first]
    slope = centred_s @ course_pct[first] / (centred_s @ centred_s) if first.sum() > 1 else np.nan
    after_pct = course_pct[times_s > release_s]
    return {
        "nadir_pct": nadir_pct,
        "slope_pct_per_s": float(slope),
        "area_below_pct_s": float(below_pct.sum() * (times_s[1] - times_s[0])),
        "half_time_s": half_time_s(
            times_s,
            course_pct,
            start_s=release_s,
            nadir_pct=nadir_pct,
            baseline_pct=baseline_pct,
        ),
        "overshoot_pct": float(after_pct.max()) - baseline_pct if after_pct.size else np.nan,
    }


def half_time_s(
    times_s: Floats, course_pct: Floats, *, start_s: float, nadir_pct: float, baseline_pct: float
) -> float | None:
    """Return the time from `start_s` until half the fall below baseline is regained.

    None when the course ends before that. Linear between samples.
    """
    half_pct = 0.5 * (nadir_pct + baseline_pct)
    reached = np.flatnonzero((times_s >= start_s) & (course_pct >= half_pct))
    if reached.size == 0 or reached[0] == 0:
        return None
    pair = [reached[0] - 1, reached[0]]
    return float(np.interp(half_pct, course_pct[pair], times_s[pair]) - start_s)
