"""Detectors of other libraries: a second opinion on every beat."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from importlib import util
from importlib.machinery import PathFinder
from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike

from heart.detection.arrays import Floats
from heart.detection.detector import detect_beats
from heart.detection.even_pieces import EvenPiece, even_pieces
from heart.filters import band_pass, without_delay

SECOND_DETECTOR = "sleepecg"


def _in_pieces(
    detector: Callable[[Floats, float], ArrayLike], pieces: Sequence[EvenPiece]
) -> Floats:
    """Beat times (s) of a detector that takes even samples and a rate and gives sample numbers."""
    times_s = [
        piece.start_s + np.asarray(detector(piece.samples, piece.rate_hz), float) / piece.rate_hz
        for piece in pieces
        if piece.samples.size >= 3 * piece.rate_hz and np.ptp(piece.samples) > 0
    ]
    return np.concatenate(times_s) if times_s else np.empty(0)


@cache
def _compiled_part(library: str, module: str) -> ModuleType:
    """A compiled module of a library, without what the library loads beside it."""
    folders = util.find_spec(library).submodule_search_locations
    spec = PathFinder.find_spec(f"{library}.{module}", folders)
    compiled = util.module_from_spec(spec)
    spec.loader.exec_module(compiled)
    return compiled


def _sleepecg(samples: Floats, rate_hz: float) -> ArrayLike:
    """`sleepecg.detect_heartbeats`; loading the library costs more than ten of its detections."""
    compiled = _compiled_part("sleepecg", "_heartbeat_detection")
    first = int(np.argmax(samples != samples[0])) if samples[1] == samples[0] else 0
    filtered = without_delay(band_pass(5.0, 30.0, rate_hz), samples[first:], margin=15)
    slope = np.correlate(filtered, np.array([-1, -2, 0, 2, 1]), mode="same")
    power = compiled._squared_moving_integration(slope, int(0.15 * rate_hz))
    return first + np.flatnonzero(compiled._thresholding(filtered, power, rate_hz))


def _neurokit(name: str, samples: Floats, rate_hz: float) -> ArrayLike:
    import neurokit2

    # The library counts in whole hertz; the true rate turns its samples into seconds.
    rate = int(round(rate_hz))
    try:
        cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate, method=name)
    except ValueError:
        # a method of finding peaks that brings no cleaning of its own
        cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate)
    return neurokit2.ecg_peaks(cleaned, sampling_rate=rate, method=name)[1]["ECG_R_Peaks"]


def detect_with(name: str, time_s: ArrayLike, ecg_mv: ArrayLike) -> Floats:
    """Beat times (s) of one lead by the detector `name`, for comparison.

    `own` is `detect_beats`, `sleepecg` the detector of that library (Brunner et al. 2023, J Open
    Source Softw 8:5411), any other name a method of neurokit2's `ecg_peaks` (Makowski et al. 2021,
    Behav Res Methods 53:1689-1696). Raises ValueError where neurokit2 does not know the name.
    """
    if name == "own":
        return detect_beats(time_s, ecg_mv)["time_s"].to_numpy()
    return detect_in(name, even_pieces(time_s, ecg_mv))


def detect_in(name: str, pieces: Sequence[EvenPiece]) -> Floats:
    """The same for another detector than `own` in even pieces of a lead."""
    if name == "sleepecg":
        return _in_pieces(_sleepecg, pieces)
    return _in_pieces(lambda samples, rate_hz: _neurokit(name, samples, rate_hz), pieces)
