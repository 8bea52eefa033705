"""Ectopic beats too wide for the band of the QRS, sought in what long intervals still hold."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from heart.detection import settings
from heart.detection.arrays import Floats
from heart.detection.traces import Traces, windows


def wide_beats(traces: Traces, beats: NDArray[np.int64]) -> tuple[NDArray[np.int64], Floats]:
    """Beats too wide for the QRS band, at most one in each long interval, and their evidence.

    From the smoothed waveform of a long interval, the median wave after a beat and that before a
    beat, of up to 20 ordinary intervals nearby, are subtracted. What remains is compared with the
    height of the usual QRS and with what remains of those ordinary intervals.
    """
    intervals = np.diff(beats)
    if intervals.size < 10:
        return np.empty(0, np.int64), np.empty(0)
    usual = ndimage.median_filter(intervals, 15, mode="nearest")
    due = intervals / usual
    long = due > settings.LONG_INTERVAL
    long[1:] &= due[:-1] > settings.EARLY_INTERVAL
    unbroken = np.diff(traces.piece[beats]) == 0
    # Where the QRS of either beat ends, generously.
    clear = int(round(0.18 * traces.rate_hz))
    long &= unbroken & (intervals <= 4 * usual) & (intervals > 2 * clear)
    ordinary = np.flatnonzero(unbroken & (np.abs(due - 1.0) < 0.2))
    if not long.any() or ordinary.size < 5:
        return np.empty(0, np.int64), np.empty(0)
    smooth = ndimage.gaussian_filter1d(traces.waveform, 0.015 * traces.rate_hz)
    qrs = np.abs(windows(smooth, beats, int(round(0.05 * traces.rate_hz)))).max(axis=1)
    beyond, evidence = [], []
    for number in np.flatnonzero(long):
        n_after, n_before = int(0.7 * usual[number]), int(0.3 * usual[number])
        middle = np.searchsorted(ordinary, number)
        near = ordinary[max(0, middle - 10) : middle + 10]
        after = smooth[beats[near, None] + np.arange(n_after)]
        before = smooth[beats[near + 1, None] - np.arange(n_before, 0, -1)]
        wave_after, wave_before = np.median(after, axis=0), np.median(before, axis=0)
        noise = np.maximum(
            np.abs(after - wave_after)[:, clear:].max(axis=1, initial=0.0),
            np.abs(before - wave_before)[:, : max(n_before - clear, 0)].max(axis=1, initial=0.0),
        )
        remainder = smooth[beats[number] : beats[number + 1]].copy()
        remainder[:n_after] -= wave_after
        remainder[remainder.size - n_before :] -= wave_before
        height = np.abs(remainder[clear : remainder.size - clear])
        top = int(np.argmax(height))
        in_noise = settings.REMAINDER_NOISE * np.quantile(noise, 0.75)
        if height[top] > max(settings.REMAINDER_SHARE * np.median(qrs[near]), in_noise):
            beyond.append(beats[number] + clear + top)
            # Its size tells a beat from an artefact of the own waves, the noise alone how surely.
            evidence.append(settings.STANDING_OUT_GAIN * np.log(height[top] / in_noise))
    return np.array(beyond, np.int64), np.minimum(evidence, settings.STANDING_OUT_MOST)
