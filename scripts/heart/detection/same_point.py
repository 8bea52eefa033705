"""One physical point of the beat throughout a recording, also after an electrode was moved.

A moved electrode turns the QRS over or shows it from another side, and the deflection that looks
like the earlier main one may lie elsewhere in the beat. The whole beat, with its T wave, tells: the
mean beats before and after a change are laid over each other, with either sign.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from heart.detection.arrays import Floats
from heart.detection.traces import Traces, unit_norm, windows

# so many beats make a mean one
BEATS_OF_A_MEAN = 8

# of a beat, in s and at most in shares of its interval, before and after its mark
BEFORE_S, AFTER_S = 0.2, 0.4
BEFORE_SHARE, AFTER_SHARE = 0.3, 0.6

# the mark may move so far
FARTHEST_S = 0.1

# mean beats correlate at least so well where nothing changed; laid over each other again after a
# change they correlate at least so well, and by so much better than as they stand
UNCHANGED = 0.8
LAID_OVER, BETTER_BY = 0.85, 0.1

# without the word of the rhythm, which a gap or an ectopic beat may hide, by so much
CERTAIN, CERTAIN_BY = 0.95, 0.3


def laid_over(before: Floats, after: Floats, farthest: int) -> tuple[float, float, float]:
    """Lag at which `after` matches `before` best, with either sign, that correlation without its
    sign, and the correlation of the two as they stand.

    `before` has `farthest` samples less at either end than `after`; lag in samples, between them.
    """
    at_lags = np.lib.stride_tricks.sliding_window_view(after, before.size)
    correlation = unit_norm(at_lags) @ unit_norm(before)
    size = np.abs(correlation)
    best = int(np.argmax(size))
    lag = float(best - farthest)
    if 0 < best < size.size - 1:
        left, middle, right = size[best - 1 : best + 2]
        lag += 0.5 * (left - right) / min(left - 2 * middle + right, -1e-12)
    return lag, float(size[best]), float(correlation[farthest])


def _between(windows_of: Floats, before: Floats, after: Floats) -> int:
    """How many of the beats look like `before`, the rest being like `after`: the best parting."""
    unit = unit_norm(windows_of)
    like = unit @ unit_norm(before) - unit @ unit_norm(after)
    return int(np.argmax(np.concatenate(([0.0], np.cumsum(like)))))


def _off_the_rhythm(marks: NDArray[np.int64], parting: int, lag: float) -> float:
    """By how much beats from `parting` on are out of step with those before, moved by the lag.

    In samples; the median over the two last beats before and the two first after, of which one may
    be none. NaN where there are too few.
    """
    before, after = marks[max(parting - 2, 0) : parting], marks[parting : parting + 2]
    if not before.size or not after.size:
        return np.nan
    usual = np.median(np.diff(marks[max(parting - 6, 0) : parting + 6]))
    apart = after[:, None] + lag - before[None, :]
    return float(np.median(np.abs(apart - usual * np.maximum(np.rint(apart / usual), 1))))


def shifts_to_the_same_point(traces: Traces, marks: NDArray[np.int64]) -> Floats:
    """By how many samples each mark is moved, so that all stand at one point of the beat.

    `marks` are sample numbers of beats of the own shapes, sorted. The first ones stay.
    """
    shift = np.zeros(marks.size)
    n_means = marks.size // BEATS_OF_A_MEAN
    rate_hz = traces.rate_hz
    before, after, farthest = (
        int(round(seconds * rate_hz)) for seconds in (BEFORE_S, AFTER_S, FARTHEST_S)
    )
    reach = max(before, after) + farthest
    if n_means < 2:
        return shift
    within = np.clip(marks, reach, traces.waveform.size - reach - 1)
    beats = windows(traces.waveform, within, reach)
    means = np.median(
        beats[: n_means * BEATS_OF_A_MEAN].reshape(n_means, BEATS_OF_A_MEAN, -1), axis=1
    )
    near = unit_norm(means[:, reach - before : reach + after + 1])
    changed = np.flatnonzero((near[1:] * near[:-1]).sum(axis=1) < UNCHANGED) + 1
    done = 0
    for number in changed:
        # a change may lie within a mean: the next one is whole
        last = min(number + 1, n_means - 1)
        if number <= done:
            continue
        first, stop = (number - 1) * BEATS_OF_A_MEAN, (last + 1) * BEATS_OF_A_MEAN
        interval = np.median(np.diff(marks[first:stop]))
        own = slice(
            reach - int(min(before, BEFORE_SHARE * interval)),
            reach + int(min(after, AFTER_SHARE * interval)) + 1,
        )
        wide = slice(own.start - farthest, own.stop + farthest)
        lag, over, standing = laid_over(means[number - 1, own], means[last, wide], farthest)
        if over < LAID_OVER or over < standing + BETTER_BY or abs(lag) > farthest - 1:
            continue
        parting = first + _between(beats[first:stop, own], means[number - 1, own], means[last, own])
        done = last
        in_step = _off_the_rhythm(marks, parting, lag) < 0.5 * _off_the_rhythm(marks, parting, 0.0)
        if in_step or (over >= CERTAIN and over >= standing + CERTAIN_BY):
            shift[parting:] += lag
    return shift
