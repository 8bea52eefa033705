"""Which beat intervals cannot be sinus rhythm as recorded: the published rule."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

NORMAL, ECTOPIC, MISSED, EXTRA, MISPLACED = "normal", "ectopic", "missed", "extra", "misplaced"

# the published thresholds rest on quartiles of the intervals around a beat
FEWEST_BEATS = 12


def rolling_quantiles(series: np.ndarray, *, width: int, shares: Sequence[float]) -> np.ndarray:
    """Quantiles over a centred window that shrinks at the ends, shape (len(shares), len(values)).

    Linear interpolation between order statistics. `width` counts values and must be odd.
    """
    half = width // 2
    padded = np.pad(np.asarray(series, dtype=float), half, constant_values=np.inf)
    ordered = np.sort(sliding_window_view(padded, width), axis=1)
    index = np.arange(series.size)
    count = np.minimum(index, half) + np.minimum(series.size - 1 - index, half) + 1
    quantiles = np.empty((len(shares), series.size))
    for row, share in enumerate(shares):
        position = share * (count - 1)
        below = np.floor(position).astype(int)
        above = np.minimum(below + 1, count - 1)
        low, high = ordered[index, below], ordered[index, above]
        quantiles[row] = low + (high - low) * (position - below)
    return quantiles


def classify_intervals(
    beat_time_s: np.ndarray,
    *,
    threshold_factor: float = 5.2,
    threshold_beats: int = 91,
    median_beats: int = 11,
    slope: float = 0.13,
    offset: float = 0.17,
    smallest_threshold: float = 0.0,
    most_medians: float = np.inf,
) -> np.ndarray:
    """Label every beat by the interval that ends at it: normal, ectopic, missed, extra, misplaced.

    `beat_time_s` is sorted; returns an array of strings of the same length. A label `missed` means
    that a beat is missing before this one, `extra` that this interval is cut short by a false
    beat. The defaults are the published ones: thresholds 5.2 times the quartile deviation over 91
    beats, ectopic lines with slope 0.13 and offset 0.17, median over 11 intervals. As published,
    the last two beats are not tested, and fewer than 12 beats give `normal` throughout because
    their quartiles say nothing. `smallest_threshold` (share of the local median interval) keeps
    the thresholds of a nearly constant series above its resolution; `most_medians` caps the
    quartile deviation at so many medians, so that many errors close together do not hide each
    other. Raises ValueError when the beats are not sorted.
    Source: Lipponen & Tarvainen 2019, J Med Eng Technol 43:173-181.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    # to the nanosecond: keeps ties of evenly sampled beats exact after the subtraction
    intervals = np.round(np.diff(beats), 9)
    if np.any(intervals < 0):
        raise ValueError("beat times must be sorted")
    if beats.size < FEWEST_BEATS:
        return np.full(beats.size, NORMAL, dtype="<U9")
    interval = np.concatenate([[intervals.mean()], intervals])
    change = np.diff(interval, prepend=interval[0])
    change[0] = change[1:].mean()
    median = rolling_quantiles(interval, width=median_beats, shares=(0.5,))[0]
    deviation = interval - median
    deviation = np.where(deviation < 0, 2 * deviation, deviation)

    def threshold(series: np.ndarray) -> np.ndarray:
        spread = _spread(series, threshold_beats, most_medians)
        return np.maximum(threshold_factor * spread, smallest_threshold * median)

    deviation_threshold = threshold(deviation)
    change = _over(change, threshold(change))
    far = np.abs(_over(deviation, deviation_threshold)) > 3
    error = _errors(change, far, interval, median, deviation_threshold)
    return _in_turn(change, far, _ectopic(change, slope, offset), error)


def _spread(series: np.ndarray, width: int, most_medians: float) -> np.ndarray:
    """Quartile deviation of the sizes around each number, at most so many medians of them."""
    low, middle, high = rolling_quantiles(np.abs(series), width=width, shares=(0.25, 0.5, 0.75))
    spread = (high - low) / 2
    return np.minimum(spread, most_medians * middle) if np.isfinite(most_medians) else spread


def _over(series: np.ndarray, threshold: np.ndarray) -> np.ndarray:
    """A series in thresholds; NaN where a threshold is 0."""
    return np.divide(series, threshold, out=np.full(series.size, np.nan), where=threshold != 0)


def _ectopic(change: np.ndarray, slope: float, offset: float) -> np.ndarray:
    """Which changes turn over within a beat, as those of an early beat and its pause do."""
    around = np.pad(change, 1, mode="reflect")
    before, after = around[:-2], around[2:]
    neighbour = np.where(change > 0, np.maximum(before, after), np.minimum(before, after))
    neighbour = np.where((change > 0) | (change < 0), neighbour, 0.0)
    return ((change > 1) & (neighbour < -slope * change - offset)) | (
        (change < -1) & (neighbour > -slope * change + offset)
    )


def _errors(
    change: np.ndarray,
    far: np.ndarray,
    interval: np.ndarray,
    median: np.ndarray,
    deviation_threshold: np.ndarray,
) -> np.ndarray:
    """What each interval would be called if it were too long or too short."""
    around = np.pad(change, 2, mode="reflect")
    after, second = around[3:-1], around[4:]
    following = np.where(change >= 0, np.minimum(after, second), np.maximum(after, second))
    following = np.where(np.isnan(change), 0.0, following)
    long_pattern = (change > 1) & (following < -1)
    short_pattern = (change < -1) & (following > 1)
    halves_fit = np.abs(interval / 2 - median) < deviation_threshold
    pair = interval + np.append(interval[1:], np.inf)
    pair_fits = np.abs(pair - median) < deviation_threshold
    return np.select(
        [
            ~(long_pattern | short_pattern | far),
            short_pattern & pair_fits,
            long_pattern & halves_fit,
        ],
        [NORMAL, EXTRA, MISSED],
        MISPLACED,
    )


def _in_turn(
    change: np.ndarray, far: np.ndarray, ectopic: np.ndarray, error: np.ndarray
) -> np.ndarray:
    """Labels as the published rule goes through the beats, of which one may use up the next."""
    labels = np.full(change.size, NORMAL, dtype="<U9")
    beat = 0
    for candidate in np.flatnonzero(~(np.abs(change[:-2]) <= 1)):
        if candidate < beat:
            continue
        beat = candidate + 1
        if ectopic[candidate]:
            labels[candidate] = ECTOPIC
        elif np.abs(change[candidate]) > 1 or far[candidate]:
            labels[candidate] = error[candidate]
            if np.abs(change[candidate + 1]) < np.abs(change[candidate + 2]):
                labels[candidate + 1] = error[candidate + 1]
                beat = candidate + 2
    return labels
