"""A recording cut into evenly sampled pieces, at gaps and where its own time axis breaks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from heart.cubic_spline import CubicSpline
from heart.detection.arrays import Floats
from recordings.gaps import LOST_SAMPLE_S, LOST_SAMPLE_STEPS

# stamps nearer than this to an even axis are rounded
ROUNDED_S = 0.001

# where stamps come in bursts, their middle may leave the line by so much
DRIFT_S = 0.004

# a stamp that runs back by more is no late arrival
LATEST_ARRIVAL_S = 0.25

MANY_STEPS = 256

# packets of a recorder are shorter than this by far
PACKETS_S = 1.0


@dataclass(frozen=True)
class EvenPiece:
    """An evenly sampled stretch of a recording without gaps."""

    start_s: float
    rate_hz: float
    samples: Floats


def even_pieces(
    time_s: ArrayLike,
    signal: ArrayLike,
    *,
    shortest_s: float = 1.0,
) -> list[EvenPiece]:
    """Split a signal at gaps of its time axis and give evenly sampled pieces.

    `time_s` and `signal` are 1-D, of equal length. A gap is a step over a lost sample
    (`recordings.gaps`) or a sample that is not finite. Stamps that scatter about a straight line
    are stamps of arrival or rounded ones of an even axis, which the line gives; no sample is
    altered. Others are interpolated by a cubic spline, and a step that does not go forward is a gap
    among them. Pieces shorter than `shortest_s` are dropped. Raises ValueError on unequal lengths.
    Source: convention.
    """
    time_s = np.asarray(time_s, dtype=float)
    signal = np.asarray(signal, dtype=float)
    if time_s.ndim != 1 or time_s.shape != signal.shape:
        raise ValueError(
            f"time and signal must be 1-D and equally long, found {time_s.shape} and {signal.shape}"
        )
    finite = np.isfinite(signal) & np.isfinite(time_s)
    if not finite.all():
        time_s, signal = time_s[finite], signal[finite]
    if time_s.size < 4:
        return []
    step_s = np.diff(time_s)
    usual_step_s = _usual_step_s(time_s, step_s)
    if usual_step_s is None:
        return []
    broken = step_s > max(LOST_SAMPLE_STEPS * usual_step_s, LOST_SAMPLE_S)
    broken &= _stays_late(time_s, np.flatnonzero(broken), usual_step_s)
    broken |= step_s < -LATEST_ARRIVAL_S
    if not finite.all():
        # A single missing sample is a break as well, however short.
        broken |= np.diff(np.flatnonzero(finite)) > 1
    pieces = []
    for first, stop in _between(broken):
        axis_s, samples = time_s[first:stop], signal[first:stop]
        if axis_s.size < 4:
            continue
        line = arrival_line(axis_s, usual_step_s)
        if line is not None:
            pieces.append(EvenPiece(*line, samples))
            continue
        for begin, end in _between(np.diff(axis_s) <= 0):
            if end - begin >= 4:
                pieces.append(_interpolated(axis_s[begin:end], samples[begin:end], usual_step_s))
    return [piece for piece in pieces if piece.samples.size >= shortest_s * piece.rate_hz]


def _between(broken: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last place (excluded) of every run of samples without a break."""
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [broken.size + 1]))
    return zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)


def _usual_step_s(time_s: Floats, step_s: Floats) -> float | None:
    """Usual step in s: the median, or where stamps come in bursts that of the mean over many."""
    forward_s = step_s[:: max(1, step_s.size // 20000)]
    forward_s = forward_s[forward_s > 0]
    if forward_s.size == 0:
        return None
    median_s = float(np.median(forward_s))
    many = min(MANY_STEPS, time_s.size - 1)
    mean_s = float(np.median((time_s[many:] - time_s[:-many])[:: max(1, many // 4)]) / many)
    return mean_s if mean_s > 0 and abs(mean_s / median_s - 1) > 0.02 else median_s


def _stays_late(
    time_s: Floats, places: NDArray[np.int64], usual_step_s: float
) -> NDArray[np.bool_]:
    """Of all steps, whether samples were lost at those of `places`.

    All that follows is late by at least half of the step then; a packet that arrives late is
    followed by others that do not.
    """
    lost = np.zeros(time_s.size - 1, dtype=bool)
    if not places.size:
        return lost
    n = np.arange(time_s.size)
    total = np.concatenate(([0.0], np.cumsum(time_s - usual_step_s * n)))
    many = max(1, int(round(PACKETS_S / usual_step_s)))
    first, stop = np.maximum(places + 1 - many, 0), np.minimum(places + 1 + many, time_s.size)
    before = (total[places + 1] - total[first]) / (places + 1 - first)
    after = (total[stop] - total[places + 1]) / (stop - places - 1)
    excess_s = time_s[places + 1] - time_s[places] - usual_step_s
    lost[places] = after - before > 0.5 * excess_s
    return lost


def arrival_line(time_s: Floats, usual_step_s: float) -> tuple[float, float] | None:
    """Start (s) and rate (Hz) of the even axis about which stamps scatter, None without one.

    The line is that of least squares. Medians over a second may not leave it by more than half a
    step, half of what stamps scatter within a second, or `DRIFT_S`: where they do, samples were
    lost or the rate changed.
    """
    n = np.arange(time_s.size)
    slope_s = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    rest_s = time_s - slope_s * n
    if rest_s.max() - rest_s.min() > 2 * ROUNDED_S:
        centre = n.mean()
        slope_s = float((n - centre) @ (time_s - time_s.mean()) / np.square(n - centre).sum())
        rest_s = time_s - slope_s * n
    start_s = float(rest_s.mean())
    if slope_s <= 0 or abs(slope_s / usual_step_s - 1.0) >= 0.02:
        return None
    if max(rest_s.max() - start_s, start_s - rest_s.min()) > ROUNDED_S:
        width = max(4, int(round(1.0 / slope_s)))
        whole = rest_s[: rest_s.size // width * width].reshape(-1, width)
        if whole.size:
            slow_s = np.median(whole, axis=1)
            within_s = np.median(np.ptp(whole, axis=1))
            allowed_s = max(DRIFT_S, 0.5 * slope_s, 0.5 * within_s)
            if np.abs(slow_s - np.median(slow_s)).max() > allowed_s:
                return None
        start_s = float(np.median(rest_s))
    return start_s, 1.0 / slope_s


def _interpolated(time_s: Floats, signal: Floats, step_s: float) -> EvenPiece:
    grid_s = np.arange(time_s[0], time_s[-1], step_s)
    return EvenPiece(float(time_s[0]), 1.0 / step_s, CubicSpline(time_s, signal)(grid_s))
