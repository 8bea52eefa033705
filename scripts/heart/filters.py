"""Butterworth filters of order 2, run forwards and backwards so that nothing is delayed.

scipy.signal has both, but takes longer to load than a whole recording takes to filter.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

Floats = NDArray[np.float64]

BLOCK = 4096


class Filter(NamedTuple):
    """Recursion sum a[k] y[n - k] = sum b[k] x[n - k] with a[0] = 1; `a`, `b` equally long."""

    b: Floats
    a: Floats


def low_pass(cut_off_hz: float, rate_hz: float) -> Filter:
    """Butterworth low-pass of order 2; -3 dB at `cut_off_hz` each time that it is run.

    Bilinear transform with the cut-off warped to fit (Oppenheim & Schafer, Discrete-Time Signal
    Processing, chapter 7).
    """
    edge = _warped(cut_off_hz, rate_hz)
    pole = _digital(edge * np.exp(0.75j * np.pi))
    a = _with_roots(pole)
    return Filter(np.array([1.0, 2.0, 1.0]) * a.sum() / 4.0, a)


def band_pass(low_hz: float, high_hz: float, rate_hz: float) -> Filter:
    """Butterworth band-pass of order 2 at each edge; -3 dB at both each time that it is run.

    Made as `low_pass`, the poles moved to the band before the transform.
    """
    low, high = _warped(low_hz, rate_hz), _warped(high_hz, rate_hz)
    half = np.exp(0.75j * np.pi) * (high - low) / 2.0
    root = np.sqrt(half**2 - low * high)
    a = np.convolve(_with_roots(_digital(half + root)), _with_roots(_digital(half - root)))
    b = np.array([1.0, 0.0, -2.0, 0.0, 1.0])
    delays = np.exp(-2j * np.arctan(np.sqrt(low * high)) * np.arange(5))
    return Filter(b * abs(a @ delays) / abs(b @ delays), a)


def _warped(edge_hz: float, rate_hz: float) -> float:
    """An edge where the transform puts it right; ValueError where no sample can show it."""
    if not 0 < edge_hz < rate_hz / 2:
        raise ValueError(
            f"a filter at {edge_hz:g} Hz needs more than {2 * edge_hz:g} samples a second"
        )
    return float(np.tan(np.pi * edge_hz / rate_hz))


def _digital(pole: complex) -> complex:
    """A pole of a filter in continuous time carried to one in samples (bilinear transform)."""
    return (1.0 + pole) / (1.0 - pole)


def _with_roots(root: complex) -> Floats:
    """Coefficients of the real polynomial with this root and its conjugate."""
    return np.array([1.0, -2.0 * root.real, abs(root) ** 2])


def _run(recursion: Filter, series: Floats) -> Floats:
    """Filter as if the first value had stood there for ever.

    The recursion is a triangular system of few diagonals, solved in compiled code, block by block
    so that the diagonals need not be as long as the series.
    """
    b, a = recursion
    order = a.size - 1
    driven = np.convolve(series - series[0], b)[: series.size]
    bands = np.asfortranarray(np.repeat(a[:, None], BLOCK, axis=1))
    for start in range(0, series.size, BLOCK):
        block = driven[start : start + BLOCK]
        if start:
            before = np.convolve(driven[start - order : start], a)[order:]
            block[:order] -= before[: block.size]
        block[:] = dtbtrs(bands[:, : block.size], block, uplo="L", diag="U")[0]
    return driven + b.sum() / a.sum() * series[0]


def without_delay(recursion: Filter, samples: ArrayLike, *, margin: int) -> Floats:
    """`samples`, shape (n,), filtered forwards, then backwards; shape (n,).

    The series is continued by `margin` samples of itself, turned about each end, so that it does
    not begin with a jump (Gustafsson 1996, IEEE Trans Signal Process 44:988, compares the ways).
    Raises ValueError where there are no more samples than `margin`.
    """
    series = np.asarray(samples, dtype=float)
    if len(series) <= margin:
        raise ValueError(f"a margin of {margin} samples needs more than {len(series)} samples")
    before = 2.0 * series[0] - series[margin:0:-1]
    after = 2.0 * series[-1] - series[-2 : -margin - 2 : -1]
    filtered = _run(recursion, np.concatenate((before, series, after)))
    filtered = _run(recursion, filtered[::-1])[::-1]
    return filtered[margin : margin + len(series)]
