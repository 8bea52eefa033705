"""Candidate beats: peaks of the envelope, with their strength and shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from heart.detection import settings
from heart.detection.arrays import Floats, Trace
from heart.detection.evidence import first_evidence
from heart.detection.interval_chain import chain_margins
from heart.detection.qrs_template import local_norm, qrs_template
from heart.detection.settings import Band
from heart.detection.traces import (
    PreparedRecording,
    Traces,
    correlation_at_lags,
    local_maxima,
    windows,
)


def learned_shapes(traces: Traces, beats: NDArray[np.int64]) -> tuple[list[Floats], Floats]:
    """The waveforms that recur among the beats, commonest first, and the likeness to any of them.

    A further shape must recur (8 beats and 1 %), be as strong as beats are, and be one shape.
    """
    shapes: list[Floats] = []
    likeness = np.full(traces.time_s.size, -1.0)
    height, near = np.empty(0), int(round(0.05 * traces.rate_hz))
    strong = beats[traces.envelope[beats] > 0.5 * np.median(traces.envelope[beats])]
    unlike, enough = beats, 3
    for _ in range(settings.MOST_SHAPES):
        if unlike.size < enough:
            break
        shape = qrs_template(traces, unlike)
        if shape is None:
            break
        if not shapes:
            height = local_norm(traces.waveform, shape.size)
        like_shape = correlation_at_lags(traces.waveform, shape) / height
        if shapes:
            alike = windows(like_shape, unlike, near).max(axis=1) > 0.85
            if alike.sum() < enough or alike.mean() < 0.3:
                break
        shapes.append(shape)
        np.maximum(likeness, like_shape, out=likeness)
        best = windows(likeness, strong, near).max(axis=1)
        unlike, enough = strong[best < settings.ANOTHER_SHAPE_BELOW], max(8, 0.01 * beats.size)
    return shapes, likeness


@dataclass(frozen=True)
class Peaks:
    """Peaks of the envelope (sample numbers), what speaks for each, and how they crowd."""

    at: NDArray[np.int64]
    evidence: Floats
    level: Floats
    is_strong: NDArray[np.bool_]
    crowded_share: Floats
    rate_hz: Floats


@dataclass(frozen=True)
class FirstPass(Peaks):
    """Peaks, and which of them the first chain joins."""

    is_beat: NDArray[np.bool_]

    @property
    def beats(self) -> NDArray[np.int64]:
        return self.at[self.is_beat]

    def alone(self) -> NDArray[np.int64]:
        """Beats that nothing crowds."""
        return self.at[self.is_beat & (self.crowded_share < settings.UNCROWDED_BELOW)]


def candidate_spacing(recording: PreparedRecording) -> int:
    return int(round(settings.CANDIDATE_SPACING_S * recording.rate_hz))


def find_peaks(recording: PreparedRecording, envelope: Trace, band: Band) -> Peaks | None:
    """None where fewer than three peaks stand out."""
    at = local_maxima(np.where(recording.inside, envelope, 0.0), candidate_spacing(recording))
    if at.size < 3:
        return None
    evidence, level = first_evidence(recording.time_s[at], envelope[at])
    is_strong = envelope[at] > band.crowding_level * level
    crowding = _crowding(recording.time_s[at], is_strong)
    return Peaks(at, evidence, level, is_strong, *crowding)


def first_pass(traces: Traces, band: Band) -> FirstPass | None:
    """None where no beat stands out."""
    peaks = find_peaks(traces, traces.envelope, band)
    if peaks is None:
        return None
    at = peaks.at
    margin = chain_margins(traces.time_s[at], peaks.evidence, traces.piece[at])
    return FirstPass(**vars(peaks), is_beat=margin > 0) if (margin > 0).any() else None


def _crowding(peak_s: Floats, is_strong: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Around each peak: share of strong peaks closer together than beats can be; rate (Hz) of all.

    Strong: above `crowding_level` times the local level.
    """
    strong_s = peak_s[is_strong]
    close = np.diff(strong_s) < settings.SHORTEST_INTERVAL_S
    close = np.append(close, False) | np.concatenate(([False], close))
    n_close = np.concatenate(([0], np.cumsum(close)))
    reach_s = settings.CROWDING_REACH_S
    first = np.searchsorted(strong_s, peak_s - reach_s)
    stop = np.searchsorted(strong_s, peak_s + reach_s)
    share = (n_close[stop] - n_close[first]) / np.maximum(stop - first, 1)
    span_s = np.minimum(peak_s + reach_s, peak_s[-1]) - np.maximum(peak_s - reach_s, peak_s[0])
    return share, (stop - first) / np.maximum(span_s, 1.0)
