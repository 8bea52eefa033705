"""The filtered traces from which beats are found: slope envelope and waveform."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import fft, ndimage

from heart.detection import settings
from heart.detection.arrays import Floats, Trace
from heart.detection.even_pieces import EvenPiece
from heart.detection.settings import Band

# samples correlated with a shape by one row of a product of matrices, and rows at once: so few that
# BLAS uses one thread
BLOCK, BLOCKS_AT_ONCE = 32, 100


@dataclass(frozen=True)
class _Spectrum:
    """Transform of one gap-free piece, from which any band of it can be had at the internal rate.

    Samples `first` to `first + n` of the inverse transform of `length` samples are the piece.
    """

    frequency_hz: Trace
    transform: NDArray[np.complex64]
    length: int
    first: int
    n: int

    def through(self, response: NDArray) -> Trace:
        trace = fft.irfft(self.transform * response, n=self.length, overwrite_x=True)
        return trace[self.first : self.first + self.n]


@dataclass(frozen=True)
class PreparedRecording:
    """All pieces, one after the other with a border of zeros around each, at one internal rate."""

    rate_hz: float
    time_s: Floats
    inside: NDArray[np.bool_]
    piece: NDArray[np.int64]
    spectra: list[tuple[slice, _Spectrum]]


@dataclass(frozen=True)
class Traces(PreparedRecording):
    """What is seen of a recording through the slope and the waveform of a band."""

    envelope: Trace
    waveform: Trace


def _band(frequency_hz: Trace, low_hz: float, high_hz: float) -> Trace:
    """Zero-phase magnitude of a Butterworth band of order 2 run forward and backward."""
    above, below = np.square(frequency_hz / low_hz), np.square(frequency_hz / high_hz)
    above, below = np.square(above), np.square(below)
    return above / ((1.0 + above) * (1.0 + below))


def _rate_change(rate_hz: float) -> tuple[int, int]:
    """Whole factors (up, down) that bring a sampling rate near 250 Hz."""
    if rate_hz >= 375.0:
        return 1, int(round(rate_hz / 250.0))
    return (1, 1) if rate_hz >= 180.0 else (int(np.ceil(250.0 / rate_hz)), 1)


def _spectrum(piece: EvenPiece, up: int, down: int, unit: float) -> _Spectrum:
    """Transform of a piece, mirrored at its ends, for traces at its rate x up / down."""
    samples = piece.samples
    margin = min(samples.size - 1, int(piece.rate_hz))
    extended = np.concatenate(
        (
            2 * samples[0] - samples[margin:0:-1],
            samples,
            2 * samples[-1] - samples[-2 : -margin - 2 : -1],
        )
    )
    extended -= np.median(samples[:: max(1, samples.size // 10000)])
    coarse = fft.next_fast_len(int(np.ceil(extended.size / down)), real=True)
    length = coarse * up
    transform = fft.rfft(extended, n=coarse * down)[: length // 2 + 1]
    transform *= up / (down * unit)
    frequency_hz = np.arange(transform.size) * piece.rate_hz / (coarse * down)
    skipped = margin * up / down
    if skipped % 1:
        # The margin is not a whole number of output samples: shift by the rest.
        transform *= np.exp(2j * np.pi * frequency_hz * (skipped % 1) * down / (up * piece.rate_hz))
    n = int((samples.size - 1) * up // down) + 1
    single = frequency_hz.astype(np.float32), transform.astype(np.complex64)
    return _Spectrum(*single, length, int(skipped), n)


def in_frequency(pieces: list[EvenPiece]) -> PreparedRecording:
    up, down = _rate_change(pieces[0].rate_hz)
    rate_hz = pieces[0].rate_hz * up / down
    # Windows around beats reach into the zeros of the border; at the rim a QRS is cut off.
    border, rim = int(round(0.3 * rate_hz)), int(round(0.05 * rate_hz))
    # In units of its own, so that no gain of a recorder meets a smallest number of ours.
    unit = max(float(np.ptp(piece.samples)) for piece in pieces)
    parts, spectra, stop = [], [], 0
    for number, piece in enumerate(pieces):
        spectrum = _spectrum(piece, up, down, unit)
        index = np.arange(-border, spectrum.n + border)
        parts.append(
            (
                piece.start_s + index * (down / (up * piece.rate_hz)),
                (index >= rim) & (index < spectrum.n - rim),
                np.full(index.size, number),
            )
        )
        first, stop = stop + border, stop + index.size
        spectra.append((slice(first, first + spectrum.n), spectrum))
    axes = (np.concatenate(column) for column in zip(*parts, strict=True))
    return PreparedRecording(rate_hz, *axes, spectra)


def qrs_envelope(recording: PreparedRecording, band: Band) -> Trace:
    """Mean steepness in the band of the slope."""
    width = max(3, int(round(settings.ENVELOPE_S * recording.rate_hz)))
    envelope = np.zeros(recording.time_s.size, np.float32)
    for part, spectrum in recording.spectra:
        response = _band(spectrum.frequency_hz, *band.slope_hz)
        steepness = spectrum.through(np.complex64(2j * np.pi) * spectrum.frequency_hz * response)
        np.abs(steepness, out=steepness)
        ndimage.uniform_filter1d(steepness, width, output=envelope[part])
    return envelope


def qrs_waveform(recording: PreparedRecording, band: Band) -> Trace:
    waveform = np.zeros(recording.time_s.size, np.float32)
    for part, spectrum in recording.spectra:
        response = _band(spectrum.frequency_hz, *band.waveform_hz)
        waveform[part] = spectrum.through(response)
    return waveform


def filtered_traces(recording: PreparedRecording, band: Band) -> Traces:
    envelope, waveform = qrs_envelope(recording, band), qrs_waveform(recording, band)
    return Traces(**vars(recording), envelope=envelope, waveform=waveform)


def local_maxima(trace: Trace, reach: int) -> NDArray[np.int64]:
    """Samples that are the largest, and above zero, within `reach` samples on either side."""
    rises = trace[1:] >= trace[:-1]
    falls = np.append(trace[:-1] >= trace[1:], True)
    peaks = np.flatnonzero(np.concatenate(([True], rises)) & falls & (trace > 0))
    # Of a window, the largest sample is one of its peaks or lies at its rim.
    last, height = trace.size - 1, trace[peaks]
    highest = height >= trace[np.maximum(peaks - reach, 0)]
    highest &= height >= trace[np.minimum(peaks + reach, last)]
    for apart in range(1, peaks.size):
        near = peaks[apart:] - peaks[:-apart] <= reach
        if not near.any():
            break
        highest[apart:] &= ~(near & (height[:-apart] > height[apart:]))
        highest[:-apart] &= ~(near & (height[apart:] > height[:-apart]))
    maxima = peaks[highest]
    # Of equal neighbours on a plateau only the first counts.
    return maxima[np.diff(maxima, prepend=-reach - 1) > reach]


def running_quantile(
    time_s: Floats, series: Floats, quantile: float, *, at_s: Floats, reach_s: float
) -> Floats:
    """Quantile of the values within `reach_s`, found on a 1-s grid and interpolated to `at_s`."""
    grid_s = np.arange(at_s[0], at_s[-1] + 1.0, 1.0)
    first = np.searchsorted(time_s, grid_s - reach_s)
    count = np.searchsorted(time_s, grid_s + reach_s) - first
    known = count > 0
    if not known.any():
        return np.full(at_s.size, np.nan)
    first, count = first[known], count[known]
    column = np.arange(count.max())
    window = series[np.minimum(first[:, None] + column, series.size - 1)]
    window = np.sort(np.where(column < count[:, None], window, np.inf), axis=1)
    rank = quantile * (count - 1)
    below = rank.astype(int)
    row = np.arange(count.size)
    lower, upper = window[row, below], window[row, np.minimum(below + 1, count - 1)]
    return np.interp(at_s, grid_s[known], lower + (rank - below) * (upper - lower))


def windows(trace: Trace, centre: NDArray[np.int64], reach: int) -> Floats:
    return sliding_window_view(trace, 2 * reach + 1)[centre - reach]


def correlation_at_lags(trace: Trace, shape: Floats) -> Trace:
    """Sum of products of a shape of odd length, laid around each sample, with the trace there.

    The trace is continued by its mirror image. As `scipy.ndimage.correlate1d`, by matrices.
    """
    reach = shape.size // 2
    width = BLOCK + 2 * reach
    shifted = np.zeros((width, BLOCK))
    for column in range(BLOCK):
        shifted[column : column + shape.size, column] = shape
    n_blocks = -(-trace.size // BLOCK)
    padded = np.pad(trace, (reach, reach + n_blocks * BLOCK - trace.size), mode="symmetric")
    blocks = sliding_window_view(padded, width)[::BLOCK]
    correlation = np.empty((n_blocks, BLOCK), trace.dtype)
    for first in range(0, n_blocks, BLOCKS_AT_ONCE):
        several = slice(first, first + BLOCKS_AT_ONCE)
        correlation[several] = blocks[several].astype(float) @ shifted
    return correlation.ravel()[: trace.size]


def largest_within(trace: NDArray, reach: int) -> NDArray:
    """Largest value within `reach` samples of each: of windows that double in width."""
    largest = np.pad(trace, reach, constant_values=-np.inf)
    width, covered = 2 * reach + 1, 1
    while 2 * covered <= width:
        largest = np.maximum(largest[:-covered], largest[covered:])
        covered *= 2
    return np.maximum(largest[: trace.size], largest[width - covered :])


def unit_norm(waveform: Floats) -> Floats:
    centred = waveform - waveform.mean(axis=-1, keepdims=True)
    return centred / (np.linalg.norm(centred, axis=-1, keepdims=True) + 1e-12)
