"""A model of one person's beat intervals, and the intervals that it expects in a gap.

A slow trend plus an autoregressive process, both fitted to the intervals around the gap. Missing
values are put where the model expects them (Janssen, Veldhuis & Vries 1986, IEEE Trans Acoust
Speech Signal Process 34:317-330): it carries the breathing and the slower oscillation across the
gap, which a straight line would erase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

# conventions, chosen on simulated rest and exercise and on open recordings
TREND_STIFFNESS = 30.0  # the trend follows what is slower than about 0.03 cycles per beat

SMALLEST_ERROR_SHARE = 0.002  # of an interval: no model predicts a heart better than that


def likely_order(known_count: int, *, highest: int = 16) -> int:
    """Order of the autoregressive model that `known_count` intervals can carry.

    Order 16 is common for heart-period spectra (Boardman et al. 2002, Physiol Meas 23:325-336);
    below 96 intervals one coefficient per six intervals, a convention.
    """
    return min(highest, known_count // 6)


def fit_autoregression(series: np.ndarray, *, order: int) -> tuple[np.ndarray, float]:
    """Coefficients (1, a1 .. ap) of the prediction error filter and the error variance.

    `series` is a detrended series. Source: Burg's method, e.g. Kay & Marple 1981, Proc IEEE
    69:1380-1419.
    """
    forward = series[1:].copy()
    backward = series[:-1].copy()
    coefficients = np.array([1.0])
    variance = float(np.mean(series**2))
    for _ in range(order):
        energy = forward @ forward + backward @ backward
        if energy <= 0:
            break
        reflection = -2 * (forward @ backward) / energy
        extended = np.append(coefficients, 0.0)
        coefficients = extended + reflection * extended[::-1]
        variance *= 1 - reflection**2
        forward, backward = (
            (forward + reflection * backward)[1:],
            (backward + reflection * forward)[:-1],
        )
    return coefficients, variance


def smooth_trend(series: np.ndarray, known: np.ndarray, *, stiffness: float) -> np.ndarray:
    """Slow course of a series through its known values, carried across the unknown ones.

    Smoothness priors on the second difference, unknown values left out; `stiffness` is the
    regularisation, and a rhythm of 1 / (2 pi sqrt(stiffness)) cycles per value keeps half of its
    amplitude. Source: Tarvainen, Ranta-aho & Karjalainen 2002, IEEE Trans Biomed Eng 49:172-175.
    """
    count = series.size
    if count < 3 or known.sum() < 3:
        return np.full(count, series[known].mean() if known.any() else series.mean())
    bands = np.zeros((3, count))
    bands[2] = known
    square = stiffness**2
    for factor, start in ((1.0, 0), (4.0, 1), (1.0, 2)):
        bands[2, start : count - 2 + start] += square * factor
    bands[1, 1 : count - 1] -= 2 * square
    bands[1, 2:] -= 2 * square
    bands[0, 2:] += square
    return solveh_banded(bands, np.where(known, series, 0.0))


@dataclass(frozen=True)
class Context:
    """Intervals in s on both sides of a region, and which of them were seen rather than filled.

    `usual_s` is the median of the sound intervals nearest to the region.
    """

    before: np.ndarray
    after: np.ndarray
    before_seen: np.ndarray
    after_seen: np.ndarray
    usual_s: float

    @property
    def order(self) -> int:
        return likely_order(int(self.before_seen.sum() + self.after_seen.sum()))


@dataclass(frozen=True)
class LocalModel:
    """Prediction error filter of the intervals around a region, usual prediction error in s."""

    coefficients: np.ndarray
    error_s: float


def local_trend(context: Context, count: int) -> np.ndarray:
    """Slow course in s of the context and of `count` unknown intervals in its middle."""
    unknown = np.zeros(count, dtype=bool)
    return smooth_trend(
        np.concatenate([context.before, np.zeros(count), context.after]),
        np.concatenate([context.before_seen, unknown, context.after_seen]),
        stiffness=TREND_STIFFNESS,
    )


def fit_local_model(context: Context, trend: np.ndarray) -> LocalModel:
    """Model of the intervals around a region; `trend` as `local_trend` gives it."""
    order = context.order
    before = context.before - trend[: context.before.size]
    after = context.after - trend[trend.size - context.after.size :]
    count = trend.size - before.size - after.size
    level = np.concatenate([before, np.zeros(count), after])
    coefficients, variance = fit_autoregression(level, order=order)
    errors = np.concatenate(
        [
            np.convolve(side, coefficients, mode="valid") if side.size > order else np.empty(0)
            for side in (before, after)
        ]
    )
    # the median is blind to the errors that are still in the context
    error_s = 1.4826 * np.median(np.abs(errors)) if errors.size > 20 else np.sqrt(variance)
    return LocalModel(coefficients, max(float(error_s), SMALLEST_ERROR_SHARE * context.usual_s))


def fill_intervals(
    durations_s: Sequence[float],
    counts: Sequence[int],
    context: Context,
    trend: np.ndarray,
    model: LocalModel,
) -> tuple[np.ndarray, np.ndarray]:
    """Most likely intervals of a region in s, and the prediction errors in and after it.

    The region is a row of spans of `durations_s`, each of `counts` intervals. A span of one
    interval is known; the intervals of the others minimise the squared prediction error under the
    condition that they add up to their span. `trend` is that of `local_trend` for the sum of
    `counts`.
    Source: Janssen, Veldhuis & Vries 1986, IEEE Trans Acoust Speech Signal Process 34:317-330,
    with the condition added by Lagrange multipliers.
    """
    durations, links = np.asarray(durations_s, dtype=float), np.asarray(counts)
    span = np.repeat(np.arange(links.size), links)
    start, end = context.before.size, context.before.size + span.size
    level = np.concatenate([context.before, (durations / links)[span], context.after]) - trend
    trend = trend[start:end]
    coefficients = model.coefficients
    order = coefficients.size - 1
    # prediction works in both directions of time: go where more lies behind the region
    backwards = start < order and context.after.size > start
    if backwards:
        level, trend, span, start = level[::-1], trend[::-1], span[::-1], context.after.size
    low, high = max(0, start - order), min(level.size, start + span.size + order)
    window = level[low:high].copy()
    if window.size <= order:
        order, coefficients = 0, coefficients[:1]
    region = slice(start - low, start - low + span.size)
    unknown = links[span] > 1
    if unknown.any():
        unknown_at = np.arange(window.size)[region][unknown]
        window[unknown_at] = 0.0
        lag = np.arange(order, window.size)[:, None] - unknown_at
        effect = np.where((lag >= 0) & (lag <= order), coefficients[np.clip(lag, 0, order)], 0.0)
        open_spans = np.flatnonzero(links > 1)
        sums = (span[unknown] == open_spans[:, None]).astype(float)
        count = unknown_at.size
        system = np.zeros((count + open_spans.size, count + open_spans.size))
        system[:count, :count] = effect.T @ effect + 1e-9 * np.eye(count)
        system[count:, :count], system[:count, count:] = sums, sums.T
        given = -effect.T @ np.convolve(window, coefficients, mode="valid")
        wanted = durations[open_spans] - sums @ trend[unknown]
        window[unknown_at] = np.linalg.solve(system, np.append(given, wanted))[:count]
    filled = window[region] + trend
    return filled[::-1] if backwards else filled, np.convolve(window, coefficients, mode="valid")
