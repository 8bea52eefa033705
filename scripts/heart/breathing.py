"""Breathing rate over time, from the beats of an ECG or from a belt.

Breathing moves the heart under the electrodes, so the R amplitude rises and falls with it (Moody
et al. 1985, Computers in Cardiology 12:113-116). In sliding windows the share of variance that a
sinusoid explains is found for every rate by least squares at the beats themselves (generalised
periodogram, Zechmeister & Kuerster 2009, Astron Astrophys 496:577-584), so that nothing is
interpolated. The rate is the smooth path with the most evidence, by dynamic programming. Where no
rate stands out from chance the answer is `unknown`, with the reason.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from heart.repair.local_model import smooth_trend

RATE_COLUMNS = ["time_s", "rate_hz", "confidence", "status", "reason"]

# windows computed at once: products small enough that no linear-algebra threads are started
BLOCK = 16


def respiration_from_beats(
    beat_time_s: np.ndarray,
    amplitude: np.ndarray | None,
    *,
    use_intervals: bool = False,
    step_s: float = 1.0,
    window_s: float = 20.0,
    lowest_hz: float = 0.10,
    highest_hz: float = 1.0,
    lowest_interval_hz: float = 0.15,
    most_change_hz_per_s: float = 0.02,
    least_confidence: float = 0.95,
    least_explained: float = 0.3,
) -> pd.DataFrame:
    """Breathing rate from the R amplitude of every beat, optionally with the intervals as well.

    Parameters
    ----------
    beat_time_s : beat times of the repaired series, s, sorted.
    amplitude : R (or template) amplitude per beat in any unit; NaN where there is none, as for a
        beat put in by the repair. None to use the intervals alone.
    use_intervals : add the evidence of respiratory sinus arrhythmia above `lowest_interval_hz`;
        slower oscillation of the intervals need not be breathing.
    most_change_hz_per_s : standard deviation of the change of the rate in one second.
    least_confidence, least_explained : below either, the rate is unknown.

    Returns
    -------
    Table on a regular grid: time_s, rate_hz (NaN where unknown), confidence (0..1: one minus the
    probability of so strong a rhythm in noise), status (`known` or `unknown`), reason (empty where
    known). Rates above half the heart rate cannot be seen and are not considered.

    Raises ValueError for unequal lengths, unsorted times, or when nothing is left to use.
    Source: Moody et al. 1985, Computers in Cardiology 12:113-116; ridge and decision are ours.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    if np.any(np.diff(beats) < 0):
        raise ValueError("beat times must be sorted")
    if amplitude is None and not use_intervals:
        raise ValueError("without amplitudes use_intervals must be True")
    sources: list[tuple[np.ndarray, np.ndarray, float]] = []
    if amplitude is not None:
        height = np.asarray(amplitude, dtype=float)
        if height.size != beats.size:
            raise ValueError(f"amplitude has {height.size} values for {beats.size} beats")
        usable = np.isfinite(height)
        sources.append((beats[usable], height[usable], lowest_hz))
    if use_intervals:
        intervals = np.diff(beats)
        usable = intervals < 3.0
        sources.append(
            ((beats[:-1] + intervals / 2)[usable], intervals[usable], lowest_interval_hz)
        )
    return _track(
        sources,
        _grid(beats, step_s),
        window_s=window_s,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
        most_change_hz_per_s=most_change_hz_per_s,
        least_confidence=least_confidence,
        least_explained=least_explained,
    )


def respiration_from_belt(
    time_s: np.ndarray,
    value: np.ndarray,
    *,
    step_s: float = 1.0,
    window_s: float = 20.0,
    lowest_hz: float = 0.10,
    highest_hz: float = 1.0,
    most_change_hz_per_s: float = 0.02,
    least_confidence: float = 0.95,
    least_explained: float = 0.5,
) -> pd.DataFrame:
    """Breathing rate from a belt or flow signal in any unit; table as `respiration_from_beats`.

    `time_s` may be uneven and `value` may hold NaN. Samples are averaged in bins of 0.4 /
    `highest_hz` seconds, so that neighbouring values are about independent in the range searched.
    Raises ValueError for unequal lengths or unsorted times. Source: as the module says.
    """
    times = np.asarray(time_s, dtype=float)
    values = np.asarray(value, dtype=float)
    if times.size != values.size:
        raise ValueError(f"value has {values.size} samples for {times.size} times")
    if np.any(np.diff(times) < 0):
        raise ValueError("times must be sorted")
    grid = _grid(times, step_s)
    usable = np.isfinite(values)
    times, values = times[usable], values[usable]
    if times.size:
        bins = np.floor((times - times[0]) / (0.4 / highest_hz)).astype(int)
        count = np.bincount(bins)
        filled = count > 0
        times = np.bincount(bins, times)[filled] / count[filled]
        values = np.bincount(bins, values)[filled] / count[filled]
    return _track(
        [(times, values, lowest_hz)],
        grid,
        window_s=window_s,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
        most_change_hz_per_s=most_change_hz_per_s,
        least_confidence=least_confidence,
        least_explained=least_explained,
    )


def _grid(times: np.ndarray, step_s: float) -> np.ndarray:
    if times.size == 0:
        return np.empty(0)
    return np.arange(np.ceil(times[0] / step_s), np.floor(times[-1] / step_s) + 1) * step_s


def explained_share(
    times: np.ndarray,
    values: np.ndarray,
    centres: np.ndarray,
    frequency_hz: np.ndarray,
    *,
    window_s: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of variance that a sinusoid explains in Hann windows, at uneven sampling times.

    Returns the share (windows x frequencies, 0..1; 0 above half the rate of the values), the
    effective number of values per window and their mean rate in Hz. Source: generalised
    periodogram with a floating mean, Zechmeister & Kuerster 2009, Astron Astrophys 496:577-584.
    """
    phase = 2 * np.pi * (times - times[:1])[:, None] * frequency_hz
    cosines, sines = np.cos(phase), np.sin(phase)
    least_variance = 1e-6 * np.var(values) if values.size else 0.0
    share = np.zeros((centres.size, frequency_hz.size))
    effective = np.zeros(centres.size)
    rate_hz = np.zeros(centres.size)
    half = window_s / 2
    for begin in range(0, centres.size, BLOCK):
        block = slice(begin, begin + BLOCK)
        low, high = np.searchsorted(times, [centres[block][0] - half, centres[block][-1] + half])
        if high - low < 2:
            continue
        distance = times[None, low:high] - centres[block, None]
        near = np.abs(distance) < half
        weight = np.where(near, np.cos(np.pi * distance / window_s) ** 2, 0.0)
        total = weight.sum(axis=1)
        occupied = total > 0
        weight[occupied] /= total[occupied, None]
        squares = (weight**2).sum(axis=1)
        effective[block] = np.divide(1.0, squares, out=np.zeros_like(squares), where=occupied)
        begins = np.maximum(centres[block] - half, times[0])
        ends = np.minimum(centres[block] + half, times[-1])
        rate_hz[block] = near.sum(axis=1) / np.maximum(ends - begins, window_s / 4)
        visible = np.searchsorted(frequency_hz, rate_hz[block].max() / 2, side="right")
        cosine, sine = cosines[low:high, :visible], sines[low:high, :visible]
        y = values[low:high]
        mean = weight @ y
        mean_cosine, mean_sine = weight @ cosine, weight @ sine
        variance = (weight @ y**2 - mean**2)[:, None]
        y_cosine = (weight * y) @ cosine - mean[:, None] * mean_cosine
        y_sine = (weight * y) @ sine - mean[:, None] * mean_sine
        square_of_cosine = weight @ cosine**2
        cosine_cosine = square_of_cosine - mean_cosine**2
        sine_sine = occupied[:, None] - square_of_cosine - mean_sine**2
        cosine_sine = weight @ (cosine * sine) - mean_cosine * mean_sine
        determinant = cosine_cosine * sine_sine - cosine_sine**2
        explained = (
            sine_sine * y_cosine**2
            + cosine_cosine * y_sine**2
            - 2 * cosine_sine * y_cosine * y_sine
        )
        possible = (determinant > 1e-6) & (variance > least_variance)
        share[block, :visible] = np.divide(
            explained,
            determinant * variance,
            out=np.zeros_like(explained),
            where=possible,
        )
    return np.clip(share, 0.0, 1.0 - 1e-9), effective, rate_hz


def _track(
    sources: list[tuple[np.ndarray, np.ndarray, float]],
    grid: np.ndarray,
    *,
    window_s: float,
    lowest_hz: float,
    highest_hz: float,
    most_change_hz_per_s: float,
    least_confidence: float,
    least_explained: float,
) -> pd.DataFrame:
    """Most likely smooth course of the rate through the evidence of all sources."""
    if grid.size == 0:
        return _rate_table(grid, grid, grid, np.array([], dtype=object))
    resolution_hz = 0.005
    frequency_hz = np.arange(lowest_hz, highest_hz + resolution_hz / 2, resolution_hz)
    strength = np.zeros((grid.size, frequency_hz.size))
    sources_here = np.zeros((grid.size, frequency_hz.size), dtype=int)
    best_share = np.zeros_like(strength)
    few = np.ones(grid.size, dtype=bool)
    still = np.ones(grid.size, dtype=bool)
    for times, values, from_hz in sources:
        level = _without_trend(times, values, slowest_hz=0.6 * lowest_hz)
        share, effective, rate_hz = explained_share(
            times, level, grid, frequency_hz, window_s=window_s
        )
        visible = (frequency_hz >= from_hz - 1e-9) & (frequency_hz <= rate_hz[:, None] / 2)
        enough = effective >= 8
        few &= ~enough
        visible &= enough[:, None]
        share = np.where(visible, share, 0.0)
        still &= share.max(axis=1) <= 0
        strength -= np.maximum(effective[:, None] - 3, 0) / 2 * np.log1p(-share)
        sources_here += visible
        best_share = np.maximum(best_share, share)
    step_s = grid[1] - grid[0] if grid.size > 1 else 1.0
    # windows overlap: only every third of a window brings evidence of its own
    evidence = strength * min(1.0, 3 * step_s / window_s)
    evidence[sources_here == 0] = -1.0
    path = _smooth_path(evidence, most_change=most_change_hz_per_s * step_s / resolution_hz)
    rows = np.arange(grid.size)
    rate = frequency_hz[path] + resolution_hz * _peak_offset(strength, path)
    independent = np.maximum(1.0, (sources_here > 0).sum(axis=1) * resolution_hz * window_s)
    confidence = 1 - _false_alarm(strength[rows, path], sources_here[rows, path], independent)
    explained = best_share[rows, path]

    reason = np.full(grid.size, "", dtype=object)
    at_edge = (path == 0) | (path == frequency_hz.size - 1)
    reason[at_edge] = f"no rate between {lowest_hz:g} and {highest_hz:g} Hz stands out"
    unclear = (confidence < least_confidence) | (explained < least_explained)
    reason[unclear] = "no rhythm stands out from chance"
    reason[still] = "the signal does not vary"
    reason[few] = f"too few values within {window_s:g} s"
    confidence = np.where(few | still, 0.0, confidence)
    known = _drop_short(reason == "", shortest=int(np.ceil(window_s / 2 / step_s)))
    reason[(reason == "") & ~known] = f"a rhythm, but for less than {window_s / 2:g} s"
    return _rate_table(grid, np.where(known, rate, np.nan), confidence, reason)


def _rate_table(
    grid: np.ndarray, rate_hz: np.ndarray, confidence: np.ndarray, reason: np.ndarray
) -> pd.DataFrame:
    table = pd.DataFrame({"time_s": grid, "rate_hz": rate_hz, "confidence": confidence})
    table["status"] = np.where(np.isfinite(rate_hz), "known", "unknown")
    table["reason"] = reason
    return table[RATE_COLUMNS]


def _without_trend(times: np.ndarray, values: np.ndarray, *, slowest_hz: float) -> np.ndarray:
    """Values without their slow course, outliers drawn in to five robust standard deviations."""
    if times.size < 4:
        return values - values.mean() if values.size else values
    spacing_s = float(np.median(np.diff(times)))
    turns_per_value = min(0.25, slowest_hz * spacing_s)
    stiffness = 1 / (2 * np.sin(np.pi * turns_per_value)) ** 2
    middle = np.median(values)
    if np.ptp(values) <= 1e-9 * np.abs(middle):
        return np.zeros(values.size)
    spread = 1.4826 * np.median(np.abs(values - middle))
    calm = np.clip(values, middle - 8 * spread, middle + 8 * spread) if spread > 0 else values
    level = calm - smooth_trend(calm, np.ones(calm.size, dtype=bool), stiffness=stiffness)
    spread = 1.4826 * np.median(np.abs(level))
    return np.clip(level, -5 * spread, 5 * spread) if spread > 0 else level


def _smooth_path(evidence: np.ndarray, *, most_change: float) -> np.ndarray:
    """Column per row with the most evidence, less half the squared change over its variance."""
    reach = int(np.ceil(3 * most_change))
    shifts = np.arange(-reach, reach + 1)
    penalty = 0.5 * (shifts / most_change) ** 2
    width = evidence.shape[1]
    # the best score that ends at each rate, with room for shifts beyond the first and last rate
    score = np.full((evidence.shape[0], width + 2 * reach), -np.inf)
    inside = slice(reach, reach + width)
    score[0, inside] = evidence[0]
    reachable = sliding_window_view(score, width, axis=1)
    options = np.empty((shifts.size, width))
    for row in range(1, evidence.shape[0]):
        np.subtract(reachable[row - 1], penalty[:, None], out=options)
        np.add(options.max(axis=0), evidence[row], out=score[row, inside])
    path = np.empty(evidence.shape[0], dtype=int)
    path[-1] = int(score[-1, inside].argmax())
    for row in range(evidence.shape[0] - 1, 0, -1):
        before = score[row - 1, path[row] : path[row] + shifts.size] - penalty
        path[row - 1] = path[row] + shifts[before.argmax()]
    return path


def _peak_offset(strength: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Offset of the vertex of the parabola through the path and its neighbours, in columns."""
    rows = np.arange(path.size)
    middle = np.clip(path, 1, strength.shape[1] - 2)
    low, centre, high = (strength[rows, middle + shift] for shift in (-1, 0, 1))
    curvature = low - 2 * centre + high
    offset = np.divide(
        0.5 * (low - high), curvature, out=np.zeros(path.size), where=curvature < -1e-9
    )
    return np.where(middle == path, np.clip(offset, -0.5, 0.5), 0.0)


def _false_alarm(strength: np.ndarray, sources: np.ndarray, independent: np.ndarray) -> np.ndarray:
    """Probability that noise shows this strength at any of the independent frequencies.

    For one source the strength is exponential in noise, for two the sum of two exponentials.
    """
    single = np.exp(-strength) * np.where(sources > 1, 1 + strength, 1.0)
    return -np.expm1(independent * np.log1p(-np.minimum(single, 1 - 1e-12)))


def _drop_short(known: np.ndarray, *, shortest: int) -> np.ndarray:
    """The same flags without runs shorter than `shortest`."""
    kept = known.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], known.astype(int), [0]])))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        if end - start < shortest:
            kept[start:end] = False
    return kept
