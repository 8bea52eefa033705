"""Fits behind the numbers measured from saturation: lines, extremes, crossings and their errors."""

from dataclasses import dataclass, replace

import numpy as np

from muscle.cleaning import resolution
from recordings.time_axis import centred_mean, sampling_step_s, usable_share, whole_contractions_s
from results.estimate import Estimate


@dataclass(frozen=True)
class _Line:
    """A straight line through a window, with errors at the middle of its readings."""

    n: int
    middle_s: float
    level: float
    mean_se: float
    slope: float
    slope_se: float


def too_little(
    time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float, min_usable_share: float
) -> str:
    """Why a window cannot be used, or nothing."""
    if not end_s > start_s:
        return "the window is empty"
    share = usable_share(time, reading, start_s, end_s)
    # Windows that end with the trace lack up to one sampling step, which is no gap.
    share += min(1.0, sampling_step_s(time) / (end_s - start_s)) if share > 0 else 0.0
    if share < min_usable_share:
        needed = f"{100 * min_usable_share:g} % needed"
        return f"{100 * min(share, 1.0):.0f} % of the window is usable, {needed}"
    return ""


def flag_if_incomplete(
    estimate: Estimate, time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float
) -> Estimate:
    """Sums over time are short by what was not recorded: say so."""
    lost_s = (1 - usable_share(time, reading, start_s, end_s)) * (end_s - start_s)
    if lost_s > sampling_step_s(time) * (1 + 1e-9):
        reason = f"{lost_s:.1f} s of the window are unusable and not counted"
        return replace(estimate, status="flagged", reason=reason)
    return estimate


def correlation_factor(residual: np.ndarray) -> float:
    """Readings per independent reading, (1 + r)/(1 - r) of the lag-1 autocorrelation r >= 0."""
    power = float(np.sum(residual**2))
    if len(residual) < 4 or power == 0:
        return 1.0
    lag = float(np.sum(residual[1:] * residual[:-1])) / power
    lag = min(max(lag, 0.0), 0.98)
    return (1 + lag) / (1 - lag)


def reading_noise(time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float) -> float:
    """SD of a single reading from second differences, blind to slopes, at least the rounding."""
    inside = reading[(time >= start_s) & (time <= end_s)]
    second = np.diff(inside, 2)
    second = second[np.isfinite(second)]
    noise = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6) if len(second) else 0.0
    return float(np.hypot(noise, resolution(reading) / np.sqrt(12)))


def straight_fit(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    contraction_rate_hz: float | None,
    at_rest=None,
    *,
    order: int,
) -> _Line:
    """Least-squares polynomial over a window beside the contraction ripple, with honest errors.

    `at_rest`: slow variation (`muscle.resting_variation`) that the error of the slope holds.
    """
    inside = (time >= start_s) & (time <= end_s) & np.isfinite(reading)
    clock, level = time[inside], reading[inside]
    n = len(clock)
    if n < order + 1:
        nothing = float("nan")
        return _Line(n, nothing, nothing, nothing, nothing, nothing)
    middle = float(clock.mean())
    clock = clock - middle
    step_s = sampling_step_s(time)
    slowest_hz, fastest_hz = 1 / (end_s - start_s), 0.4 / step_s
    design = _line_and_ripple(clock, order, contraction_rate_hz or 0.0, slowest_hz, fastest_hz)
    weight, *_ = np.linalg.lstsq(design, level, rcond=None)
    residual = level - design @ weight
    freedom = n - design.shape[1]
    if freedom >= 2:
        spread = float(np.sqrt(np.sum(residual**2) / freedom))
    else:
        spread = reading_noise(time, reading, start_s - 60.0, end_s + 60.0)
    factor = correlation_factor(residual)
    rounding = resolution(reading) / np.sqrt(12)
    mean_se = spread * np.sqrt(factor / n)
    # Without noise to dither it, rounding does not average out.
    if spread < 2 * rounding:
        mean_se = max(mean_se, rounding)
    slope_se = float("nan")
    if order >= 1 and freedom >= 2:
        slope_se = _slope_se(clock, level, design, residual, rounding, step_s, at_rest)
    slope = float(weight[1]) if order else 0.0
    return _Line(n, middle, float(weight[0]), float(mean_se), slope, slope_se)


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


def _slope_se(
    clock: np.ndarray,
    level: np.ndarray,
    design: np.ndarray,
    residual: np.ndarray,
    rounding: float,
    step_s: float,
    at_rest,
) -> float:
    """Standard error of the slope of a line, whose column is the second of `design`."""
    freedom = len(clock) - design.shape[1]
    between_readings = 0.0
    if freedom >= 6:
        # a bend of the course is no error of the line through it, but where readings lie in
        # it is chance: the middle of the window is known to part of a step
        bent = np.column_stack([design, clock**2, clock**3])
        curve = np.linalg.lstsq(bent, level, rcond=None)[0]
        residual = level - bent @ curve
        freedom -= 2
        between_readings = (2 * curve[-2] * step_s) ** 2 / 12
    spread = float(np.sqrt(np.sum(residual**2) / freedom))
    unscaled = np.linalg.pinv(design.T @ design)
    factor = correlation_factor(residual)
    variance = max(spread, rounding) ** 2 * factor * unscaled[1, 1] + between_readings
    if at_rest is not None:
        variance += at_rest.covariance(clock, (unscaled @ design.T)[1:2])[0, 0]
    return float(np.sqrt(variance))


def extreme_mean(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    window_s: float,
    contraction_rate_hz: float | None,
    at_rest,
    *,
    lowest: bool,
) -> Estimate:
    """Lowest or highest centred mean that lies within a window, and where.

    The error is that of the lowest or highest moment: it holds how far the mean may miss it.

    `at_rest`: the slow variation (`muscle.resting_variation`), which the error holds as well.
    """
    length_s = whole_contractions_s(window_s, contraction_rate_hz)
    mean = centred_mean(time, reading, length_s)
    # Beyond the limits of a set its last contraction has no counterpart to cancel it.
    first_s, last_s = start_s + length_s / 2 - 1e-9, end_s - length_s / 2 + 1e-9
    mean = np.where((time >= first_s) & (time <= last_s), mean, np.nan)
    if not np.isfinite(mean).any():
        return Estimate.refused(f"no {length_s:g} s of the window are free of gaps")
    at = int(np.nanargmin(mean) if lowest else np.nanargmax(mean))
    around = straight_fit(
        time, reading, time[at] - length_s, time[at] + length_s, contraction_rate_hz, order=2
    )
    # The fit spans two windows, the mean one.
    se = around.mean_se * float(np.sqrt(2))
    if not np.isfinite(se):
        # Too few readings for a parabola: no better known than a single one.
        se = reading_noise(time, reading, start_s, end_s)
    # up to as far as it moved in half a mean the course may go beyond it: evenly spread
    before = float(np.interp(time[at] - length_s / 2, time, mean))
    beyond = abs(before - mean[at]) / np.sqrt(3) if np.isfinite(before) else 0.0
    se = float(np.linalg.norm([se, at_rest.of_mean(length_s), beyond]))
    return Estimate(float(mean[at]), se, at_s=float(time[at]))


@dataclass(frozen=True)
class _Crossing:
    time_s: float
    slope: float
    level_se: float


def line_crossing(
    time: np.ndarray,
    reading: np.ndarray,
    first_s: float,
    start_s: float,
    level: float,
    window_s: float,
) -> _Crossing:
    """Where a line through the readings around a first crossing meets the level."""
    step_s = sampling_step_s(time)
    reach_s = max(2 * step_s, min(window_s, (first_s - start_s) / 4))
    line = straight_fit(time, reading, first_s - reach_s, first_s + reach_s, None, order=1)
    if line.slope > 0:
        at_s = line.middle_s + (level - line.level) / line.slope
        if abs(at_s - first_s) <= reach_s:
            return _Crossing(float(at_s), line.slope, line.mean_se)
    # Too few or too noisy readings for a line: keep the first crossing, wide errors follow.
    slope = max(line.slope, line.mean_se / reach_s, 1e-6)
    return _Crossing(first_s, slope, line.mean_se)
