"""Heart-period variability of one window in the time domain.

Numbers in, numbers out. `nn_ms` are normal-to-normal intervals in milliseconds; `beat_time_s` is
the time of the beat that ends each interval. A number that the data cannot carry is not returned:
the function raises `NotEnough`, whose message is the sentence to show.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


class NotEnough(ValueError):
    """The data cannot carry this number; the message says why, in a sentence for the reader."""


def _finite(numbers: ArrayLike, name: str) -> FloatArray:
    array = np.asarray(numbers, dtype=float)
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, not of shape {array.shape}")
    if not np.isfinite(array).all():
        raise ValueError(f"{name} holds values that are not finite; leave those rows out first")
    return array


def _intervals(nn_ms: ArrayLike, at_least: int, what: str) -> FloatArray:
    intervals = _finite(nn_ms, "nn_ms")
    if intervals.size < at_least:
        raise NotEnough(f"{what} needs {at_least} intervals and the window holds {intervals.size}")
    if (intervals <= 0).any():
        raise ValueError("nn_ms holds intervals that are not positive")
    return intervals


def mean_nn_ms(nn_ms: ArrayLike) -> float:
    """Return the mean normal-to-normal interval in ms (Task Force 1996, Eur Heart J 17:354)."""
    return float(_intervals(nn_ms, 1, "the mean interval").mean())


def mean_hr_bpm(nn_ms: ArrayLike) -> float:
    """Return the mean heart rate, 60000 / mean(NN), in beats per minute.

    This is beats divided by time. The mean of 60000/NN is larger whenever the intervals vary
    (convention; both are found in print, so a report should say which).
    """
    return 60_000.0 / mean_nn_ms(nn_ms)


def sdnn_ms(nn_ms: ArrayLike) -> float:
    """Return the standard deviation (n - 1) of the intervals in ms (Task Force 1996)."""
    return float(_intervals(nn_ms, 2, "SDNN").std(ddof=1))


def directly_following(
    beat_time_s: ArrayLike,
    nn_ms: ArrayLike,
    normal: ArrayLike | None = None,
    *,
    tolerance_s: float,
) -> NDArray[np.bool_]:
    """Say of each interval whether it directly follows its predecessor and both are normal.

    Interval i follows interval i - 1 when it begins where that one ends, to within
    `tolerance_s`. `normal` (same length) marks the intervals between two normal beats. The
    first entry is always False. Shape (n,), as `successive_differences_ms` takes it
    (convention: Task Force 1996 speaks of adjacent normal-to-normal intervals).
    """
    times = _finite(beat_time_s, "beat_time_s")
    intervals = _finite(nn_ms, "nn_ms")
    follows = np.zeros(times.size, dtype=bool)
    follows[1:] = np.abs(times[1:] - intervals[1:] / 1000.0 - times[:-1]) <= tolerance_s
    if normal is not None:
        is_normal = np.asarray(normal, dtype=bool)
        follows[1:] &= is_normal[1:] & is_normal[:-1]
    return follows


def _pairs(nn_ms: ArrayLike, joined: ArrayLike | None) -> tuple[FloatArray, FloatArray]:
    intervals = _finite(nn_ms, "nn_ms")
    if joined is None:
        return intervals[:-1], intervals[1:]
    follows = np.asarray(joined, dtype=bool)
    if follows.shape != intervals.shape:
        raise ValueError("joined must have one entry for each interval")
    keep = follows[1:]
    return intervals[:-1][keep], intervals[1:][keep]


def successive_differences_ms(nn_ms: ArrayLike, joined: ArrayLike | None = None) -> FloatArray:
    """Return the differences between adjacent intervals, in ms.

    `joined[i]` is False where interval i does not directly follow interval i - 1, or where one
    of the two is not normal: no difference is formed there. Without `joined` every pair counts.
    Shape (number of joined pairs,) (Task Force 1996).
    """
    first, second = _pairs(nn_ms, joined)
    return second - first


def rmssd_ms(differences_ms: ArrayLike) -> float:
    """Return the root mean square of successive differences in ms (Task Force 1996).

    The sum is divided by the number of differences, not by the number of intervals.
    """
    differences = _finite(differences_ms, "differences_ms")
    if differences.size < 1:
        raise NotEnough("RMSSD needs two adjacent normal intervals and the window holds none")
    return float(np.sqrt(np.mean(differences**2)))


def pnn50_pct(differences_ms: ArrayLike, *, interval_count: int) -> float:
    """Return NN50 as a percentage of the number of intervals (Task Force 1996).

    Counts differences larger than 50 ms in size. The denominator is the number of all
    NN intervals, as the Task Force words it; programs that divide by the number of differences
    print slightly more.
    """
    differences = _finite(differences_ms, "differences_ms")
    if differences.size < 1 or interval_count < 2:
        raise NotEnough("pNN50 needs two adjacent normal intervals and the window holds none")
    return 100.0 * float(np.count_nonzero(np.abs(differences) > 50.0)) / interval_count


def sd1_ms(nn_ms: ArrayLike, joined: ArrayLike | None = None) -> float:
    """Return SD1, the spread (n - 1) of the return map across its diagonal, in ms.

    Taken from the points (NN[i-1], NN[i]) themselves; equals the standard deviation (n - 1) of
    the successive differences over the square root of 2 (Brennan, Palaniswami & Kamen 2001,
    IEEE Trans Biomed Eng 48:1342), and so repeats what RMSSD says.
    """
    first, second = _pairs(nn_ms, joined)
    if first.size < 2:
        raise NotEnough(f"SD1 needs 2 pairs of adjacent intervals and the window has {first.size}")
    return float(((second - first) / math.sqrt(2.0)).std(ddof=1))


def sd2_ms(nn_ms: ArrayLike, joined: ArrayLike | None = None) -> float:
    """Return SD2, the spread (n - 1) of the return map along its diagonal, in ms.

    Taken from the points: the identity SD2^2 = 2 SDNN^2 - SDSD^2 / 2 holds only for long series
    (Brennan, Palaniswami & Kamen 2001, IEEE Trans Biomed Eng 48:1342).
    """
    first, second = _pairs(nn_ms, joined)
    if first.size < 2:
        raise NotEnough(f"SD2 needs 2 pairs of adjacent intervals and the window has {first.size}")
    return float(((second + first) / math.sqrt(2.0)).std(ddof=1))


def dfa_alpha1(nn_ms: ArrayLike, *, longest_scale: int = 16) -> float:
    """Return the short-term scaling exponent of detrended fluctuation analysis (dimensionless).

    The summed deviations from the mean are cut into boxes of 4 to 16 beats, a line is removed
    from each, and alpha 1 is the slope of log fluctuation on log box size (Peng et al. 1995,
    Chaos 5:82). Boxes do not overlap; they are laid from both ends so that no beat is left out
    (Kantelhardt et al. 2001, Physica A 295:441). White noise gives 0.58 at these scales, not
    0.50. Needs four boxes of the longest scale (convention). Intervals must be contiguous.
    """
    least = 4 * longest_scale
    intervals = _intervals(nn_ms, least, "DFA alpha 1")
    profile = np.cumsum(intervals - intervals.mean())
    scales = np.arange(4, longest_scale + 1)
    fluctuation = np.array([_box_fluctuation(profile, int(scale)) for scale in scales])
    if (fluctuation <= 1e-9 * intervals.mean()).any():
        raise NotEnough("DFA alpha 1 needs intervals that vary and these do not")
    log_scale = np.log(scales)
    centred = log_scale - log_scale.mean()
    return float(centred @ np.log(fluctuation) / (centred @ centred))


def _box_fluctuation(profile: FloatArray, scale: int) -> float:
    count = profile.size // scale
    whole = count * scale
    boxes = np.concatenate(
        [profile[:whole].reshape(count, scale), profile[-whole:].reshape(count, scale)]
    )
    boxes = boxes - boxes.mean(axis=1, keepdims=True)
    axis = np.arange(scale) - (scale - 1) / 2.0
    slope = boxes @ axis / (axis @ axis)
    return float(np.sqrt(np.mean((boxes - slope[:, None] * axis) ** 2)))


class _Coverage(NamedTuple):
    """Running totals along the session clock: seconds covered, beats, and interval ms."""

    knot_s: FloatArray
    covered_s: FloatArray
    beats: FloatArray
    interval_ms: FloatArray


def _coverage(beat_time_s: ArrayLike, nn_ms: ArrayLike) -> _Coverage:
    ends = _finite(beat_time_s, "beat_time_s")
    intervals = _intervals(nn_ms, 1, "a heart rate")
    if ends.shape != intervals.shape:
        raise ValueError("beat_time_s and nn_ms must have the same length")
    if (np.diff(ends) <= 0).any():
        raise ValueError("beat_time_s must increase")
    starts = ends - intervals / 1000.0
    # Rounded intervals may begin a little before the preceding beat: never count a moment twice.
    starts[1:] = np.maximum(starts[1:], ends[:-1])
    knots = np.column_stack([starts, ends]).ravel()
    return _Coverage(
        knots,
        _running_total(ends - starts),
        _running_total(np.ones_like(ends)),
        _running_total(intervals),
    )


def _running_total(step: FloatArray) -> FloatArray:
    total = np.cumsum(step)
    return np.column_stack([total - step, total]).ravel()


def _between(
    coverage: _Coverage, totals: FloatArray, start_s: ArrayLike, end_s: ArrayLike
) -> FloatArray:
    return np.interp(end_s, coverage.knot_s, totals) - np.interp(start_s, coverage.knot_s, totals)


def window_hr_bpm(
    beat_time_s: ArrayLike, nn_ms: ArrayLike, *, start_s: float, end_s: float
) -> float:
    """Return beats divided by time between two moments, in beats per minute.

    Intervals cut by an edge count in proportion. Raises `NotEnough` when intervals cover less
    than nine tenths of the span (convention).
    """
    coverage = _coverage(beat_time_s, nn_ms)
    covered = float(_between(coverage, coverage.covered_s, start_s, end_s))
    if covered < 0.9 * (end_s - start_s):
        raise NotEnough(
            f"intervals cover {covered:.1f} s of the {end_s - start_s:.1f} s from {start_s:.1f} s"
        )
    beats = float(_between(coverage, coverage.beats, start_s, end_s))
    return 60_000.0 * beats / float(_between(coverage, coverage.interval_ms, start_s, end_s))


def peak_hr_bpm(beat_time_s: ArrayLike, nn_ms: ArrayLike, *, window_s: float = 5.0) -> float:
    """Return the highest heart rate held over `window_s`, in beats per minute.

    Beats divided by time in the fastest window that intervals cover completely, the window
    sliding freely over the session clock (convention: peak = largest 5-s mean, never the
    shortest interval).
    """
    coverage = _coverage(beat_time_s, nn_ms)
    # The rate is constant between beats, so the extreme window begins or ends at a beat.
    starts = np.concatenate([coverage.knot_s, coverage.knot_s - window_s])
    covered = _between(coverage, coverage.covered_s, starts, starts + window_s)
    starts = starts[covered >= 0.99 * window_s]
    if starts.size == 0:
        raise NotEnough(f"no {window_s:g} s in a row are covered by intervals")
    beats = _between(coverage, coverage.beats, starts, starts + window_s)
    duration_ms = _between(coverage, coverage.interval_ms, starts, starts + window_s)
    return float(60_000.0 * np.max(beats / duration_ms))


def highest_intrinsic_hr_bpm(age_years: float) -> float:
    """Return the upper 95 % limit of the heart rate expected without autonomic drive.

    118.1 - 0.57 x age, limits 14 % either side below 45 years and 18 % from 45 (Jose & Collison
    1970, Cardiovasc Res 4:160). A rate above it cannot be vagal withdrawal alone. Raises
    `NotEnough` outside 16 to 70 years, the ages measured.
    """
    if not 16 <= age_years <= 70:
        raise NotEnough(f"intrinsic heart rate is known for 16 to 70 years, not {age_years:g}")
    return (118.1 - 0.57 * age_years) * (1 + (0.14 if age_years < 45 else 0.18))


def rmssd_sampling_error(differences_ms: ArrayLike) -> float:
    """Return the standard error of ln RMSSD that comes from having seen only this window.

    About 0.2 means that the same person in the same state would give values some 20 % apart.
    The differences are spread over Fourier components P; of a Gaussian series the mean square
    then has nu = 4 (sum P)^2 / sum P^2 - 2 degrees of freedom, and ln RMSSD the error
    1 / sqrt(2 nu). Regular breathing leaves few degrees of freedom, hence half a minute is less
    precise than its number of beats suggests (matching of moments as in Blackman & Tukey 1958,
    Bell Syst Tech J 37:185; checked by simulation in the tests). Needs 16 differences.
    """
    differences = _finite(differences_ms, "differences_ms")
    if differences.size < 16:
        raise NotEnough(
            f"the precision of RMSSD needs 16 differences and the window has {differences.size}"
        )
    power = np.abs(np.fft.rfft(differences)[1:]) ** 2
    if differences.size % 2 == 0:
        power[-1] /= 2.0
    if not power.any():
        raise NotEnough("the precision of RMSSD needs intervals that vary")
    freedom = max(2.0, 4.0 * power.sum() ** 2 / (power**2).sum() - 2.0)
    return float(1.0 / math.sqrt(2.0 * freedom))
