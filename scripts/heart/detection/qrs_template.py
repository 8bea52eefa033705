"""The recording's own QRS: a median waveform learned from beats already found."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from heart.detection.arrays import Floats, Trace
from heart.detection.traces import Traces, unit_norm, windows


def qrs_template(traces: Traces, beats: NDArray[np.int64]) -> Floats | None:
    """Median QRS (unit norm, zero mean) of the beats, aligned by correlation (Woody 1967).

    Zero lag is the main deflection; None where fewer than three beats can be averaged.
    """
    rate_hz, waveform = traces.rate_hz, traces.waveform
    reach, shift = int(round(0.07 * rate_hz)), int(round(0.04 * rate_hz))
    border = reach + shift + 1
    beats = beats[(beats > 2 * border) & (beats < waveform.size - 2 * border - 1)]
    beats = beats[:: max(1, beats.size // 600)]
    if beats.size < 3:
        return None
    window = windows(waveform, beats, reach)
    height = np.abs(window).max(axis=1)
    usual = height < 3 * np.median(height)
    extremes = window[usual].max(axis=1) + window[usual].min(axis=1)
    sign = 1.0 if np.median(extremes) >= 0 else -1.0
    beats = beats - reach + np.argmax(sign * window, axis=1)
    for _ in range(4):
        beats = beats[(beats > border) & (beats < waveform.size - border - 1)]
        if beats.size < 3:
            return None
        unit = unit_norm(windows(waveform, beats, reach))
        template = unit_norm(np.median(unit, axis=0))
        likeness = unit @ template
        template = unit_norm(np.median(unit[likeness >= np.quantile(likeness, 0.4)], axis=0))
        wide = windows(waveform, beats, reach + shift)
        lagged = np.lib.stride_tricks.sliding_window_view(wide, 2 * reach + 1, axis=1) @ template
        beats = np.unique(beats - shift + np.argmax(lagged, axis=1))
    beats = beats[(beats > border) & (beats < waveform.size - border - 1)]
    main = int(np.argmax(np.abs(template[reach - shift : reach + shift + 1]))) - shift
    if main:
        beats = beats + main
        unit = unit_norm(windows(waveform, beats, reach))
        template = unit_norm(np.median(unit, axis=0))
    return template


def local_norm(trace: Trace, n: int) -> Floats:
    """Norm of the `n` samples around each, for a correlation; at least a part of the usual one."""
    mean = ndimage.uniform_filter1d(trace, n)
    energy = ndimage.uniform_filter1d(trace * trace, n) - mean * mean
    energy *= n
    sampled = energy[::5]
    sampled = sampled[sampled > 0]
    floor = 0.1 * np.median(sampled) if sampled.size else 1.0
    return np.sqrt(np.maximum(energy, floor))
