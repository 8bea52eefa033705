"""Respiratory modulation of heart rate while rate and breathing change, as in a set.

In exercise the interval spectrum mixes three changes: intervals shorten (power in ms2 shrinks
with the square), the heart's vagal modulation falls, and breathing leaves the band of rest. Here
the modulation is dimensionless, so the rate does not matter, and it is followed at the breathing
rate itself, so the band does not matter.

The answer is complex demodulation at the breathing rate. Pass the whole recording, not a set: it
needs seconds before and after.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from heart.cubic_spline import CubicSpline
from heart.filters import low_pass, without_delay
from heart.spectrum import smoothness_priors_trend
from heart.variability import NotEnough

FloatArray = NDArray[np.float64]

_LEAST_BEATS = 20

# between beats; a longer time without one parts the course
LONGEST_GAP_S = 3.0

# of the even grid; the cut-off of the trend goes with it
RATE_HZ, REGULARISATION = 4.0, 500.0

LOW_PASS_HZ = 0.05

# breathing slower than this is not told from slower rhythms
SLOWEST_HZ = 0.15

# of the short-time spectrum; nearer than half of it to an end of the beats nothing is valid
WINDOW_S = 20.0

LEAST_VALID_SHARE = 0.8

# two rhythms so far apart are two in windows of 20 s and to the low-pass of the demodulation
TOLD_APART_HZ = 0.06


class Modulation(NamedTuple):
    """Heart-rate modulation on an even grid.

    `modulation` is dimensionless, (rate - trend) / trend; `trend_hz` the slow beat rate in Hz.
    """

    time_s: FloatArray
    modulation: FloatArray
    trend_hz: FloatArray


def _checked_beats(beat_time_s: ArrayLike) -> FloatArray:
    beats = np.asarray(beat_time_s, dtype=float)
    if beats.ndim != 1 or not np.isfinite(beats).all() or (np.diff(beats) <= 0).any():
        raise ValueError("beat_time_s must be one-dimensional, finite and increasing")
    return beats


def heart_rate_modulation(beat_time_s: ArrayLike) -> Modulation:
    """Return the dimensionless modulation of heart rate, m = (rate - trend) / trend.

    The instantaneous rate is the slope of a cubic spline through the beat count; its trend is
    taken by smoothness priors (the time-varying integral
    pulse frequency model: Bailon et al. 2011, IEEE Trans Biomed Eng 58:642; trend: Tarvainen et
    al. 2002, IEEE Trans Biomed Eng 49:172). Repaired beat times in s; raises `NotEnough` below 20
    beats and across a gap longer than LONGEST_GAP_S.
    """
    beats = _checked_beats(beat_time_s)
    if beats.size < _LEAST_BEATS:
        raise NotEnough(
            f"heart-rate modulation needs {_LEAST_BEATS} beats in a row and there are {beats.size}"
        )
    gap = int(np.diff(beats).argmax())
    if beats[gap + 1] - beats[gap] > LONGEST_GAP_S:
        raise NotEnough(f"no beats for {beats[gap + 1] - beats[gap]:.1f} s from {beats[gap]:.1f} s")
    # The slope of the spline is poor in the first and last interval.
    first, last = beats[1], beats[-2]
    time = first + np.arange(int((last - first) * RATE_HZ) + 1) / RATE_HZ
    rate = CubicSpline(beats, np.arange(beats.size)).slope(time)
    trend = smoothness_priors_trend(rate, regularisation=REGULARISATION)
    if (trend <= 0).any():
        raise NotEnough("the trend of heart rate falls to zero: beats are missing")
    return Modulation(time, (rate - trend) / trend, trend)


class TimeFrequencyMap(NamedTuple):
    """Power density (n_time, n_frequency) per Hz, in the squared unit of the series."""

    time_s: FloatArray
    frequency_hz: FloatArray
    density_per_hz: FloatArray


def time_frequency_map(time_s: ArrayLike, series: ArrayLike, *, step_s: float) -> TimeFrequencyMap:
    """Return the short-time spectrum of an evenly spaced series (Hann windows of WINDOW_S).

    One-sided density around every `step_s`; the series counts as zero beyond its ends, so the
    first and last half window read low (Allen 1977, IEEE Trans Acoust 25:235).
    """
    times = np.asarray(time_s, dtype=float)
    samples = np.asarray(series, dtype=float)
    spacing = (times[-1] - times[0]) / (times.size - 1)
    half = max(1, round(WINDOW_S / spacing / 2.0))
    size = 2 * half
    if samples.size < size:
        raise NotEnough(
            f"the map needs {WINDOW_S:g} s and the series has {times[-1] - times[0]:.0f}"
        )
    window = np.hanning(size + 2)[1:-1]
    centres = np.arange(0, samples.size, max(1, round(step_s / spacing)))
    padded = np.concatenate([np.zeros(half), samples, np.zeros(half)])
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[centres]
    length = 1 << int(np.ceil(np.log2(8 * size)))
    transform = np.fft.rfft(pieces * window, length, axis=-1)
    density = (transform.real**2 + transform.imag**2) * (2.0 * spacing / (window**2).sum())
    return TimeFrequencyMap(times[centres], np.fft.rfftfreq(length, spacing), density)


@dataclass(frozen=True)
class RespiratoryModulation:
    """The course of respiratory modulation of heart rate, all of shape (n,).

    `power` is the dimensionless variance of m: a modulation by 1 % gives 0.5e-4. `valid` is False,
    and `reason` says why, where breathing is unknown, below SLOWEST_HZ or above half the heart
    rate, and near the ends.
    """

    time_s: FloatArray
    power: FloatArray
    valid: NDArray[np.bool_]
    reason: NDArray[np.str_]


def respiratory_modulation(
    beat_time_s: ArrayLike, respiration_time_s: ArrayLike, respiration_hz: ArrayLike
) -> RespiratoryModulation:
    """Return the power of heart-rate modulation at the breathing rate, over time.

    The modulation is shifted down by the running phase of breathing and low-passed at LOW_PASS_HZ;
    twice its squared size is the power (complex demodulation: Hayano et al. 1993, Am J Physiol
    264:H1229). Above half the heart rate nothing is said. A gap between beats longer than
    LONGEST_GAP_S parts the course in two, and what is nearer than half of WINDOW_S to an end is not
    valid.

    `respiration_hz` on its own time axis; not finite where unknown. The power is corrected for what
    the spline through the beats takes away.
    """
    beats = _checked_beats(beat_time_s)
    breaks = np.flatnonzero(np.diff(beats) > LONGEST_GAP_S) + 1
    courses = [
        _stretch_modulation(heart_rate_modulation(stretch), respiration_time_s, respiration_hz)
        for stretch in np.split(beats, breaks)
        if stretch.size >= _LEAST_BEATS and stretch[-2] - stretch[1] > 2.0 * WINDOW_S
    ]
    if not courses:
        raise NotEnough(
            f"respiratory modulation needs {_LEAST_BEATS} beats and {2 * WINDOW_S:g} s in a row"
        )
    joined = [
        np.concatenate([getattr(course, field.name) for course in courses])
        for field in fields(RespiratoryModulation)
    ]
    return RespiratoryModulation(*joined)


def _stretch_modulation(
    course: Modulation, respiration_time_s: ArrayLike, respiration_hz: ArrayLike
) -> RespiratoryModulation:
    """`respiratory_modulation` of one stretch without a gap."""
    breathing, known = _on_grid(course.time_s, respiration_time_s, respiration_hz)
    ceiling = course.trend_hz / 2.0
    # The modulation is seen through the spline, whose response at the breathing rate is known.
    passed = _spline_response(np.minimum(breathing, ceiling) / course.trend_hz) ** 2
    power = _demodulated_power(course.modulation, breathing) / passed
    margin_s = WINDOW_S / 2.0
    inner = (course.time_s >= course.time_s[0] + margin_s) & (
        course.time_s <= course.time_s[-1] - margin_s
    )
    reason = np.select(
        [~inner, ~known, breathing < SLOWEST_HZ, breathing > ceiling],
        [
            f"less than {margin_s:g} s from where the beats begin or end",
            "the breathing rate is not known",
            f"breathing is slower than {SLOWEST_HZ:g} Hz",
            "breathing is faster than half the heart rate",
        ],
        default="",
    )
    return RespiratoryModulation(course.time_s, power, reason == "", reason)


def _on_grid(
    time_s: FloatArray, known_time_s: ArrayLike, known_value: ArrayLike
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Values carried to a grid, and where they are known rather than bridged."""
    from_s = np.asarray(known_time_s, dtype=float)
    known = np.asarray(known_value, dtype=float)
    if from_s.shape != known.shape or from_s.ndim != 1:
        raise ValueError("respiration_time_s and respiration_hz must have the same length")
    finite = np.isfinite(known)
    if np.count_nonzero(finite) < 2:
        return np.zeros_like(time_s), np.zeros(time_s.shape, dtype=bool)
    on_grid = np.interp(time_s, from_s[finite], known[finite])
    inside = (time_s >= from_s[0]) & (time_s <= from_s[-1])
    between_known = np.interp(time_s, from_s, finite.astype(float)) > 0.999
    return on_grid, inside & between_known


def _demodulated_power(modulation: FloatArray, centre_hz: FloatArray) -> FloatArray:
    steps = (centre_hz[1:] + centre_hz[:-1]) / 2.0 / RATE_HZ
    phase = 2.0 * np.pi * np.concatenate([[0.0], np.cumsum(steps)])
    settle = min(modulation.size - 1, int(RATE_HZ / LOW_PASS_HZ))
    slow = low_pass(LOW_PASS_HZ, RATE_HZ)
    in_phase = without_delay(slow, modulation * np.cos(phase), margin=settle)
    quadrature = without_delay(slow, modulation * np.sin(phase), margin=settle)
    return 2.0 * (in_phase**2 + quadrature**2)


def _spline_response(cycles_per_beat: FloatArray) -> FloatArray:
    """Amplitude response of cubic-spline interpolation (Unser 1999, IEEE Signal Proc Mag 16:22)."""
    turn = 2.0 * np.pi * cycles_per_beat
    return np.sinc(cycles_per_beat) ** 4 * 3.0 / (2.0 + np.cos(turn))


def mean_power(course: RespiratoryModulation, start_s: float, end_s: float) -> float:
    """Return the mean respiratory modulation between two moments, dimensionless.

    Raises `NotEnough` with the commonest reason when less than LEAST_VALID_SHARE of the window is
    valid (convention).
    """
    inside = (course.time_s >= start_s) & (course.time_s <= end_s)
    spacing = course.time_s[1] - course.time_s[0]
    expected = int((end_s - start_s) / spacing)
    if np.count_nonzero(inside) < max(4, LEAST_VALID_SHARE * expected):
        raise NotEnough(f"beats do not cover {start_s:.1f} to {end_s:.1f} s")
    used = inside & course.valid
    share = float(np.count_nonzero(used) / np.count_nonzero(inside))
    if share < LEAST_VALID_SHARE:
        names, counts = np.unique(course.reason[inside & ~course.valid], return_counts=True)
        raise NotEnough(f"{names[counts.argmax()]} in {100 * (1 - share):.0f} % of the window")
    power = course.power[used]
    if power.std() == 0:
        raise NotEnough("heart rate shows no modulation at the breathing rate")
    return float(power.mean())


def cadence_in_band(
    cadence_hz: ArrayLike, respiration_hz: ArrayLike, beat_rate_hz: ArrayLike
) -> NDArray[np.bool_]:
    """Say where the rhythm of the movement cannot be told from breathing.

    True where the cadence or its double, folded at half the heart rate as a beat series folds it,
    lies within TOLD_APART_HZ of the breathing rate: there the
    power may be mechanical, not vagal (cardio-locomotor coupling: Hernando et al. 2018, Med Biol
    Eng Comput 56:781). Farther apart the rate of breathing is told beside movement, and
    `respiratory_modulation` takes up less than an eighth of a movement as large as breathing.
    Arguments broadcast; unknown (not finite) cadence gives False.
    """
    breathing = np.asarray(respiration_hz, dtype=float)
    beat = np.asarray(beat_rate_hz, dtype=float)
    cadence = np.asarray(cadence_hz, dtype=float)
    coincides = np.zeros(
        np.broadcast_shapes(cadence.shape, breathing.shape, beat.shape), dtype=bool
    )
    for multiple in (1, 2):
        turns = multiple * cadence / beat
        seen = np.abs(turns - np.round(turns)) * beat
        coincides |= np.abs(seen - breathing) <= TOLD_APART_HZ
    return coincides
