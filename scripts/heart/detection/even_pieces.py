"""A recording cut into evenly sampled pieces, at gaps and where its own time axis breaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from heart.cubic_spline import CubicSpline
from heart.detection.arrays import Floats
from recordings.gaps import LOST_SAMPLE_S, LOST_SAMPLE_STEPS


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
    jitter_s: float = 0.001,
) -> list[EvenPiece]:
    """Split a signal at gaps of its time axis and give evenly sampled pieces.

    `time_s` and `signal` are 1-D, of equal length. A gap is a step over a lost sample
    (`recordings.gaps`), a step that does not go forward, or a sample that is not finite. Stamps
    within `jitter_s` of an even axis are rounded stamps of an even axis; others are interpolated by
    a cubic spline. Pieces shorter than `shortest_s` are dropped. Raises ValueError on unequal
    lengths. Source: convention.
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
    forward_s = step_s[:: max(1, step_s.size // 20000)]
    forward_s = forward_s[forward_s > 0]
    if forward_s.size == 0:
        return []
    median_step_s = float(np.median(forward_s))
    broken = (step_s > max(LOST_SAMPLE_STEPS * median_step_s, LOST_SAMPLE_S)) | (step_s <= 0)
    if not finite.all():
        # A single missing sample is a break as well, however short.
        broken |= np.diff(np.flatnonzero(finite)) > 1
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [time_s.size]))
    pieces = []
    for first, stop in zip(edges[:-1], edges[1:], strict=True):
        if time_s[stop - 1] - time_s[first] >= shortest_s:
            pieces.append(
                _evenly_sampled(time_s[first:stop], signal[first:stop], median_step_s, jitter_s)
            )
    return pieces


def _evenly_sampled(time_s: Floats, signal: Floats, step_s: float, jitter_s: float) -> EvenPiece:
    own_step_s = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    deviation_s = time_s - own_step_s * np.arange(time_s.size)
    start_s = float(deviation_s.mean())
    even = max(deviation_s.max() - start_s, start_s - deviation_s.min()) <= jitter_s
    if even and abs(own_step_s / step_s - 1.0) < 0.02:
        return EvenPiece(start_s, 1.0 / own_step_s, signal)
    grid_s = np.arange(time_s[0], time_s[-1], step_s)
    return EvenPiece(float(time_s[0]), 1.0 / step_s, CubicSpline(time_s, signal)(grid_s))
