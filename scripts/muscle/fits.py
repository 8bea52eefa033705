"""Fits behind the numbers measured from saturation: lines, extremes, crossings and their errors."""

from dataclasses import dataclass, replace

import numpy as np

from muscle.cleaning import resolution
from muscle.readings import Readings
from muscle.resting_variation import correlation_factor
from recordings.time_axis import centred_mean, sampling_step_s, usable_share, whole_contractions_s
from results.estimate import Estimate


@dataclass(frozen=True)
class _Line:
    """A polynomial through a window beside the ripple, with its level at the middle of its n
    readings and the error of their mean. `clock` counts from the middle."""

    n: int
    middle_s: float
    level: float
    mean_se: float
    slope: float
    clock: np.ndarray
    readings: np.ndarray
    residual: np.ndarray
    design: np.ndarray


def flag_if_incomplete(
    estimate: Estimate, trace: Readings, start_s: float, end_s: float
) -> Estimate:
    """Sums over time are short by what was not recorded: say so."""
    lost_s = (1 - usable_share(trace.time, trace.reading, start_s, end_s)) * (end_s - start_s)
    if lost_s > sampling_step_s(trace.time) * (1 + 1e-9):
        reason = f"{lost_s:.1f} s of the window are unusable and not counted"
        return replace(estimate, status="flagged", reason=reason)
    return estimate


def reading_noise(trace: Readings, start_s: float, end_s: float) -> float:
    """SD of a single reading from second differences, blind to slopes, at least the rounding."""
    inside = trace.reading[(trace.time >= start_s) & (trace.time <= end_s)]
    second = np.diff(inside, 2)
    second = second[np.isfinite(second)]
    noise = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6) if len(second) else 0.0
    return float(np.hypot(noise, resolution(trace.reading) / np.sqrt(12)))


def straight_fit(trace: Readings, start_s: float, end_s: float, *, order: int) -> _Line:
    """Least-squares polynomial over a window beside the contraction ripple, with honest errors."""
    inside = (trace.time >= start_s) & (trace.time <= end_s) & np.isfinite(trace.reading)
    clock, level = trace.time[inside], trace.reading[inside]
    n = len(clock)
    if n < order + 1:
        nothing = float("nan")
        return _Line(n, *(nothing,) * 4, clock, level, level, np.empty((n, 0)))
    middle = float(clock.mean())
    clock = clock - middle
    slowest_hz, fastest_hz = 1 / (end_s - start_s), 0.4 / sampling_step_s(trace.time)
    design = _line_and_ripple(clock, order, trace.ripple_hz or 0.0, slowest_hz, fastest_hz)
    weight, *_ = np.linalg.lstsq(design, level, rcond=None)
    residual = level - design @ weight
    freedom = n - design.shape[1]
    if freedom >= 2:
        spread = float(np.sqrt(np.sum(residual**2) / freedom))
    else:
        spread = reading_noise(trace, start_s - 60.0, end_s + 60.0)
    rounding = resolution(trace.reading) / np.sqrt(12)
    mean_se = spread * np.sqrt(correlation_factor(residual) / n)
    # Without noise to dither it, rounding does not average out.
    if spread < 2 * rounding:
        mean_se = max(mean_se, rounding)
    slope = float(weight[1]) if order else 0.0
    return _Line(n, middle, float(weight[0]), float(mean_se), slope, clock, level, residual, design)


def _line_and_ripple(
    clock: np.ndarray, order: int, rate_hz: float, slowest_hz: float, fastest_hz: float
) -> np.ndarray:
    """Powers of time up to `order`, then the waves of a ripple and of its first harmonic.

    A wave needs a whole cycle, more than two readings per cycle, and readings to spare for the
    error.
    """
    columns = [clock**power for power in range(order + 1)]
    for wave_hz in (rate_hz, 2 * rate_hz):
        if slowest_hz <= wave_hz <= fastest_hz and len(clock) >= len(columns) + 5:
            columns += [np.cos(2 * np.pi * wave_hz * clock), np.sin(2 * np.pi * wave_hz * clock)]
    return np.column_stack(columns)


def slope_se(line: _Line, trace: Readings) -> float:
    """Standard error of the slope of a line through readings of a trace; NaN from too few."""
    clock, design, residual = line.clock, line.design, line.residual
    freedom, between_readings = line.n - design.shape[1], 0.0
    if freedom < 2 or design.shape[1] < 2:
        return float("nan")
    if freedom >= 6:
        # a bend of the course is no error of the line through it, but where readings lie in
        # it is chance: the middle of the window is known to part of a step
        bent = np.column_stack([design, clock**2, clock**3])
        curve = np.linalg.lstsq(bent, line.readings, rcond=None)[0]
        residual = line.readings - bent @ curve
        freedom -= 2
        between_readings = (2 * curve[-2] * sampling_step_s(trace.time)) ** 2 / 12
    spread = float(np.sqrt(np.sum(residual**2) / freedom))
    rounding = resolution(trace.reading) / np.sqrt(12)
    unscaled = np.linalg.pinv(design.T @ design)
    factor = correlation_factor(residual)
    variance = max(spread, rounding) ** 2 * factor * unscaled[1, 1] + between_readings
    variance += trace.at_rest.covariance(clock, (unscaled @ design.T)[1:2])[0, 0]
    return float(np.sqrt(variance))


def extreme_mean(
    trace: Readings, start_s: float, end_s: float, window_s: float, *, lowest: bool
) -> Estimate:
    """Lowest or highest centred mean that lies within a window, and where.

    The error is that of the lowest or highest moment: it holds how far the mean may miss it.
    Refused when too little of the window is usable.
    """
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)
    time = trace.time
    length_s = whole_contractions_s(window_s, trace.ripple_hz)
    mean = centred_mean(time, trace.reading, length_s)
    # Beyond the limits of a set its last contraction has no counterpart to cancel it.
    first_s, last_s = start_s + length_s / 2 - 1e-9, end_s - length_s / 2 + 1e-9
    mean = np.where((time >= first_s) & (time <= last_s), mean, np.nan)
    if not np.isfinite(mean).any():
        return Estimate.refused(f"no {length_s:g} s of the window are free of gaps")
    at = int(np.nanargmin(mean) if lowest else np.nanargmax(mean))
    around = straight_fit(trace, time[at] - length_s, time[at] + length_s, order=2)
    # The fit spans two windows, the mean one.
    se = around.mean_se * float(np.sqrt(2))
    if not np.isfinite(se):
        # Too few readings for a parabola: no better known than a single one.
        se = reading_noise(trace, start_s, end_s)
    # up to as far as it moved in half a mean the course may go beyond it: evenly spread
    before = float(np.interp(time[at] - length_s / 2, time, mean))
    beyond = abs(before - mean[at]) / np.sqrt(3) if np.isfinite(before) else 0.0
    se = float(np.linalg.norm([se, trace.at_rest.of_mean(length_s), beyond]))
    return Estimate(float(mean[at]), se, at_s=float(time[at]))


@dataclass(frozen=True)
class _Crossing:
    time_s: float
    slope: float
    level_se: float


def line_crossing(
    trace: Readings, first_s: float, start_s: float, level: float, window_s: float
) -> _Crossing:
    """Where a line through the readings around a first crossing meets the level."""
    reach_s = max(2 * sampling_step_s(trace.time), min(window_s, (first_s - start_s) / 4))
    line = straight_fit(trace, first_s - reach_s, first_s + reach_s, order=1)
    if line.slope > 0:
        at_s = line.middle_s + (level - line.level) / line.slope
        if abs(at_s - first_s) <= reach_s:
            return _Crossing(float(at_s), line.slope, line.mean_se)
    # Too few or too noisy readings for a line: keep the first crossing, wide errors follow.
    slope = max(line.slope, line.mean_se / reach_s, 1e-6)
    return _Crossing(first_s, slope, line.mean_se)
