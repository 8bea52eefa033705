"""Respiratory modulation of heart rate while rate and breathing change, as in a set.

In exercise the interval spectrum mixes three changes: intervals shorten (power in ms2 shrinks
with the square), the heart's vagal modulation falls, and breathing leaves the band of rest. Here
the modulation is dimensionless, so the rate does not matter, and it is followed at the breathing
rate itself, so the band does not matter.

Two independent roads lead to its power: complex demodulation at the breathing rate (the answer)
and a short-time spectrum around it (the check). Pass the whole recording, not a set: both need
seconds before and after.
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


def heart_rate_modulation(
    beat_time_s: ArrayLike,
    *,
    rate_hz: float = 4.0,
    regularisation: float = 500.0,
    longest_gap_s: float = 3.0,
) -> Modulation:
    """Return the dimensionless modulation of heart rate, m = (rate - trend) / trend.

    The instantaneous rate is the slope of a cubic spline through the beat count; its trend is
    taken by smoothness priors, whose cut-off goes with `rate_hz` (the time-varying integral
    pulse frequency model: Bailon et al. 2011, IEEE Trans Biomed Eng 58:642; trend: Tarvainen et
    al. 2002, IEEE Trans Biomed Eng 49:172). Repaired beat times in s; raises `NotEnough` below 20
    beats and across a gap longer than `longest_gap_s`.
    """
    beats = _checked_beats(beat_time_s)
    if beats.size < _LEAST_BEATS:
        raise NotEnough(
            f"heart-rate modulation needs {_LEAST_BEATS} beats in a row and there are {beats.size}"
        )
    gap = int(np.diff(beats).argmax())
    if beats[gap + 1] - beats[gap] > longest_gap_s:
        raise NotEnough(f"no beats for {beats[gap + 1] - beats[gap]:.1f} s from {beats[gap]:.1f} s")
    # The slope of the spline is poor in the first and last interval.
    first, last = beats[1], beats[-2]
    time = first + np.arange(int((last - first) * rate_hz) + 1) / rate_hz
    rate = CubicSpline(beats, np.arange(beats.size)).slope(time)
    trend = smoothness_priors_trend(rate, regularisation=regularisation)
    if (trend <= 0).any():
        raise NotEnough("the trend of heart rate falls to zero: beats are missing")
    return Modulation(time, (rate - trend) / trend, trend)


class TimeFrequencyMap(NamedTuple):
    """Power density (n_time, n_frequency) per Hz, in the squared unit of the series."""

    time_s: FloatArray
    frequency_hz: FloatArray
    density_per_hz: FloatArray


def time_frequency_map(
    time_s: ArrayLike, series: ArrayLike, *, window_s: float = 20.0, step_s: float = 1.0
) -> TimeFrequencyMap:
    """Return the short-time spectrum of an evenly spaced series (Hann windows).

    One-sided density around every `step_s`; the series counts as zero beyond its ends, so the
    first and last half window read low (Allen 1977, IEEE Trans Acoust 25:235).
    """
    times = np.asarray(time_s, dtype=float)
    samples = np.asarray(series, dtype=float)
    spacing = (times[-1] - times[0]) / (times.size - 1)
    half = max(1, round(window_s / spacing / 2.0))
    size = 2 * half
    if samples.size < size:
        raise NotEnough(
            f"the map needs {window_s:g} s and the series has {times[-1] - times[0]:.0f}"
        )
    window = np.hanning(size + 2)[1:-1]
    centres = np.arange(0, samples.size, max(1, round(step_s / spacing)))
    padded = np.concatenate([np.zeros(half), samples, np.zeros(half)])
    pieces = np.lib.stride_tricks.sliding_window_view(padded, size)[centres]
    length = 1 << int(np.ceil(np.log2(8 * size)))
    transform = np.fft.rfft(pieces * window, length, axis=-1)
    density = (transform.real**2 + transform.imag**2) * (2.0 * spacing / (window**2).sum())
    return TimeFrequencyMap(times[centres], np.fft.rfftfreq(length, spacing), density)


def moving_band_power(
    time_frequency: TimeFrequencyMap, low_hz: ArrayLike, high_hz: ArrayLike
) -> FloatArray:
    """Return the power between two frequencies that may change with time, shape (n_time,)."""
    frequency = time_frequency.frequency_hz
    density = time_frequency.density_per_hz
    step = np.diff(frequency)
    running = np.zeros_like(density)
    np.cumsum((density[:, 1:] + density[:, :-1]) / 2.0 * step, axis=1, out=running[:, 1:])
    moments = np.arange(density.shape[0])

    def up_to(edge_hz: ArrayLike) -> FloatArray:
        position = np.broadcast_to(np.asarray(edge_hz, dtype=float), moments.shape) / step[0]
        position = np.clip(position, 0.0, frequency.size - 1.0)
        below = np.minimum(position.astype(int), frequency.size - 2)
        share = position - below
        return running[moments, below] * (1.0 - share) + running[moments, below + 1] * share

    return np.maximum(up_to(high_hz) - up_to(low_hz), 0.0)


@dataclass(frozen=True)
class RespiratoryModulation:
    """The course of respiratory modulation of heart rate, all of shape (n,).

    `power` (demodulation) and `check_power` (short-time spectrum) are dimensionless variances of
    m: a modulation by 1 % gives 0.5e-4. `valid` is False, and `reason` says why, where breathing
    is unknown, below the floor or above half the heart rate, and near the ends.
    """

    time_s: FloatArray
    power: FloatArray
    check_power: FloatArray
    respiration_hz: FloatArray
    valid: NDArray[np.bool_]
    reason: NDArray[np.str_]


def respiratory_modulation(
    beat_time_s: ArrayLike,
    respiration_time_s: ArrayLike,
    respiration_hz: ArrayLike,
    *,
    low_pass_hz: float = 0.05,
    half_width_hz: float = 0.125,
    floor_hz: float = 0.15,
    window_s: float = 20.0,
    rate_hz: float = 4.0,
    regularisation: float = 500.0,
    longest_gap_s: float = 3.0,
) -> RespiratoryModulation:
    """Return the power of heart-rate modulation at the breathing rate, over time.

    The modulation is shifted down by the running phase of breathing and low-passed at
    `low_pass_hz`; twice its squared size is the power (complex demodulation: Hayano et al. 1993,
    Am J Physiol 264:H1229). The check integrates a short-time spectrum of `window_s` within
    `half_width_hz` of the breathing rate, not below `floor_hz` (a band centred on breathing:
    Bailon et al. 2010, Biomed Signal Process Control 5:299). Above half the heart rate nothing
    is said. A gap between beats longer than `longest_gap_s` parts the course in two, and what is
    nearer than half a window to an end is not valid.

    `respiration_hz` on its own time axis; not finite where unknown. Both powers are corrected
    for what the spline through the beats takes away.
    """
    beats = _checked_beats(beat_time_s)
    breaks = np.flatnonzero(np.diff(beats) > longest_gap_s) + 1
    courses = [
        _stretch_modulation(
            heart_rate_modulation(stretch, rate_hz=rate_hz, regularisation=regularisation),
            respiration_time_s,
            respiration_hz,
            rate_hz=rate_hz,
            low_pass_hz=low_pass_hz,
            half_width_hz=half_width_hz,
            floor_hz=floor_hz,
            window_s=window_s,
        )
        for stretch in np.split(beats, breaks)
        if stretch.size >= _LEAST_BEATS and stretch[-2] - stretch[1] > 2.0 * window_s
    ]
    if not courses:
        raise NotEnough(
            f"respiratory modulation needs {_LEAST_BEATS} beats and {2 * window_s:g} s in a row"
        )
    joined = [
        np.concatenate([getattr(course, field.name) for course in courses])
        for field in fields(RespiratoryModulation)
    ]
    return RespiratoryModulation(*joined)


def _stretch_modulation(
    course: Modulation,
    respiration_time_s: ArrayLike,
    respiration_hz: ArrayLike,
    *,
    rate_hz: float,
    low_pass_hz: float,
    half_width_hz: float,
    floor_hz: float,
    window_s: float,
) -> RespiratoryModulation:
    """`respiratory_modulation` of one stretch without a gap."""
    breathing, known = _on_grid(course.time_s, respiration_time_s, respiration_hz)
    power = _demodulated_power(course.modulation, breathing, rate_hz, low_pass_hz)
    ceiling = course.trend_hz / 2.0
    high = np.minimum(breathing + half_width_hz, ceiling)
    low = np.minimum(np.maximum(breathing - half_width_hz, floor_hz), high)
    spectra = time_frequency_map(course.time_s, course.modulation, window_s=window_s)
    edges = [np.interp(spectra.time_s, course.time_s, edge) for edge in (low, high)]
    check = np.interp(course.time_s, spectra.time_s, moving_band_power(spectra, *edges))
    # Both see m through the spline, whose response at the breathing rate is known.
    passed = _spline_response(np.minimum(breathing, ceiling) / course.trend_hz) ** 2
    power, check = power / passed, check / passed
    margin_s = window_s / 2.0
    inner = (course.time_s >= course.time_s[0] + margin_s) & (
        course.time_s <= course.time_s[-1] - margin_s
    )
    reason = np.select(
        [~inner, ~known, breathing < floor_hz, breathing > ceiling],
        [
            f"less than {margin_s:g} s from where the beats begin or end",
            "the breathing rate is not known",
            f"breathing is slower than {floor_hz:g} Hz",
            "breathing is faster than half the heart rate",
        ],
        default="",
    )
    return RespiratoryModulation(course.time_s, power, check, breathing, reason == "", reason)


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


def _demodulated_power(
    modulation: FloatArray, centre_hz: FloatArray, rate_hz: float, low_pass_hz: float
) -> FloatArray:
    steps = (centre_hz[1:] + centre_hz[:-1]) / 2.0 / rate_hz
    phase = 2.0 * np.pi * np.concatenate([[0.0], np.cumsum(steps)])
    settle = min(modulation.size - 1, int(rate_hz / low_pass_hz))
    slow = low_pass(low_pass_hz, rate_hz)
    in_phase = without_delay(slow, modulation * np.cos(phase), margin=settle)
    quadrature = without_delay(slow, modulation * np.sin(phase), margin=settle)
    return 2.0 * (in_phase**2 + quadrature**2)


def _spline_response(cycles_per_beat: FloatArray) -> FloatArray:
    """Amplitude response of cubic-spline interpolation (Unser 1999, IEEE Signal Proc Mag 16:22)."""
    turn = 2.0 * np.pi * cycles_per_beat
    return np.sinc(cycles_per_beat) ** 4 * 3.0 / (2.0 + np.cos(turn))


class ModulationSummary(NamedTuple):
    """Respiratory modulation over a window.

    `power` and `check_power` are means over the valid part, dimensionless; `ratio` is power over
    check_power; `correlation` that of the two courses.
    """

    power: float
    check_power: float
    ratio: float
    correlation: float


def summarise_modulation(
    course: RespiratoryModulation,
    *,
    start_s: float,
    end_s: float,
    least_valid_share: float = 0.8,
) -> ModulationSummary:
    """Return the mean respiratory modulation between two moments, and how the two roads agree.

    A ratio near 1 and a correlation near 1 say that both see the same oscillation; they part
    where breathing was mistaken or the band holds something else. Raises `NotEnough` with the
    commonest reason when less than `least_valid_share` of the window is valid (convention).
    """
    inside = (course.time_s >= start_s) & (course.time_s <= end_s)
    spacing = course.time_s[1] - course.time_s[0]
    expected = int((end_s - start_s) / spacing)
    if np.count_nonzero(inside) < max(4, least_valid_share * expected):
        raise NotEnough(f"beats do not cover {start_s:.1f} to {end_s:.1f} s")
    used = inside & course.valid
    share = float(np.count_nonzero(used) / np.count_nonzero(inside))
    if share < least_valid_share:
        names, counts = np.unique(course.reason[inside & ~course.valid], return_counts=True)
        raise NotEnough(f"{names[counts.argmax()]} in {100 * (1 - share):.0f} % of the window")
    power, check = course.power[used], course.check_power[used]
    if check.mean() <= 0 or power.std() == 0 or check.std() == 0:
        raise NotEnough("heart rate shows no modulation at the breathing rate")
    return ModulationSummary(
        float(power.mean()),
        float(check.mean()),
        float(power.mean() / check.mean()),
        float(np.corrcoef(power, check)[0, 1]),
    )


def cadence_in_band(
    cadence_hz: ArrayLike,
    respiration_hz: ArrayLike,
    beat_rate_hz: ArrayLike,
    *,
    half_width_hz: float = TOLD_APART_HZ,
    harmonics: int = 2,
) -> NDArray[np.bool_]:
    """Say where the rhythm of the movement cannot be told from breathing.

    True where the cadence, or one of its first `harmonics` multiples, folded at half the heart
    rate as a beat series folds it, lies within `half_width_hz` of the breathing rate: there the
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
    for multiple in range(1, harmonics + 1):
        turns = multiple * cadence / beat
        seen = np.abs(turns - np.round(turns)) * beat
        coincides |= np.abs(seen - breathing) <= half_width_hz
    return coincides
