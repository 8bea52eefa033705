"""One physical point of the beat throughout a recording, also after an electrode was moved.

A moved electrode turns the QRS over or shows it from another side, and the deflection that looks
like the earlier main one may lie elsewhere in the beat. The whole beat, with its T wave, tells: the
mean beats before and after a change are laid over each other, with either sign. The rhythm must
agree, or the two must be the same beat beyond doubt; else the recording is parted there, and no
interval is formed across.
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

# a mark that may be off by less is no reason to part a recording
LEAST_SHIFT_S = 0.01

# without the word of the rhythm, which a gap or an ectopic beat may hide, by so much
CERTAIN, CERTAIN_BY = 0.93, 0.3


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
        lower, middle, upper = size[best - 1 : best + 2]
        lag += 0.5 * (lower - upper) / min(lower - 2 * middle + upper, -1e-12)
    return lag, float(size[best]), float(correlation[farthest])


def _alike(before: Floats, after: Floats) -> float:
    return float(unit_norm(before) @ unit_norm(after))


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


def to_the_same_point(traces: Traces, marks: NDArray[np.int64]) -> tuple[Floats, NDArray[np.int64]]:
    """By how many samples each mark is moved, so that all stand at one point of the beat, and the
    marks before which the recording is parted, because the point there is unknown.

    `marks` are sample numbers of beats of the own shapes, sorted. The first ones stay.
    """
    shift, parted = np.zeros(marks.size), []
    n_means = marks.size // BEATS_OF_A_MEAN
    before, after, farthest = (
        int(round(seconds * traces.rate_hz)) for seconds in (BEFORE_S, AFTER_S, FARTHEST_S)
    )
    reach = max(before, after) + farthest
    if n_means < 2:
        return shift, np.empty(0, np.int64)
    within = np.clip(marks, reach, traces.waveform.size - reach - 1)
    beats = windows(traces.waveform, within, reach)
    groups = beats[: n_means * BEATS_OF_A_MEAN].reshape(n_means, BEATS_OF_A_MEAN, -1)
    near = unit_norm(groups[:, :, reach - before : reach + after + 1].mean(axis=1))
    done, view_before, shift_before = 0, None, 0.0
    for number in np.flatnonzero((near[1:] * near[:-1]).sum(axis=1) < UNCHANGED) + 1:
        if number <= done:
            continue
        # a change may lie within one of the two means: those before and after them are whole
        whole, last = max(number - 2, done), min(number + 1, n_means - 1)
        first, stop = whole * BEATS_OF_A_MEAN, (last + 1) * BEATS_OF_A_MEAN
        interval = np.median(np.diff(marks[first:stop]))
        of_beat = slice(
            reach - int(min(before, BEFORE_SHARE * interval)),
            reach + int(min(after, AFTER_SHARE * interval)) + 1,
        )
        wide = slice(of_beat.start - farthest, of_beat.stop + farthest)
        earlier, later = np.median(groups[[whole, last]], axis=1)
        parting = first + _between(beats[first:stop, of_beat], earlier[of_beat], later[of_beat])
        if view_before is not None and _alike(view_before[of_beat], later[of_beat]) > LAID_OVER:
            # back to what was seen before the recording was parted
            done, view_before, shift[parting:] = last, None, shift_before
            parted.append(parting)
            continue
        lag, over, standing = laid_over(earlier[of_beat], later[wide], farthest)
        if over < LAID_OVER or over < standing + BETTER_BY or abs(lag) > farthest - 1:
            continue
        done = last
        in_step = _off_the_rhythm(marks, parting, lag) < 0.5 * _off_the_rhythm(marks, parting, 0.0)
        if in_step or (over >= CERTAIN and over >= standing + CERTAIN_BY):
            shift[parting:] += lag
        elif 0 < parting < marks.size and abs(lag) > LEAST_SHIFT_S * traces.rate_hz:
            view_before, shift_before = earlier, shift[parting - 1]
            parted.append(parting)
    return shift, np.array(parted, np.int64)
