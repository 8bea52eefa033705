"""Rhythms in values at uneven times: what a rhythm of each rate explains in windows.

What is slower is taken off first: a strong slow rhythm is no noise. The share of the rest that a
sinusoid explains is found by least squares at the values themselves (generalised periodogram,
Zechmeister & Kuerster 2009, Astron Astrophys 496:577-584), so that nothing is interpolated.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

RATES_HZ = np.arange(10, 101) / 100

WINDOW_S = 20.0

# windows computed at once: products small enough that no linear-algebra threads are started
BLOCK = 16

# Breaths are counted over so long (convention).
COUNT_S, BINS_PER_BREATH = 10.0, 12

# At the limits of sets breathing speeds up and slows down within a window (conventions): changes
# that are tried where no steady rate explains so much.
SWEEPS_HZ_PER_S = np.array([-0.01, 0.012])


def log_odds_of(share: np.ndarray, freedom: np.ndarray) -> np.ndarray:
    """Log of the Bayes factor of a sinusoid that explains `share`, against none (Liang et al. 2008,
    equation 6, two regressors, g as large as the sample)."""
    return (freedom - 3) / 2 * np.log1p(freedom) - (freedom - 1) / 2 * np.log1p(
        freedom * (1 - share)
    )


def without_slow_course(
    times: np.ndarray, samples: np.ndarray, *, slow_hz: float, from_hz: float
) -> np.ndarray:
    """Values without what is slower than `slow_hz`, outliers drawn in to five robust SDs.

    What is faster than `from_hz` is left whole. Both edges are those of a transform at 4 Hz of the
    series turned about its ends: a slow rhythm below them leaves nothing above them.
    """
    if times.size < 4 or np.ptp(samples) <= 1e-9 * np.abs(np.median(samples)):
        return np.zeros(samples.size)
    calm = _drawn_in(samples, np.median(samples), 8.0)
    even_s = np.arange(times[0], times[-1], 0.25)
    series = np.interp(even_s, times, calm)
    margin = min(series.size - 1, 120)
    before = 2 * series[0] - series[margin:0:-1]
    after = 2 * series[-1] - series[-2 : -margin - 2 : -1]
    long = np.concatenate([before, series, after])
    line = np.linspace(long[0], long[-1], long.size)
    rising = (np.fft.rfftfreq(long.size, 0.25) - slow_hz) / (from_hz - slow_hz)
    slow = 0.5 + 0.5 * np.cos(np.pi * np.clip(rising, 0.0, 1.0))
    course = np.fft.irfft(np.fft.rfft(long - line) * slow, long.size) + line
    rest = calm - np.interp(times, even_s, course[margin : margin + series.size])
    return _drawn_in(rest, 0.0, 5.0)


def _drawn_in(samples: np.ndarray, middle: float, most: float) -> np.ndarray:
    spread = most * 1.4826 * np.median(np.abs(samples - middle))
    return np.clip(samples, middle - spread, middle + spread) if spread > 0 else samples


def explained_share(
    times: np.ndarray, samples: np.ndarray, centres: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of variance that sinusoids of RATES_HZ explain in Hann windows, at uneven times.

    Returns the share (windows x frequencies, 0..1; 0 above half the rate of the values), the
    effective number of values per window and their mean rate in Hz. Source: generalised
    periodogram with a floating mean, Zechmeister & Kuerster 2009, Astron Astrophys 496:577-584.
    """
    phase = 2 * np.pi * (times - times[:1])[:, None] * RATES_HZ
    cosines, sines = np.cos(phase), np.sin(phase)
    # the steep filter rings for some seconds: what is far smaller than the rest shows nothing
    least_variance = 3e-4 * np.var(samples) if samples.size else 0.0
    share = np.zeros((centres.size, RATES_HZ.size))
    effective = np.zeros(centres.size)
    rate_hz = np.zeros(centres.size)
    half = WINDOW_S / 2
    for begin in range(0, centres.size, BLOCK):
        block = slice(begin, begin + BLOCK)
        low, high = np.searchsorted(times, [centres[block][0] - half, centres[block][-1] + half])
        if high - low < 2:
            continue
        distance = times[None, low:high] - centres[block, None]
        near = np.abs(distance) < half
        weight = np.where(near, np.cos(np.pi * distance / WINDOW_S) ** 2, 0.0)
        total = weight.sum(axis=1)
        occupied = total > 0
        weight[occupied] /= total[occupied, None]
        squares = (weight**2).sum(axis=1)
        effective[block] = np.divide(1.0, squares, out=np.zeros_like(squares), where=occupied)
        begins = np.maximum(centres[block] - half, times[0])
        ends = np.minimum(centres[block] + half, times[-1])
        rate_hz[block] = near.sum(axis=1) / np.maximum(ends - begins, WINDOW_S / 4)
        visible = np.searchsorted(RATES_HZ, rate_hz[block].max() / 2, side="right")
        cosine, sine = cosines[low:high, :visible], sines[low:high, :visible]
        y = samples[low:high]
        mean = weight @ y
        mean_cosine, mean_sine = weight @ cosine, weight @ sine
        variance = (weight @ y**2 - mean**2)[:, None] + least_variance
        y_cosine = (weight * y) @ cosine - mean[:, None] * mean_cosine
        y_sine = (weight * y) @ sine - mean[:, None] * mean_sine
        square_of_cosine = weight @ cosine**2
        cosine_cosine = square_of_cosine - mean_cosine**2
        sine_sine = occupied[:, None] - square_of_cosine - mean_sine**2
        cosine_sine = weight @ (cosine * sine) - mean_cosine * mean_sine
        determinant = cosine_cosine * sine_sine - cosine_sine**2
        explained = (
            sine_sine * y_cosine**2
            + cosine_cosine * y_sine**2
            - 2 * cosine_sine * y_cosine * y_sine
        )
        possible = (determinant > 1e-6) & (variance > 1.001 * least_variance)
        share[block, :visible] = np.divide(
            explained,
            determinant * variance,
            out=np.zeros_like(explained),
            where=possible,
        )
    return np.clip(share, 0.0, 1.0 - 1e-9), effective, rate_hz


class Window(NamedTuple):
    """Times (s) from its middle on, and values, of those within half a window of it."""

    since: np.ndarray
    values: np.ndarray


def window_about(times: np.ndarray, samples: np.ndarray, centre_s: float) -> Window:
    limits = np.searchsorted(times, [centre_s - WINDOW_S / 2, centre_s + WINDOW_S / 2])
    return Window(times[slice(*limits)] - centre_s, samples[slice(*limits)])


def share_beside(
    window: Window, beside_hz: np.ndarray, rates_hz: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Share that a sinusoid of each of `rates_hz` explains of what others leave in a Hann window.

    The others, of `beside_hz` (Hz), are fitted beside it. Returns the share and, per rate, whether
    it can be told from them: a good part of its own variance must be left.
    """
    since, samples = window
    root = np.cos(np.pi * since / WINDOW_S)
    turn = 2 * np.pi * since[:, None] * np.concatenate([beside_hz, rates_hz])
    cosine, sine = root[:, None] * np.cos(turn), root[:, None] * np.sin(turn)
    n = len(beside_hz)
    beside, _ = np.linalg.qr(np.column_stack([root, cosine[:, :n], sine[:, :n]]))
    unexplained = np.column_stack([root * samples, cosine[:, n:], sine[:, n:]])
    unexplained -= beside @ (beside.T @ unexplained)
    y, cosine, sine = unexplained[:, 0], *np.split(unexplained[:, 1:], 2, axis=1)
    cosine_cosine, sine_sine = np.sum(cosine**2, axis=0), np.sum(sine**2, axis=0)
    cosine_sine = np.sum(cosine * sine, axis=0)
    determinant = cosine_cosine * sine_sine - cosine_sine**2
    told = determinant > (0.15 * np.sum(root**2)) ** 2
    y_cosine, y_sine = y @ cosine, y @ sine
    explained = (
        sine_sine * y_cosine**2 + cosine_cosine * y_sine**2 - 2 * cosine_sine * y_cosine * y_sine
    )
    variance = max(float(y @ y), 1e-3 * float(np.sum((root * samples) ** 2)), 1e-300)
    share = np.divide(explained, determinant * variance, out=np.zeros(told.size), where=told)
    return np.clip(share, 0.0, 1.0 - 1e-9), told


def swept_share(window: Window, rates_hz: np.ndarray) -> np.ndarray:
    """Largest share that a sinusoid explains which has each rate in the middle of a Hann window and
    changes by one of SWEEPS_HZ_PER_S."""
    since, samples = window
    weight = np.cos(np.pi * since / WINDOW_S) ** 2
    weight /= weight.sum()
    samples = samples - weight @ samples
    steady = np.exp(2j * np.pi * since[:, None] * rates_hz)
    sweep = np.exp(1j * np.pi * since[:, None] ** 2 * SWEEPS_HZ_PER_S)
    turning = (sweep[:, :, None] * steady[:, None, :]).reshape(since.size, -1)
    # sums, not products of matrices: those are large enough to start threads
    weighted = weight[:, None] * turning
    mean, double = weighted.sum(axis=0), (weighted * turning).sum(axis=0)
    with_values = (weighted * samples[:, None]).sum(axis=0)
    cosine_cosine = (1 + double.real) / 2 - mean.real**2
    sine_sine = (1 - double.real) / 2 - mean.imag**2
    cosine_sine = double.imag / 2 - mean.real * mean.imag
    determinant = np.maximum(cosine_cosine * sine_sine - cosine_sine**2, 1e-6)
    explained = (
        sine_sine * with_values.real**2
        + cosine_cosine * with_values.imag**2
        - 2 * cosine_sine * with_values.real * with_values.imag
    ) / determinant
    share = explained / max(float(weight @ samples**2), 1e-300)
    return np.clip(share.reshape(-1, rates_hz.size).max(axis=0), 0.0, 1.0 - 1e-9)


def counted_hz(
    times: np.ndarray,
    samples: np.ndarray,
    at_s: np.ndarray,
    rate_hz: np.ndarray,
    *,
    smoothed_breaths: float,
) -> np.ndarray:
    """Breaths per second within COUNT_S about each moment, near a rate that is followed.

    `times` (s) and `samples` are of any sampling, `rate_hz` the rate at the moments `at_s` (s). The
    values are turned back by the phase of that rate; how far the rest, smoothed over so much of a
    breath (SD), still turns is what breaths are ahead or behind (complex demodulation: Hayano et
    al. 1993, Am J Physiol 264:H1229). NaN farther than half of COUNT_S from all values.
    """
    if times.size == 0:
        return np.full(at_s.size, np.nan)
    steps = np.diff(at_s) * (rate_hz[1:] + rate_hz[:-1]) / 2
    breaths = np.concatenate([[0.0], np.cumsum(steps)])
    breath = np.interp(times, at_s, breaths)
    turned = samples * np.exp(-2j * np.pi * breath)
    bin_of = (breath * BINS_PER_BREATH).astype(int)
    # zeros beyond the end, so that the transform does not join it to the beginning
    size = bin_of[-1] + 1 + 4 * BINS_PER_BREATH
    binned = np.bincount(bin_of, turned.real, size) + 1j * np.bincount(bin_of, turned.imag, size)
    per_breath = np.fft.fftfreq(size, 1 / BINS_PER_BREATH)
    passed = np.exp(-0.5 * (2 * np.pi * per_breath * smoothed_breaths) ** 2)
    filled = np.unique(bin_of)
    ahead = np.unwrap(np.angle(np.fft.ifft(np.fft.fft(binned) * passed)[filled])) / (2 * np.pi)
    limits_s = np.clip(at_s + COUNT_S * np.array([[-0.5], [0.5]]), times[0], times[-1])
    counted = np.interp(limits_s, at_s, breaths)
    counted += np.interp(counted * BINS_PER_BREATH, filled + 0.5, ahead)
    spans_s = np.diff(limits_s, axis=0)[0]
    unknown = np.full(spans_s.size, np.nan)
    return np.divide(np.diff(counted, axis=0)[0], spans_s, out=unknown, where=spans_s > 0)
