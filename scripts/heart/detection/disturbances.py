"""What stands in an ECG beside the heart and can be taken out: mains hum and steps of an electrode.

Hum: a line at 50 or 60 Hz, at its harmonics, or where these fold back below half the sampling rate.
It is sought in the spectrum of the whole piece and taken out with a band as narrow as the line is.

Step: the level before and after differs and does not come back, which no wave of the heart does.
The difference is taken off all that follows, and the edge itself is bridged by a straight line.

Source of both limits: conventions of this project.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray
from scipy import fft

from heart.detection.arrays import Floats
from heart.detection.even_pieces import EvenPiece, even_pieces

MAINS_HZ = (50.0, 60.0)

HARMONICS = 3

LOWEST_HUM_HZ = 20.0

# a line rises so many times over what lies around it, and mains keep within so many Hz
LINE_OVER_AROUND = 12.0

LINE_REACH_HZ = 0.6

AROUND_HZ = 3.0

# whether there is any is asked of windows of so many s, one in every so many s
HUM_WINDOW_S, HUM_EVERY_S = 4.0, 30.0

# a line so many times over its surroundings in one of them, or in half of them
WINDOW_OVER_AROUND, WINDOWS_OVER_AROUND = 8.0, 4.0

# hum below this share of the whole spread is no trouble to anybody
LEAST_HUM_SHARE = 0.03

EDGE_S = 0.04

LEVEL_S = 0.8

BESIDE_S = 0.12

STEP_OVER_HEART = 1.3

# of the fast rises of the heart itself, a step exceeds nearly all
HEART_QUANTILE = 0.97

LEAST_FAST_SHARE = 0.6

# a base line that moves by more than this share of a fast rise is taken off before steps are sought
DRIFTING_SHARE = 0.5

SLOPE_S = 0.6


def undisturbed_pieces(time_s: ArrayLike, ecg: ArrayLike) -> list[EvenPiece]:
    """Even pieces of a lead (`even_pieces`) without hum and without steps.

    The samples are those of the recording where there is neither.
    """
    return [without_steps(without_hum(piece)) for piece in even_pieces(time_s, ecg)]


def without_hum(piece: EvenPiece) -> EvenPiece:
    """The piece without lines of mains hum."""
    n, rate_hz = piece.samples.size, piece.rate_hz
    if n < HUM_WINDOW_S * rate_hz or not _may_hum(piece):
        return piece
    length = fft.next_fast_len(n, real=True)
    spectrum = fft.rfft(piece.samples - piece.samples.mean(), length)
    step_hz = rate_hz / length
    lines = []
    for mains_hz in MAINS_HZ:
        # harmonics alone are more likely the heart's
        if first := _line(spectrum, folded_hz(mains_hz, rate_hz), step_hz):
            higher = [folded_hz(n * mains_hz, rate_hz) for n in range(2, HARMONICS + 1)]
            lines += [first, *filter(None, (_line(spectrum, hz, step_hz) for hz in higher))]
    power = np.square(np.abs(piece.samples - np.median(piece.samples))).mean()
    lines = [
        (first, stop)
        for first, stop in lines
        if 2 * np.square(np.abs(spectrum[first:stop])).sum() / (n * length)
        > np.square(LEAST_HUM_SHARE) * power
    ]
    if not lines:
        return piece
    hum = np.zeros_like(spectrum)
    for first, stop in lines:
        hum[first:stop] = spectrum[first:stop]
    return replace(piece, samples=piece.samples - fft.irfft(hum, length)[:n])


def _may_hum(piece: EvenPiece) -> bool:
    """Whether a line rises in windows spread over the piece; costs far less than a search."""
    width = int(HUM_WINDOW_S * piece.rate_hz)
    windows = sliding_window_view(piece.samples, width)[:: int(HUM_EVERY_S * piece.rate_hz)]
    taper = np.hanning(width)
    size = np.abs(fft.rfft((windows - windows.mean(axis=1, keepdims=True)) * taper, axis=1))
    step_hz = piece.rate_hz / width
    for hz in (folded_hz(mains_hz, piece.rate_hz) for mains_hz in MAINS_HZ):
        if not LOWEST_HUM_HZ <= hz <= piece.rate_hz / 2 - LINE_REACH_HZ:
            continue
        near = slice(*(round((hz + side * LINE_REACH_HZ) / step_hz) for side in (-1, 1)))
        around = slice(*(round((hz + side * AROUND_HZ) / step_hz) for side in (-1, 1)))
        usual = np.median(size[:, around], axis=1)
        over = size[:, near].max(axis=1, initial=0.0) / np.maximum(usual, 1e-12)
        if over.max() > WINDOW_OVER_AROUND or np.median(over) > WINDOWS_OVER_AROUND:
            return True
    return False


def folded_hz(hz: float, rate_hz: float) -> float:
    """Frequency in Hz at which `hz` stands in samples at `rate_hz`."""
    return abs(hz - rate_hz * round(hz / rate_hz))


def _line(spectrum: NDArray[np.complex128], hz: float, step_hz: float) -> tuple[int, int] | None:
    """First and last place of a line near a frequency, None where none rises so high.

    None, too, where it would lie among the strong frequencies of a QRS.
    """
    if not LOWEST_HUM_HZ <= hz <= (spectrum.size - 1) * step_hz - LINE_REACH_HZ:
        return None
    first, stop = int((hz - AROUND_HZ) / step_hz), int((hz + AROUND_HZ) / step_hz) + 1
    first, stop = max(first, 1), min(stop, spectrum.size)
    size = np.abs(spectrum[first:stop])
    usual = np.median(size)
    near_hz = np.abs(np.arange(first, stop) * step_hz - hz) <= LINE_REACH_HZ
    high = near_hz & (size > LINE_OVER_AROUND * usual)
    if not high.any():
        return None
    peak = int(np.argmax(np.where(near_hz, size, 0.0)))
    above = np.flatnonzero((size > 3 * usual) & near_hz)
    return first + int(min(above[0], peak)), first + int(max(above[-1], peak)) + 1


def without_steps(piece: EvenPiece) -> EvenPiece:
    """The piece with every step of its level taken out."""
    steps = level_steps(piece)
    if not steps:
        return piece
    samples = piece.samples.astype(float, copy=True)
    edge = max(2, int(round(EDGE_S / 2 * piece.rate_hz)))
    for at, height in steps:
        samples[at:] -= height
    for at, _ in steps:
        first, stop = max(at - edge, 0), min(at + edge, samples.size - 1)
        samples[first : stop + 1] = np.interp(
            np.arange(first, stop + 1), [first, stop], samples[[first, stop]]
        )
    return replace(piece, samples=samples)


def level_steps(piece: EvenPiece) -> list[tuple[int, float]]:
    """Place and height of every step, in order of time."""
    samples, rate_hz = piece.samples, piece.rate_hz
    stride = max(1, int(rate_hz // 60))
    edge, level = int(round(EDGE_S * rate_hz)), int(round(LEVEL_S * rate_hz))
    if samples.size < 4 * level:
        return []
    first, stop = level + edge, samples.size - level - edge
    fast, lasting = _changes(samples, slice(first, stop, stride), edge, level)
    least = np.quantile(np.abs(fast[:: max(1, fast.size // 20000)]), HEART_QUANTILE)
    if np.median(np.abs(lasting)) > DRIFTING_SHARE * least:
        samples = samples - slow_course(piece)
        fast, lasting = _changes(samples, slice(first, stop, stride), edge, level)
    candidate = (
        (np.abs(lasting) > least)
        & (fast * lasting > 0)
        & (np.abs(fast) > LEAST_FAST_SHARE * np.abs(lasting))
    )
    steps = []
    candidate_at = np.flatnonzero(candidate)
    for group in np.split(candidate_at, np.flatnonzero(np.diff(candidate_at) * stride > edge) + 1):
        if group.size:
            best = first + stride * group[np.argmax(np.abs(lasting[group]))]
            near = np.arange(max(best - edge, 1), min(best + edge, samples.size))
            edge_at = int(near[np.argmax(np.abs(samples[near] - samples[near - 1]))])
            height = _height(samples, edge_at, edge, int(BESIDE_S * rate_hz))
            if abs(height) > STEP_OVER_HEART * least and height * lasting[group[0]] > 0:
                steps.append((edge_at, height))
    return steps


def _changes(samples: Floats, at: slice, edge: int, level: int) -> tuple[Floats, Floats]:
    """Change across an edge at each place, and mean level behind the edge over that before it."""
    total = np.zeros(samples.size + 1)
    np.cumsum(samples, out=total[1:])

    def beside(series: Floats, shift: int) -> Floats:
        return series[at.start + shift : at.stop + shift : at.step]

    half = edge // 2
    before = beside(total, -half) - beside(total, -half - level)
    after = beside(total, half + level) - beside(total, half)
    return beside(samples, half) - beside(samples, -half), (after - before) / level


def slow_course(piece: EvenPiece) -> Floats:
    """Drift of the base line without its steps: the sum of the usual slopes of every moment.

    The slope is the median of the differences between neighbours, to which neither a QRS nor an
    edge belongs.
    """
    slope = np.diff(piece.samples, prepend=piece.samples[0])
    width, stride = int(SLOPE_S * piece.rate_hz), max(1, int(SLOPE_S / 3 * piece.rate_hz))
    windows = sliding_window_view(slope, width)[::stride]
    usual = np.median(windows, axis=1)
    centre = np.arange(usual.size) * stride + width // 2
    return np.cumsum(np.interp(np.arange(slope.size), centre, usual))


def _height(samples: Floats, edge_at: int, edge: int, reach: int) -> float:
    """Difference of level across an edge, of what lies just beside it: a QRS is back by then."""
    before = samples[max(edge_at - edge // 2 - reach, 0) : edge_at - edge // 2]
    after = samples[edge_at + edge // 2 : edge_at + edge // 2 + reach]
    return float(np.median(after) - np.median(before))
