"""Power spectra of heart period in steady windows.

The chain: intervals at beat times -> cubic spline at an even rate -> slow trend removed by
smoothness priors -> one-sided density in ms2/Hz -> power in a band with its interval. Every step
takes arrays whose last axis is time or frequency, so many windows of one length go through
together.

A beat series shows each oscillation averaged over one interval: a modulation of the rate by
A sin(2 pi f t) appears with power T0^2 A^2 / 2 x sinc^2(f T0), T0 being the mean interval. That is
physiology seen through a pulse-frequency model (Hyndman & Mohn 1975, Automedica 1:239), not an
error of the estimators, and it is not removed here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh_tridiagonal, solveh_banded

from heart.cubic_spline import CubicSpline
from heart.variability import NotEnough

FloatArray = NDArray[np.float64]


_LONGEST_GAP_S = 3.0  # a spline says nothing across a longer one
_LEAST_SAMPLES = 32  # eight seconds at 4 Hz, two cycles of the slowest respiratory rhythm


@dataclass(frozen=True)
class Spectrum:
    """A one-sided power spectral density and how far it can be trusted.

    `frequency_hz` has shape (n_frequency,), `density_ms2_per_hz` (..., n_frequency).
    `degrees_of_freedom` belongs to the density at a single frequency. `effective_duration_s` is
    the length of record that the windowing leaves, which sets the precision of power in a band.
    """

    frequency_hz: FloatArray
    density_ms2_per_hz: FloatArray
    degrees_of_freedom: float
    effective_duration_s: float


def _checked_intervals(time_s: ArrayLike, nn_ms: ArrayLike):
    times = np.asarray(time_s, dtype=float)
    intervals = np.asarray(nn_ms, dtype=float)
    if times.shape != intervals.shape or times.ndim != 1:
        raise ValueError("time_s and nn_ms must be one-dimensional and of the same length")
    if not (np.isfinite(times).all() and np.isfinite(intervals).all()):
        raise ValueError("time_s and nn_ms must be finite; leave other rows out first")
    if times.size <= 4:
        raise NotEnough(f"a spectrum needs more than {times.size} intervals")
    steps = np.diff(times)
    if (steps <= 0).any():
        raise ValueError("time_s must increase")
    widest = int(steps.argmax())
    if steps[widest] > _LONGEST_GAP_S:
        raise NotEnough(f"no intervals for {steps[widest]:.1f} s from {times[widest]:.1f} s")
    return times, intervals


def resample_intervals(
    time_s: ArrayLike, nn_ms: ArrayLike, *, rate_hz: float = 4.0
) -> tuple[FloatArray, FloatArray]:
    """Return the interval series at an even rate: (time in s, interval in ms).

    Cubic spline through (time_s, nn_ms), from the first to the last beat and never beyond;
    linear interpolation would lose a fifth of the high-frequency power at rest. Raises
    `NotEnough` across a gap longer than 3 s (cubic at 4 Hz: convention; Berntson et al. 1997,
    Psychophysiology 34:623).
    """
    times, intervals = _checked_intervals(time_s, nn_ms)
    first, last = times[0], times[-1]
    grid = first + np.arange(int((last - first) * rate_hz + 1e-9) + 1) / rate_hz
    return grid, CubicSpline(times, intervals)(grid)


@lru_cache(maxsize=64)
def _penalty_bands(size: int, regularisation: float) -> FloatArray:
    """Upper bands of I + L^2 D2'D2 for the full (size - 2, size) second-difference matrix D2."""
    bands = np.zeros((3, size))
    bands[2, :-2] += 1.0
    bands[2, 1:-1] += 4.0
    bands[2, 2:] += 1.0
    bands[1, 1:-1] -= 2.0
    bands[1, 2:] -= 2.0
    bands[0, 2:] = 1.0
    bands *= regularisation**2
    bands[2] += 1.0
    bands.setflags(write=False)
    return bands


def smoothness_priors_trend(series: ArrayLike, *, regularisation: float) -> FloatArray:
    """Return the slow trend of evenly spaced `series` (..., n), in its own unit.

    Solves (I + L^2 D2'D2) trend = series, D2 the full second-difference matrix, by a banded
    Cholesky factorisation: time and memory grow with n, not n^2. Straight lines are kept exactly
    (Tarvainen, Ranta-aho & Karjalainen 2002, IEEE Trans Biomed Eng 49:172). The cut-off goes with
    the sampling rate; at 4 Hz and 500 the rest keeps 0.707 of an oscillation at 0.0355 Hz.
    """
    samples = np.asarray(series, dtype=float)
    size = samples.shape[-1]
    if size < 4:
        raise NotEnough(f"a trend needs at least 4 samples and there are {size}")
    level = samples.mean(axis=-1, keepdims=True)
    columns = (samples - level).reshape(-1, size).T
    trend = solveh_banded(_penalty_bands(size, float(regularisation)), columns)
    return trend.T.reshape(samples.shape) + level


def power_spectrum(
    series_ms: ArrayLike,
    rate_hz: float | None = None,
    *,
    method: str = "multitaper",
    time_s: ArrayLike | None = None,
    time_bandwidth: float = 2.0,
    taper_count: int = 3,
    segment_s: float | None = None,
    order: int = 16,
) -> Spectrum:
    """Return the one-sided power spectral density of a series without trend, in ms2/Hz.

    `series_ms` has shape (..., n); evenly spaced at `rate_hz`, except for `"lomb_scargle"`, which
    takes one series and the time of each value in `time_s`. Methods:

    - `"multitaper"`: mean over `taper_count` orthogonal tapers of `time_bandwidth` (Thomson 1982,
      Proc IEEE 70:1055).
    - `"welch"`: Hann segments of `segment_s` (the whole series when None), overlapping by half
      (Welch 1967, IEEE Trans Audio Electroacoust 15:70).
    - `"autoregressive"`: Burg's recursion of the given `order` with parabolic weights (Kaveh &
      Lippert 1983, IEEE Trans Acoust 31:438; order 16: Boardman et al. 2002, Physiol Meas 23:325).
    - `"lomb_scargle"`: least-squares periodogram of the unevenly spaced intervals (Scargle 1982,
      Astrophys J 263:835), scaled to a density; mean over the tapers of `"multitaper"` (Springford,
      Eadie & Thomson 2020, Astron J 159:205), `taper_count=1` leaving one.

    All are scaled so that the density integrates to the variance of a steady series.
    """
    samples = np.asarray(series_ms, dtype=float)
    if not np.isfinite(samples).all():
        raise ValueError("series_ms holds values that are not finite")
    least = max(_LEAST_SAMPLES, 2 * order if method == "autoregressive" else 0)
    if samples.shape[-1] < least:
        raise NotEnough(f"a spectrum needs at least {least} samples, not {samples.shape[-1]}")
    if method == "lomb_scargle":
        if time_s is None:
            raise ValueError("lomb_scargle needs time_s")
        times = np.asarray(time_s, dtype=float)
        return _lomb_scargle(times, samples, time_bandwidth, taper_count)
    if rate_hz is None:
        raise ValueError(f"{method} needs rate_hz")
    if method == "multitaper":
        return _multitaper(samples, rate_hz, time_bandwidth, taper_count)
    if method == "welch":
        return _welch(samples, rate_hz, segment_s)
    if method == "autoregressive":
        return _autoregressive(samples, rate_hz, order)
    raise ValueError(f"no method {method!r}: multitaper, welch, autoregressive or lomb_scargle")


def _transform_size(size: int) -> int:
    """A power of two that samples a periodogram of `size` values at least twice too finely."""
    return 1 << int(np.ceil(np.log2(2 * size)))


def _one_sided(power: FloatArray) -> FloatArray:
    """Power at negative frequencies added to the positive, for transforms of even length."""
    doubled = np.full(power.shape[-1], 2.0)
    doubled[[0, -1]] = 1.0
    return power * doubled


@lru_cache(maxsize=64)
def _tapers(size: int, time_bandwidth: float, count: int) -> FloatArray:
    """Sequences of unit energy that hold most of it within the band (Slepian 1978, Bell Syst Tech J
    57:1371); shape (count, size), the best first.
    """
    position = np.arange(size)
    middle = ((size - 1 - 2.0 * position) / 2.0) ** 2 * np.cos(2.0 * np.pi * time_bandwidth / size)
    beside = position[1:] * (size - position[1:]) / 2.0
    best = (size - count, size - 1)
    tapers = eigh_tridiagonal(middle, beside, select="i", select_range=best)[1].T[::-1]
    tapers.setflags(write=False)
    return tapers


def _multitaper(samples: FloatArray, rate_hz: float, time_bandwidth: float, count: int) -> Spectrum:
    size = samples.shape[-1]
    tapers = _tapers(size, float(time_bandwidth), int(count))
    length = _transform_size(size)
    transform = np.fft.rfft(samples[..., None, :] * tapers, length, axis=-1)
    power = (transform.real**2 + transform.imag**2).mean(axis=-2) / rate_hz
    weight = (tapers**2).mean(axis=0)
    return Spectrum(
        np.fft.rfftfreq(length, 1.0 / rate_hz),
        _one_sided(power),
        2.0 * count,
        1.0 / (rate_hz * float((weight**2).sum())),
    )


def _welch(samples: FloatArray, rate_hz: float, segment_s: float | None) -> Spectrum:
    size = samples.shape[-1]
    segment = size if segment_s is None else min(size, round(segment_s * rate_hz))
    # Spread the segments so that they reach both ends, whatever the length.
    count = max(1, round(2.0 * size / segment) - 1)
    starts = np.round(np.linspace(0, size - segment, count)).astype(int)
    # A periodic Hann window of unit energy.
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(segment) / segment)
    window /= np.sqrt((window**2).sum())
    length = _transform_size(size)
    power = np.zeros((*samples.shape[:-1], length // 2 + 1))
    weight = np.zeros(size)
    for start in starts:
        piece = samples[..., start : start + segment]
        transform = np.fft.rfft(piece * window, length, axis=-1)
        power += transform.real**2 + transform.imag**2
        weight[start : start + segment] += window**2
    weight /= count
    # Correlation of the overlapping windows lowers the freedom of their mean (Welch 1967).
    overlap = np.array(
        [[_window_overlap(window, abs(int(b - a))) ** 2 for b in starts] for a in starts]
    )
    return Spectrum(
        np.fft.rfftfreq(length, 1.0 / rate_hz),
        _one_sided(power / (count * rate_hz)),
        2.0 * count**2 / float(overlap.sum()),
        1.0 / (rate_hz * float((weight**2).sum())),
    )


def _window_overlap(window: FloatArray, shift: int) -> float:
    if shift >= window.size:
        return 0.0
    return float(window[: window.size - shift] @ window[shift:])


def _autoregressive(samples: FloatArray, rate_hz: float, order: int) -> Spectrum:
    size = samples.shape[-1]
    centred = samples - samples.mean(axis=-1, keepdims=True)
    forward = centred[..., 1:]
    backward = centred[..., :-1]
    # Weights that vanish at the ends: there the trend follows the oscillation and takes its power.
    whole = _parabola(size)
    error = (centred**2) @ whole
    if (error <= 0).any():
        raise NotEnough("an autoregressive spectrum needs a series that varies")
    # A floor 60 dB down: without it a perfectly regular oscillation leaves only rounding to fit.
    floor = 2e-6 * error
    coefficients = np.ones((*samples.shape[:-1], 1))
    for step in range(order):
        weight = _parabola(forward.shape[-1])
        energy = (weight * (forward**2 + backward**2)).sum(axis=-1) + floor
        reflection = -2.0 * (weight * forward * backward).sum(axis=-1) / energy
        gain = reflection[..., None]
        padded = np.concatenate([coefficients, np.zeros_like(coefficients[..., :1])], axis=-1)
        coefficients = padded + gain * padded[..., ::-1]
        error = error * (1.0 - reflection**2)
        if step < order - 1:
            forward, backward = (
                (forward + gain * backward)[..., 1:],
                (backward + gain * forward)[..., :-1],
            )
    length = max(4096, 2 * _transform_size(size))
    return Spectrum(
        np.fft.rfftfreq(length, 1.0 / rate_hz),
        _autoregressive_density(coefficients, error, rate_hz, length),
        size / order,
        1.0 / (rate_hz * float((whole**2).sum())),
    )


def _parabola(size: int) -> FloatArray:
    position = np.arange(1, size + 1)
    weight = (position * position[::-1]).astype(float)
    return weight / weight.sum()


def _autoregressive_density(
    coefficients: FloatArray, error: FloatArray, rate_hz: float, length: int
) -> FloatArray:
    """One-sided density, each sample the mean over its bin, integrated from the poles.

    A steady oscillation puts a pole so near the unit circle that its peak falls between any
    samples; the integral of each pole's part is known in closed form and loses nothing.
    """
    order = coefficients.shape[-1] - 1
    companion = np.zeros((*coefficients.shape[:-1], order, order))
    companion[..., 0, :] = -coefficients[..., 1:]
    companion[..., np.arange(1, order), np.arange(order - 1)] = 1.0
    pole = np.linalg.eigvals(companion)
    # Residue of pole k: error / (prod over j of (1 - pk pj) x prod over j != k of (1 - pj / pk)).
    across = 1.0 - pole[..., :, None] * pole[..., None, :]
    apart = 1.0 - pole[..., None, :] / pole[..., :, None]
    apart[..., np.arange(order), np.arange(order)] = 1.0
    residue = error[..., None] / (across.prod(axis=-1) * apart.prod(axis=-1))
    edge = (np.arange(length // 2 + 2) - 0.5) * 2.0 * np.pi / length
    integral = np.zeros((*coefficients.shape[:-1], edge.size))
    for index in range(order):
        here = pole[..., index, None]
        part = edge - 2j * np.log1p(-here * np.exp(-1j * edge))
        integral += (residue[..., index, None] * part).real
    density = 2.0 * np.diff(integral, axis=-1) * length / (2.0 * np.pi * rate_hz)
    density[..., [0, -1]] /= 2.0
    return density


def _lomb_scargle(
    times: FloatArray, samples: FloatArray, time_bandwidth: float, count: int
) -> Spectrum:
    if samples.ndim != 1 or times.shape != samples.shape:
        raise ValueError("lomb_scargle takes one series with one time per value")
    size = times.size
    since_start = times - times[0]
    mean_step = float(since_start[-1] / (size - 1))
    even = np.arange(size) * mean_step
    tapers = np.array(
        [np.interp(since_start, even, taper) for taper in _tapers(size, time_bandwidth, count)]
    )
    tapers /= np.sqrt((tapers**2).sum(axis=1, keepdims=True))
    tapered = (samples - samples.mean()) * tapers
    length = _transform_size(size)
    frequency = np.arange(length // 2) / (length * mean_step)
    blocks = np.array_split(frequency[1:], max(1, length // 512))
    power = np.concatenate([_least_squares_power(since_start, tapered, f) for f in blocks])
    weight = (tapers**2).mean(axis=0)
    return Spectrum(
        frequency,
        np.concatenate([[0.0], 2.0 * mean_step * size * power]),
        2.0 * count,
        mean_step / float((weight**2).sum()),
    )


def _least_squares_power(
    times: FloatArray, series: FloatArray, frequency: FloatArray
) -> FloatArray:
    """Half the sum of squares that a sine and a cosine explain, mean over the rows of series."""
    turn = 2.0 * np.pi * np.outer(frequency, times)
    cosine, sine = np.cos(turn), np.sin(turn)
    with_cosine, with_sine = cosine @ series.T, sine @ series.T
    cc, ss, cs = (cosine**2).sum(axis=1), (sine**2).sum(axis=1), (cosine * sine).sum(axis=1)
    explained = (
        ss[:, None] * with_cosine**2
        + cc[:, None] * with_sine**2
        - 2.0 * cs[:, None] * with_cosine * with_sine
    ) / (cc * ss - cs**2)[:, None]
    return 0.5 * explained.mean(axis=1)


def interval_spectrum(
    time_s: ArrayLike,
    nn_ms: ArrayLike,
    *,
    method: str = "multitaper",
    rate_hz: float = 4.0,
    regularisation: float | None = 500.0,
    **settings: object,
) -> Spectrum:
    """Return the spectrum of one window of intervals: resampled, detrended, estimated.

    `time_s` is the time of the beat that ends each interval. `regularisation` belongs to
    smoothness priors at `rate_hz`; None removes the mean alone. `settings` go on to
    `power_spectrum`. For `"lomb_scargle"` the trend is found on the even grid and taken off the
    intervals themselves.
    """
    grid, even = resample_intervals(time_s, nn_ms, rate_hz=rate_hz)
    if regularisation is None:
        trend = np.full_like(even, even.mean())
    else:
        trend = smoothness_priors_trend(even, regularisation=regularisation)
    if method == "lomb_scargle":
        times = np.asarray(time_s, dtype=float)
        rest = np.asarray(nn_ms, dtype=float) - np.interp(times, grid, trend)
        return power_spectrum(rest, method=method, time_s=times, **settings)
    return power_spectrum(even - trend, rate_hz, method=method, **settings)


def _band_weights(frequency_hz: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Weights whose sum with a density is its exact integral, linear between its samples."""
    if not 0 <= low_hz < high_hz:
        raise ValueError(f"a band needs 0 <= low < high, not {low_hz:g} to {high_hz:g} Hz")
    if high_hz > frequency_hz[-1] + 1e-9:
        raise NotEnough(
            f"the band ends at {high_hz:g} Hz and the spectrum at {frequency_hz[-1]:.2f} Hz"
        )
    from_hz, to_hz = frequency_hz[:-1], frequency_hz[1:]
    step = to_hz - from_hz
    from_share = np.clip((low_hz - from_hz) / step, 0.0, 1.0)
    to_share = np.clip((high_hz - from_hz) / step, 0.0, 1.0)
    width = (to_share - from_share) * step
    middle = (to_share + from_share) / 2.0
    weights = np.zeros_like(frequency_hz)
    weights[:-1] += width * (1.0 - middle)
    weights[1:] += width * middle
    return weights


def band_power(spectrum: Spectrum, low_hz: float, high_hz: float) -> float | FloatArray:
    """Return the power between two frequencies, in ms2.

    The density counts as linear between its samples and the band's edges are interpolated. A
    float for one window, shape (...) for many. Raises `NotEnough` when the band reaches beyond
    the spectrum (bands: Task Force 1996, LF 0.04-0.15 Hz, HF 0.15-0.40 Hz).
    """
    power = spectrum.density_ms2_per_hz @ _band_weights(spectrum.frequency_hz, low_hz, high_hz)
    return float(power) if np.ndim(power) == 0 else power


def band_degrees_of_freedom(
    spectrum: Spectrum, low_hz: float, high_hz: float
) -> float | FloatArray:
    """Return the equivalent chi-square degrees of freedom of the power in a band.

    2 T (integral of S)^2 / integral of S^2 over the band, T the effective duration, less the
    bias of putting the estimate in place of S: many for a broad band, few for a narrow peak,
    never fewer than 2 (matching of moments; Blackman & Tukey 1958, Bell Syst Tech J 37:185).
    """
    weights = _band_weights(spectrum.frequency_hz, low_hz, high_hz)
    squared = spectrum.density_ms2_per_hz**2 @ weights
    total = spectrum.density_ms2_per_hz @ weights
    if (np.asarray(total) <= 0).any():
        raise NotEnough("there is no power in this band")
    apparent = 2.0 * spectrum.effective_duration_s * total**2 / squared
    # Squares of estimates are too large by their own variance: 1 + 2 / freedom, on both sides.
    freedom = np.maximum(2.0, apparent * (1.0 + 2.0 / spectrum.degrees_of_freedom) - 2.0)
    return float(freedom) if np.ndim(freedom) == 0 else freedom


def band_power_interval(
    spectrum: Spectrum, low_hz: float, high_hz: float, *, level: float = 0.95
) -> tuple[float | FloatArray, float | FloatArray]:
    """Return the confidence interval (low, high) of the power in a band, in ms2.

    For the long-run power of a stationary Gaussian process of which the window is one sample:
    the estimate times nu over the chi-square quantiles of nu degrees of freedom, nu from
    `band_degrees_of_freedom` (Blackman & Tukey 1958). One minute of LF is uncertain by a factor
    of two; the interval says so. At a level of 95 % it held the true power of simulated irregular
    breathing in 90 to 99 % of windows of 1 to 5 minutes.
    """
    from scipy.special import chdtri

    power = band_power(spectrum, low_hz, high_hz)
    freedom = band_degrees_of_freedom(spectrum, low_hz, high_hz)
    tail = (1.0 - level) / 2.0
    return (
        power * freedom / chdtri(freedom, tail),
        power * freedom / chdtri(freedom, 1.0 - tail),
    )


def normalised_units_pct(band_power_ms2: float, lf_and_hf_ms2: float) -> float:
    """Return power in normalised units: 100 x band / (LF + HF), in percent (Task Force 1996).

    LF n.u., HF n.u. and LF/HF are one number in three dresses (Heathers 2014, Front Physiol
    5:177).
    """
    if lf_and_hf_ms2 <= 0:
        raise NotEnough("there is no power above the very low frequencies")
    return 100.0 * band_power_ms2 / lf_and_hf_ms2


def lf_hf_ratio(lf_power_ms2: float, hf_power_ms2: float) -> float:
    """Return LF power over HF power (Task Force 1996).

    Reported for comparison; not an index of sympathetic activity (Billman 2013, Front Physiol
    4:26).
    """
    if hf_power_ms2 <= 0:
        raise NotEnough("LF/HF needs power in the high-frequency band")
    return lf_power_ms2 / hf_power_ms2
