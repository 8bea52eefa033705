"""Kinetics of the fall: slope, time in a band, area below the baseline."""

import numpy as np
from numpy.typing import ArrayLike

from muscle.fits import flag_if_incomplete, reading_noise, slope_se, straight_fit
from muscle.readings import Readings
from recordings.time_axis import sampling_step_s, straight_lines_of
from results.estimate import Estimate


def desaturation_slope(trace: Readings, start_s: float, *, window_s: float) -> Estimate:
    """Slope of a straight line over the first `window_s` of a set, %/s, negative when falling.

    The window (usually 10 to 20 s) is part of the result and must be stated with it. Where a ripple
    is known, it and its first harmonic are fitted beside the line instead of tilting it. Refused
    when too little is usable or fewer than four readings are left over.
    """
    end_s = start_s + window_s
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)
    line = straight_fit(trace, start_s, end_s, order=1)
    se = slope_se(line, trace)
    if not np.isfinite(se):
        return Estimate.refused(f"{line.n} readings in {window_s:g} s are too few for a slope")
    return Estimate(line.slope, se)


def time_in_band_s(
    trace: Readings,
    start_s: float,
    end_s: float,
    *,
    band_pct: tuple[float, float],
    hysteresis_pct: float,
) -> Estimate:
    """Seconds in a band of saturation, left only once `hysteresis_pct` outside of it.

    Crossings are interpolated between readings. The error is half the difference between the times
    with the band widened and narrowed by one SD of the trace's noise and slow variation, and half
    of the time that counts although it lies beyond an edge, since it may belong to the ripple that
    entered the band. Unusable time is not counted: flagged when there is any, refused when too
    little is usable. Convention; held in simulated sets.
    """
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)

    def seconds(margin_pct: float, beyond_pct: float = hysteresis_pct) -> float:
        low, high = band_pct[0] - margin_pct, band_pct[1] + margin_pct
        return _seconds_in_band(trace, start_s, end_s, low, high, beyond_pct)

    noise = float(np.hypot(reading_noise(trace, start_s, end_s), trace.at_rest.sd))
    in_band_s = seconds(0.0)
    beyond_edges_s = in_band_s - seconds(0.0, beyond_pct=0.0)
    se = float(np.hypot(seconds(noise) - seconds(-noise), beyond_edges_s)) / 2
    estimate = Estimate(in_band_s, se)
    # no set lies in a band for less than no time, nor for longer than it lasts
    low_s, high_s = np.clip([estimate.ci_low, estimate.ci_high], 0.0, end_s - start_s)
    estimate = Estimate(in_band_s, se, ci_low=float(low_s), ci_high=float(high_s))
    return flag_if_incomplete(estimate, trace, start_s, end_s)


def area_below(trace: Readings, start_s: float, end_s: float, *, level_pct: Estimate) -> Estimate:
    """Area between a level (usually the baseline) and the trace where it lies below, %.s.

    Lines between readings are cut where they cross the level. Unusable time adds nothing: flagged
    when there is any, refused when too little is usable or without a level. Convention.
    """
    if not level_pct.usable:
        return Estimate.refused(f"no level: {level_pct.reason}")
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)
    lines = straight_lines_of(trace.time, trace.reading).within(start_s, end_s)
    first = level_pct.value - lines.first
    last = level_pct.value - lines.last
    deep, shallow = np.maximum(first, last), np.minimum(first, last)
    # A line from below the level to above it leaves a triangle of its lower part.
    part = np.divide(deep, deep - shallow, out=np.ones_like(deep), where=deep > shallow)
    crossing = (deep > 0) & (shallow < 0)
    below_s = np.where(crossing, part * lines.step_s, np.where(shallow >= 0, lines.step_s, 0.0))
    height = np.where(crossing, deep / 2, np.where(shallow >= 0, (deep + shallow) / 2, 0.0))
    noise = reading_noise(trace, start_s, end_s)
    lasts_s = float(below_s.sum())
    from_noise = noise * np.sqrt(sampling_step_s(trace.time) * lasts_s)
    from_levels = np.hypot(level_pct.se, trace.at_rest.of_mean(lasts_s)) * lasts_s
    se = float(np.hypot(from_levels, from_noise))
    estimate = Estimate(float(np.sum(height * below_s)), se)
    return flag_if_incomplete(estimate, trace, start_s, end_s)


def reached_band(nadir_pct: ArrayLike, *, low_pct: float, high_pct: float) -> np.ndarray:
    """Whether sets reached a band of saturation: where their nadir (%) lies in it, edges included.

    An unknown nadir reached nothing. The smoothed nadir and not single readings, so that noise of
    the sensor reaches no band. Convention.
    """
    nadir = np.asarray(nadir_pct, dtype=float)
    return (nadir >= low_pct) & (nadir <= high_pct)


def _seconds_in_band(
    trace: Readings, start_s: float, end_s: float, low: float, high: float, hysteresis: float
) -> float:
    """Time in a band that is entered at its edge and left `hysteresis` beyond it."""
    lines = straight_lines_of(trace.time, trace.reading).within(start_s, end_s)
    ends_s = lines.start_s + lines.step_s
    lowest, highest = np.minimum(lines.first, lines.last), np.maximum(lines.first, lines.last)
    # a line that lies wholly outside adds nothing and leaves the band
    outside = (lowest > high + hysteresis) | (highest < low - hysteresis)
    total, inside = 0.0, False
    for n in np.flatnonzero(~outside):
        begin_s, step_s = lines.start_s[n], lines.step_s[n]
        first, last = lines.first[n], lines.last[n]
        if n == 0 or begin_s > ends_s[n - 1] + 1e-9 * max(1.0, abs(begin_s)):
            inside = low <= first <= high
        elif outside[n - 1]:
            inside = False
        # Edges in the order in which the line meets them.
        edges = (high, high + hysteresis, low, low - hysteresis)
        cuts = [(edge - first) / (last - first) for edge in edges] if last != first else []
        marks = [0.0, *sorted(cut for cut in cuts if 0 < cut < 1), 1.0]
        for begin, finish in zip(marks[:-1], marks[1:], strict=True):
            middle = first + (last - first) * (begin + finish) / 2
            if low <= middle <= high:
                inside = True
            elif middle > high + hysteresis or middle < low - hysteresis:
                inside = False
            total += step_s * (finish - begin) if inside else 0.0
    return float(total)
