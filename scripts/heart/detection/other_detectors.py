"""Detectors of other libraries: a second opinion on every beat."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from heart.detection.arrays import Floats
from heart.detection.detector import detect_beats
from heart.detection.even_pieces import even_pieces


def _in_pieces(
    detector: Callable[[Floats, float], ArrayLike], time_s: ArrayLike, ecg_mv: ArrayLike
) -> Floats:
    """Beat times (s) of a detector that takes even samples and a rate and gives sample numbers."""
    found = [
        piece.start_s + np.asarray(detector(piece.samples, piece.rate_hz), float) / piece.rate_hz
        for piece in even_pieces(time_s, ecg_mv, shortest_s=3.0)
        if np.ptp(piece.samples) > 0
    ]
    return np.concatenate(found) if found else np.empty(0)


def _sleepecg(samples: Floats, rate_hz: float) -> ArrayLike:
    from sleepecg import detect_heartbeats

    return detect_heartbeats(samples, rate_hz)


def detect_with(name: str, time_s: ArrayLike, ecg_mv: ArrayLike) -> Floats:
    """Beat times (s) of one lead by the detector `name`, for comparison.

    `own` is `detect_beats`, `sleepecg` the detector of that library (Brunner et al. 2023, J Open
    Source Softw 8:5411), any other name a method of neurokit2's `ecg_peaks` (Makowski et al. 2021,
    Behav Res Methods 53:1689-1696). Raises ValueError where neurokit2 does not know the name.
    """
    if name == "own":
        return detect_beats(time_s, ecg_mv)["time_s"].to_numpy()
    if name == "sleepecg":
        return _in_pieces(_sleepecg, time_s, ecg_mv)

    def neurokit(samples: Floats, rate_hz: float) -> ArrayLike:
        import neurokit2

        rate = int(round(rate_hz))
        try:
            cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate, method=name)
        except ValueError:
            # a method of finding peaks that brings no cleaning of its own
            cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate)
        peaks = neurokit2.ecg_peaks(cleaned, sampling_rate=rate, method=name)[1]["ECG_R_Peaks"]
        # The library counts in whole hertz; the true rate turns its samples into seconds.
        return np.asarray(peaks)

    return _in_pieces(neurokit, time_s, ecg_mv)


second_detector = "sleepecg"
