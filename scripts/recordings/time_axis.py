"""Time axis of a recorded trace: step, usable stretches, means over windows and contractions."""

import operator
from functools import wraps

import numpy as np
from numpy.typing import ArrayLike

from recordings.gaps import BRIDGED_STEPS

# traces whose lines, steps and levels are kept: those of one session
MOST_KEPT = 8


def kept_for_same(function):
    """A function of arrays that answers again for the very same ones, if nobody can alter them.

    Many outcomes ask the same of one trace; `unalterable` makes an array to which this applies.
    """
    answers = []

    @wraps(function)
    def ask(*arrays):
        for known, answer in answers:
            if len(known) == len(arrays) and all(map(operator.is_, known, arrays)):
                return answer
        answer = function(*arrays)
        if all(isinstance(a, np.ndarray) and not a.flags.writeable for a in arrays):
            answers.insert(0, (arrays, answer))
            del answers[MOST_KEPT:]
        return answer

    return ask


def unalterable(numbers: ArrayLike) -> np.ndarray:
    """The values as floats that nobody can alter; those of the argument stay as they are."""
    array = np.asarray(numbers, dtype=float).view()
    array.flags.writeable = False
    return array


@kept_for_same
def trace_of(time_s: ArrayLike, readings: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Both as float arrays, checked: same length, times finite and rising."""
    time = np.asarray(time_s, dtype=float)
    reading = np.asarray(readings, dtype=float)
    if time.ndim != 1 or time.shape != reading.shape:
        raise ValueError(f"time {time.shape} and values {reading.shape} must be equally long rows")
    if not np.all(np.isfinite(time)) or np.any(np.diff(time) <= 0):
        raise ValueError("times must be finite and strictly rising")
    return time, reading


@kept_for_same
def sampling_step_s(time_s: ArrayLike) -> float:
    """Typical time between readings: the median step of the time axis, in seconds.

    NaN for fewer than two readings.
    """
    time = np.asarray(time_s, dtype=float)
    return float(np.median(np.diff(time))) if len(time) > 1 else float("nan")


class StraightLines:
    """The trace as straight lines between neighbouring usable readings, ready to be integrated.

    A step of the time axis longer than BRIDGED_STEPS typical steps is a gap and belongs to no line,
    as is every step that touches an unusable reading.
    """

    def __init__(self, time_s: ArrayLike, readings: ArrayLike):
        time, reading = trace_of(time_s, readings)
        step = np.diff(time)
        joined = np.isfinite(reading[:-1]) & np.isfinite(reading[1:])
        if len(step):
            joined &= step <= BRIDGED_STEPS * np.median(step)
        self.start_s, self.step_s = time[:-1][joined], step[joined]
        self.first, self.last = reading[:-1][joined], reading[1:][joined]
        self._covered = np.concatenate([[0.0], np.cumsum(self.step_s)])
        area = self.step_s * (self.first + self.last) / 2
        self._area = np.concatenate([[0.0], np.cumsum(area)])

    def until(self, moment_s: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Seconds covered by lines, and the area under them, from the start to each moment."""
        moment = np.asarray(moment_s, dtype=float)
        if not len(self.start_s):
            return np.zeros(moment.shape), np.zeros(moment.shape)
        line = np.clip(np.searchsorted(self.start_s, moment, side="right") - 1, 0, None)
        inside = np.clip(moment - self.start_s[line], 0.0, self.step_s[line])
        rise = (self.last[line] - self.first[line]) / self.step_s[line]
        covered = self._covered[line] + inside
        return covered, self._area[line] + inside * (self.first[line] + rise * inside / 2)

    def within(self, start_s: float, end_s: float) -> "StraightLines":
        """The lines cut to a window."""
        cut_start = np.maximum(self.start_s, start_s)
        cut_end = np.minimum(self.start_s + self.step_s, end_s)
        keep = cut_end > cut_start
        rise = ((self.last - self.first) / self.step_s)[keep]
        part = object.__new__(StraightLines)
        part.start_s, part.step_s = cut_start[keep], (cut_end - cut_start)[keep]
        part.first = self.first[keep] + rise * (cut_start - self.start_s)[keep]
        part.last = part.first + rise * part.step_s
        return part


straight_lines_of = kept_for_same(StraightLines)


def usable_share(time_s: ArrayLike, readings: ArrayLike, start_s: float, end_s: float) -> float:
    """Share of a window, 0 to 1, in which neighbouring usable readings follow each other."""
    if end_s <= start_s:
        return 0.0
    covered, _ = straight_lines_of(time_s, readings).until([start_s, end_s])
    return float((covered[1] - covered[0]) / (end_s - start_s))


def centred_mean(
    time_s: ArrayLike, readings: ArrayLike, window_s: float, *, min_usable_share: float = 1.0
) -> np.ndarray:
    """Mean over the time window centred on each reading.

    The trace is integrated as straight lines between usable readings, so the window is exactly
    `window_s` long at any sampling rate and on an irregular axis, and delays nothing (a trailing
    mean of w seconds delays by w/2). NaN where less than `min_usable_share` of the window is
    usable, which includes both ends of the trace; gaps are left out, never bridged. Convention.
    """
    time, _ = trace_of(time_s, readings)
    if window_s <= 0:
        raise ValueError("the window must be longer than 0 s")
    lines = straight_lines_of(time_s, readings)
    covered_before, area_before = lines.until(time - window_s / 2)
    covered_after, area_after = lines.until(time + window_s / 2)
    covered = covered_after - covered_before
    # One part in a billion keeps rounding of the running sums from emptying full windows.
    enough = covered >= min_usable_share * window_s * (1 - 1e-9)
    enough &= covered > 0
    mean = np.full(len(time), np.nan)
    np.divide(area_after - area_before, covered, out=mean, where=enough)
    return mean


def whole_contractions_s(window_s: float, contraction_rate_hz: float | None) -> float:
    """The shortest whole number of contractions that lasts at least `window_s`, in seconds.

    A mean over whole contractions cancels their ripple; over one and a half it does not. Without
    a rate the window is given back as it is. Convention.
    """
    if contraction_rate_hz is None or not np.isfinite(contraction_rate_hz):
        return window_s
    # A hair of tolerance: 4 s at a measured 0.4999 Hz is two contractions, not three.
    return max(1.0, np.ceil(window_s * contraction_rate_hz - 0.05)) / contraction_rate_hz


def usable_readings(time_s: ArrayLike, readings: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    time, reading = np.asarray(time_s, dtype=float), np.asarray(readings, dtype=float)
    keep = np.isfinite(reading)
    return time[keep], reading[keep]
