"""The time of each beat between samples, by correlation with the own waveform."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from heart.detection.arrays import Floats
from heart.detection.same_point import to_the_same_point
from heart.detection.traces import Traces, unit_norm, windows

# Below this correlation a beat is not of a shape at all and is placed by its own waveform.
ALIKE = 0.6


def place_beats(
    traces: Traces, beats: NDArray[np.int64], shapes: list[Floats]
) -> tuple[Floats, Floats, list[float]]:
    """Times (s) between samples, correlation with the normal QRS, and times (s) at which the
    recording is parted, because the same point of the beat is unknown from there on.

    A beat like one of the recurring shapes is placed by correlation with the mean of its like, at
    that shape's main deflection; any other at its own largest deflection.
    """
    if beats.size == 0:
        return np.empty(0), np.empty(0), []
    templates, likeness, shift_to = _laid_on_shapes(traces, beats, shapes)
    row, shift = np.arange(beats.size), _farthest(traces)
    # The own QRS has the first claim on a beat.
    kind = np.argmax(likeness - np.where(np.arange(len(shapes)) > 0, 0.1, 0.0)[:, None], axis=0)
    usual, mark = [0], [_main_deflection(templates[0])]
    for number in range(1, len(shapes)):
        mark.append(_main_deflection(templates[number]))
        if _in_time(traces.time_s[beats], kind == number):
            usual.append(number)
            # The same point of the beat as in the own QRS: where that fits best, on average.
            between = np.median((shift_to[0] - shift_to[number])[kind == number])
            mark[number] = mark[0] + between
    offset = shift_to[kind, row] + np.asarray(mark)[kind]
    like_usual = np.flatnonzero(likeness[usual].max(axis=0) >= ALIKE)
    marks = np.rint(beats + offset).astype(np.int64)[like_usual]
    moved, parted = to_the_same_point(traces, marks)
    if moved.any():
        # the commonest shape is marked at its own main deflection
        moved -= np.median(moved[kind[like_usual] == 0])
    offset[like_usual] += moved
    unlike = likeness.max(axis=0) < ALIKE
    if unlike.any():
        height = np.abs(windows(traces.waveform, beats[unlike], 2 * shift))
        top = np.clip(np.argmax(height, axis=1), 1, 4 * shift - 1)
        offset[unlike] = top - 2 * shift + _vertex(height, top)
    beat_s = np.interp(beats + offset, np.arange(traces.time_s.size), traces.time_s)
    first_after = beat_s[like_usual[parted]]
    parted_s = [float(moment_s) for moment_s in first_after - 0.01]
    return beat_s, np.clip(likeness[usual].max(axis=0), -1.0, 1.0), parted_s


def _farthest(traces: Traces) -> int:
    """By how many samples a beat is moved at most."""
    return int(round(0.03 * traces.rate_hz))


def _laid_on_shapes(
    traces: Traces, beats: NDArray[np.int64], shapes: list[Floats]
) -> tuple[list[Floats], Floats, Floats]:
    """Mean waveform of the beats like each shape; likeness of each beat to it, and samples by which
    the beat is moved for that (shapes, beats).
    """
    reach, shift = shapes[0].size // 2, _farthest(traces)
    wide = windows(traces.waveform, beats, reach + shift)
    lagged = np.lib.stride_tricks.sliding_window_view(wide, 2 * reach + 1, axis=1)
    row = np.arange(beats.size)
    likeness, shift_to = np.zeros((2, len(shapes), beats.size))
    templates = list(shapes)
    for number in range(len(shapes)):
        for _ in range(2):
            product = lagged @ templates[number]
            lag = np.clip(np.argmax(product, axis=1), 1, 2 * shift - 1)
            aligned = unit_norm(lagged[row, lag])
            likeness[number] = aligned @ templates[number]
            like = likeness[number] >= ALIKE
            if like.sum() >= 3:
                templates[number] = unit_norm(np.median(aligned[like], axis=0))
        shift_to[number] = lag - shift - reach + _vertex(product, lag)
    return templates, likeness, shift_to


def _in_time(beat_s: Floats, present: NDArray[np.bool_]) -> bool:
    """Whether beats of a shape come when due: another posture or conduction, not ectopic beats."""
    if present.sum() < 3:
        return False
    intervals_s = np.diff(beat_s)
    due = intervals_s / ndimage.median_filter(intervals_s, 9, mode="nearest")
    return bool(0.9 <= np.median(due[present[1:]]) <= 1.1)


def _vertex(curve: Floats, top: NDArray[np.int64]) -> Floats:
    """Vertex of the parabola through three samples around each row's `top`, relative to it."""
    row = np.arange(top.size)
    before, middle, after = (curve[row, top + k] for k in (-1, 0, 1))
    curvature = np.minimum(before - 2 * middle + after, -1e-12)
    return np.clip(0.5 * (before - after) / curvature, -1.0, 1.0)


def _main_deflection(template: Floats) -> float:
    """Place of the largest deflection of a template, between samples."""
    height = np.abs(template)[None, :]
    top = np.clip(np.argmax(height, axis=1), 1, template.size - 2)
    return float((top + _vertex(height, top))[0])
