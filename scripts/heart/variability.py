"""Heart-period variability of one window in the time domain.

Numbers in, numbers out. `nn_ms` are normal-to-normal intervals in milliseconds; `beat_time_s` is
the time of the beat that ends each interval. A number that the data cannot carry is not returned:
the function raises `NotEnough`, whose message is the sentence to show.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


class NotEnough(ValueError):
    """The data cannot carry this number; the message says why, in a sentence for the reader."""


def _finite(values: ArrayLike, name: str) -> FloatArray:
    array = np.asarray(values, dtype=float)
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


def pnn50_pct(
    differences_ms: ArrayLike, *, interval_count: int, threshold_ms: float = 50.0
) -> float:
    """Return NN50 as a percentage of the number of intervals (Task Force 1996).

    Counts differences larger than `threshold_ms` in size. The denominator is the number of all
    NN intervals, as the Task Force words it; programs that divide by the number of differences
    print slightly more.
    """
    differences = _finite(differences_ms, "differences_ms")
    if differences.size < 1 or interval_count < 2:
        raise NotEnough("pNN50 needs two adjacent normal intervals and the window holds none")
    return 100.0 * float(np.count_nonzero(np.abs(differences) > threshold_ms)) / interval_count


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


def dfa_alpha1(nn_ms: ArrayLike, *, shortest_scale: int = 4, longest_scale: int = 16) -> float:
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
    scales = np.arange(shortest_scale, longest_scale + 1)
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
    beat_time_s: ArrayLike,
    nn_ms: ArrayLike,
    *,
    start_s: float,
    end_s: float,
    least_covered_share: float = 0.9,
) -> float:
    """Return beats divided by time between two moments, in beats per minute.

    Intervals cut by an edge count in proportion. Raises `NotEnough` when intervals cover less
    than `least_covered_share` of the span (convention).
    """
    coverage = _coverage(beat_time_s, nn_ms)
    covered = float(_between(coverage, coverage.covered_s, start_s, end_s))
    if covered < least_covered_share * (end_s - start_s):
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


def heart_rate_recovery_bpm(
    beat_time_s: ArrayLike,
    nn_ms: ArrayLike,
    *,
    end_s: float,
    after_s: float,
    end_window_s: float,
    half_width_s: float,
) -> float:
    """Return the fall of heart rate `after_s` seconds after exercise ended, in beats per minute.

    Mean rate of the last `end_window_s` of exercise minus the mean rate within `half_width_s`
    of the moment end_s + after_s. Comparable only at equal end-exercise rate and posture (Cole
    et al. 1999, N Engl J Med 341:1351; the two averaging widths are convention).
    """
    at_end = window_hr_bpm(beat_time_s, nn_ms, start_s=end_s - end_window_s, end_s=end_s)
    moment_s = end_s + after_s
    later = window_hr_bpm(
        beat_time_s, nn_ms, start_s=moment_s - half_width_s, end_s=moment_s + half_width_s
    )
    return at_end - later


class IntrinsicRate(NamedTuple):
    """Intrinsic heart rate with its limits, in beats per minute."""

    mean_bpm: float
    low_bpm: float
    high_bpm: float


def intrinsic_hr_bpm(age_years: float) -> IntrinsicRate:
    """Return the heart rate expected without autonomic drive, with its 95 % limits.

    118.1 - 0.57 x age, limits 14 % either side below 45 years and 18 % from 45 (Jose & Collison
    1970, Cardiovasc Res 4:160). A rate above the upper limit cannot be vagal withdrawal alone.
    Raises `NotEnough` outside 16 to 70 years, the ages measured.
    """
    if not 16 <= age_years <= 70:
        raise NotEnough(f"intrinsic heart rate is known for 16 to 70 years, not {age_years:g}")
    mean = 118.1 - 0.57 * age_years
    share = 0.14 if age_years < 45 else 0.18
    return IntrinsicRate(mean, mean * (1 - share), mean * (1 + share))


def rmssd_rounding_floor_ms(step_ms: float, *, rounded: str) -> float:
    """Return the RMSSD, in ms, that rounding to `step_ms` alone would produce.

    `rounded="beat_times"`: each beat time is rounded (integer ECG samples), step / sqrt(2).
    `rounded="intervals"`: each interval is rounded by itself, step / sqrt(6). From the variance
    step^2 / 12 of a uniform error; agrees with Hejjel & Roth 2004, Physiol Meas 25:1405.
    """
    return step_ms / math.sqrt(_one_of(rounded, beat_times=2.0, intervals=6.0))


def sdnn_rounding_floor_ms(step_ms: float, *, rounded: str) -> float:
    """Return the SDNN, in ms, that rounding to `step_ms` alone would produce.

    step / sqrt(6) for rounded beat times, step / sqrt(12) for rounded intervals (as
    `rmssd_rounding_floor_ms`).
    """
    return step_ms / math.sqrt(_one_of(rounded, beat_times=6.0, intervals=12.0))


def _one_of(rounded: str, **divisors: float) -> float:
    if rounded not in divisors:
        raise ValueError(f"rounded must be one of {', '.join(divisors)}, not {rounded!r}")
    return divisors[rounded]


def rmssd_jitter_floor_ms(jitter_ms: float) -> float:
    """Return the RMSSD, in ms, produced by independent timing errors of SD `jitter_ms`.

    A difference of intervals holds three beat times with weights 1, -2, 1, hence sqrt(6) times
    the jitter (the law behind Hejjel & Roth 2004, Physiol Meas 25:1405).
    """
    return math.sqrt(6.0) * jitter_ms


def without_floor_ms(measured_ms: float, floor_ms: float) -> float:
    """Return `measured_ms` with a known independent floor taken off in quadrature, in ms.

    Raises `NotEnough` when the measured value does not rise above the floor.
    """
    if measured_ms <= floor_ms:
        raise NotEnough(
            f"{measured_ms:.2f} ms is not above the {floor_ms:.2f} ms that timing error makes"
        )
    return math.sqrt(measured_ms**2 - floor_ms**2)


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


@dataclass(frozen=True)
class WindowTimeDomain:
    """Time-domain numbers of many windows, each of shape (n_windows,).

    Where `reason[i]` is not empty the numbers of window i are NaN and the reason says why.
    """

    interval_count: NDArray[np.intp]
    difference_count: NDArray[np.intp]
    mean_nn_ms: FloatArray
    sdnn_ms: FloatArray
    rmssd_ms: FloatArray
    pnn50_pct: FloatArray
    reason: tuple[str, ...]


def window_time_domain(
    beat_time_s: ArrayLike,
    nn_ms: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
    *,
    joined: ArrayLike | None = None,
    least_differences: int = 2,
) -> WindowTimeDomain:
    """Return the time-domain numbers of many windows of one recording.

    An interval belongs to a window when both its beats do, a difference when both its intervals
    do and `joined` allows it. The numbers are those of `mean_nn_ms`, `sdnn_ms`, `rmssd_ms` and
    `pnn50_pct`; windows with fewer than `least_differences` are refused with a reason.
    """
    ends = _finite(beat_time_s, "beat_time_s")
    intervals = _intervals(nn_ms, 2, "a window")
    from_s = np.asarray(start_s, dtype=float)
    to_s = np.asarray(end_s, dtype=float)
    follows = np.ones(ends.size, dtype=bool) if joined is None else np.array(joined, dtype=bool)
    follows[0] = False
    difference = np.where(follows, np.diff(intervals, prepend=intervals[0]), 0.0)
    # Sums are taken about a typical interval, so that large squares do not cancel.
    centre = float(np.median(intervals))
    offset = intervals - centre
    first = np.searchsorted(ends - intervals / 1000.0, from_s - 1e-9)
    after = np.maximum(np.searchsorted(ends, to_s + 1e-9, side="right"), first)
    second = np.minimum(first + 1, after)

    def total(values: NDArray, begin: NDArray[np.intp]) -> FloatArray:
        running = np.concatenate([[0.0], np.cumsum(values)])
        return running[after] - running[begin]

    count = after - first
    pairs = total(follows, second).astype(int)
    enough = pairs >= max(1, least_differences)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_offset = total(offset, first) / count
        spread = (total(offset**2, first) - count * mean_offset**2) / (count - 1)
        square = total(difference**2, second) / pairs
        share = 100.0 * total(follows & (np.abs(difference) > 50.0), second) / count
    return WindowTimeDomain(
        count,
        pairs,
        np.where(enough, centre + mean_offset, np.nan),
        np.where(enough, np.sqrt(np.maximum(spread, 0.0)), np.nan),
        np.where(enough, np.sqrt(np.maximum(square, 0.0)), np.nan),
        np.where(enough, share, np.nan),
        tuple(
            "" if fine else f"{n} differences between adjacent normal intervals are too few"
            for fine, n in zip(enough.tolist(), pairs.tolist(), strict=True)
        ),
    )


class RmssdSeries(NamedTuple):
    """RMSSD in short sliding windows: centre of each window in s, RMSSD in ms."""

    time_s: FloatArray
    rmssd_ms: FloatArray


def rmssd_series(
    beat_time_s: ArrayLike,
    nn_ms: ArrayLike,
    *,
    start_s: float,
    end_s: float,
    window_s: float = 30.0,
    step_s: float,
    joined: ArrayLike | None = None,
    least_differences: int = 10,
) -> RmssdSeries:
    """Return RMSSD in sliding windows between two moments (RMSSD30 of early recovery).

    Windows of 30 s follow vagal return after exercise (Goldberger et al. 2006, Am J Physiol
    Heart Circ Physiol 290:H2446). Windows with fewer than `least_differences` are left out.
    """
    count = int((end_s - start_s - window_s) / step_s + 1e-9) + 1
    if count < 1:
        raise NotEnough(f"{end_s - start_s:.0f} s do not hold a window of {window_s:g} s")
    starts = start_s + step_s * np.arange(count)
    windows = window_time_domain(
        beat_time_s,
        nn_ms,
        starts,
        starts + window_s,
        joined=joined,
        least_differences=least_differences,
    )
    known = np.isfinite(windows.rmssd_ms)
    if not known.any():
        raise NotEnough(f"no window of {window_s:g} s holds {least_differences} differences")
    return RmssdSeries(starts[known] + window_s / 2.0, windows.rmssd_ms[known])
