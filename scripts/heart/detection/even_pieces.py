"""A recording cut into evenly sampled pieces, at gaps and where its own time axis breaks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from heart.cubic_spline import CubicSpline
from heart.detection.arrays import Floats
from recordings.arrival import arrival_line, stays_late, usual_step_s
from recordings.gaps import LOST_SAMPLE_S, LOST_SAMPLE_STEPS

SHORTEST_PIECE_S = 1.0
# a stamp that runs back by more is no late arrival
LATEST_ARRIVAL_S = 0.25


@dataclass(frozen=True)
class EvenPiece:
    """An evenly sampled stretch of a recording without gaps."""

    start_s: float
    rate_hz: float
    samples: Floats


def even_pieces(time_s: ArrayLike, signal: ArrayLike) -> list[EvenPiece]:
    """Split a signal at gaps of its time axis and give evenly sampled pieces.

    `time_s` and `signal` are 1-D, of equal length. A gap is a step over a lost sample
    (`recordings.gaps`) or a sample that is not finite. Stamps that scatter about a straight line
    are stamps of arrival or rounded ones of an even axis, which the line gives; no sample is
    altered. Others are interpolated by a cubic spline, and a step that does not go forward is a gap
    among them. Pieces shorter than a second are dropped. Raises ValueError on unequal lengths.
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
    typical_step_s = usual_step_s(time_s)
    if typical_step_s is None:
        return []
    broken = step_s > max(LOST_SAMPLE_STEPS * typical_step_s, LOST_SAMPLE_S)
    late = np.flatnonzero(broken)
    broken[late] = stays_late(time_s, late, typical_step_s)
    broken |= step_s < -LATEST_ARRIVAL_S
    if not finite.all():
        # A single missing sample is a break as well, however short.
        broken |= np.diff(np.flatnonzero(finite)) > 1
    pieces = []
    for first, stop in _between(broken):
        axis_s, samples = time_s[first:stop], signal[first:stop]
        if axis_s.size < 4:
            continue
        line = arrival_line(axis_s, typical_step_s)
        if line is not None:
            pieces.append(EvenPiece(*line, samples))
            continue
        for begin, end in _between(np.diff(axis_s) <= 0):
            if end - begin >= 4:
                pieces.append(_even_piece(axis_s[begin:end], samples[begin:end], typical_step_s))
    return [piece for piece in pieces if piece.samples.size >= SHORTEST_PIECE_S * piece.rate_hz]


def _between(broken: NDArray[np.bool_]) -> Iterator[tuple[int, int]]:
    """First and last place (excluded) of every run of samples without a break."""
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [broken.size + 1]))
    return zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)


def _even_piece(time_s: Floats, signal: Floats, step_s: float) -> EvenPiece:
    grid_s = np.arange(time_s[0], time_s[-1], step_s)
    return EvenPiece(float(time_s[0]), 1.0 / step_s, CubicSpline(time_s, signal)(grid_s))
