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


def fit_autoregression(values: np.ndarray, *, order: int) -> tuple[np.ndarray, float]:
    """Coefficients (1, a1 .. ap) of the prediction error filter and the error variance.

    `values` is a detrended series. Source: Burg's method, e.g. Kay & Marple 1981, Proc IEEE
    69:1380-1419.
    """
    forward = values[1:].copy()
    backward = values[:-1].copy()
    coefficients = np.array([1.0])
    variance = float(np.mean(values**2))
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


def smooth_trend(values: np.ndarray, known: np.ndarray, *, stiffness: float) -> np.ndarray:
    """Slow course of a series through its known values, carried across the unknown ones.

    Smoothness priors on the second difference, unknown values left out; `stiffness` is the
    regularisation, and a rhythm of 1 / (2 pi sqrt(stiffness)) cycles per value keeps half of its
    amplitude. Source: Tarvainen, Ranta-aho & Karjalainen 2002, IEEE Trans Biomed Eng 49:172-175.
    """
    count = values.size
    if count < 3 or known.sum() < 3:
        return np.full(count, values[known].mean() if known.any() else values.mean())
    bands = np.zeros((3, count))
    bands[2] = known
    square = stiffness**2
    for factor, start in ((1.0, 0), (4.0, 1), (1.0, 2)):
        bands[2, start : count - 2 + start] += square * factor
    bands[1, 1 : count - 1] -= 2 * square
    bands[1, 2:] -= 2 * square
    bands[0, 2:] += square
    return solveh_banded(bands, np.where(known, values, 0.0))


@dataclass(frozen=True)
class Context:
    """Intervals in s on both sides of a region, and which of them were seen rather than filled.

    `usual_s` is the median of the sound intervals nearest to the region.
    """

    left: np.ndarray
    right: np.ndarray
    left_seen: np.ndarray
    right_seen: np.ndarray
    usual_s: float

    @property
    def order(self) -> int:
        return likely_order(int(self.left_seen.sum() + self.right_seen.sum()))


@dataclass(frozen=True)
class LocalModel:
    """Prediction error filter of the intervals around a region, usual prediction error in s."""

    coefficients: np.ndarray
    error_s: float


def local_trend(context: Context, count: int) -> np.ndarray:
    """Slow course in s of the context and of `count` unknown intervals in its middle."""
    unknown = np.zeros(count, dtype=bool)
    return smooth_trend(
        np.concatenate([context.left, np.zeros(count), context.right]),
        np.concatenate([context.left_seen, unknown, context.right_seen]),
        stiffness=TREND_STIFFNESS,
    )


def fit_local_model(context: Context, trend: np.ndarray) -> LocalModel:
    """Model of the intervals around a region; `trend` as `local_trend` gives it."""
    order = context.order
    left = context.left - trend[: context.left.size]
    right = context.right - trend[trend.size - context.right.size :]
    count = trend.size - left.size - right.size
    level = np.concatenate([left, np.zeros(count), right])
    coefficients, variance = fit_autoregression(level, order=order)
    errors = np.concatenate(
        [
            np.convolve(side, coefficients, mode="valid") if side.size > order else np.empty(0)
            for side in (left, right)
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
    start, end = context.left.size, context.left.size + span.size
    level = np.concatenate([context.left, (durations / links)[span], context.right]) - trend
    trend = trend[start:end]
    coefficients = model.coefficients
    order = coefficients.size - 1
    # prediction works in both directions of time: go where more lies behind the region
    backwards = start < order and context.right.size > start
    if backwards:
        level, trend, span, start = level[::-1], trend[::-1], span[::-1], context.right.size
    low, high = max(0, start - order), min(level.size, start + span.size + order)
    window = level[low:high].copy()
    if window.size <= order:
        order, coefficients = 0, coefficients[:1]
    region = slice(start - low, start - low + span.size)
    unknown = links[span] > 1
    if unknown.any():
        places = np.arange(window.size)[region][unknown]
        window[places] = 0.0
        lag = np.arange(order, window.size)[:, None] - places
        effect = np.where((lag >= 0) & (lag <= order), coefficients[np.clip(lag, 0, order)], 0.0)
        open_spans = np.flatnonzero(links > 1)
        sums = (span[unknown] == open_spans[:, None]).astype(float)
        count = places.size
        system = np.zeros((count + open_spans.size, count + open_spans.size))
        system[:count, :count] = effect.T @ effect + 1e-9 * np.eye(count)
        system[count:, :count], system[:count, count:] = sums, sums.T
        given = -effect.T @ np.convolve(window, coefficients, mode="valid")
        wanted = durations[open_spans] - sums @ trend[unknown]
        window[places] = np.linalg.solve(system, np.append(given, wanted))[:count]
    found = window[region] + trend
    return found[::-1] if backwards else found, np.convolve(window, coefficients, mode="valid")
