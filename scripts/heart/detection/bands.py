"""The band through which each part of a recording is seen: that of a QRS, or the higher one in
which it outlasts footfalls and moving electrodes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from heart.detection import settings
from heart.detection.arrays import Floats
from heart.detection.evidence import usual_and_noise
from heart.detection.peaks import FirstPass, Peaks, find_peaks, first_pass, learned_shapes
from heart.detection.qrs_template import qrs_template
from heart.detection.settings import STEEP, USUAL
from heart.detection.traces import (
    PreparedRecording,
    Traces,
    filtered_traces,
    largest_within,
    qrs_envelope,
    qrs_waveform,
    running_quantile,
    windows,
)


@dataclass(frozen=True)
class SecondPass:
    """What the second pass goes by: traces, first pass, and what is known of the shapes.

    `likeness` to the own shapes, `like_a_footfall` (more than like a beat) and `unsettled` (it is
    unknown which of two trains is the heart) have one value per sample.
    """

    traces: Traces
    first: FirstPass
    shapes: list[Floats]
    likeness: Floats
    like_a_footfall: NDArray[np.bool_]
    unsettled: NDArray[np.bool_]


def _lasting_peaks(
    recording: PreparedRecording,
    peaks: Peaks,
    chosen: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """`chosen` peaks if a run of them lasts as long as footfalls do, else none."""
    peak_s = recording.time_s[peaks.at]
    edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False))
    runs_s = peak_s[edges[1::2] - 1] - peak_s[edges[::2]]
    return chosen & (runs_s.max(initial=0.0) >= settings.FOOTFALL_STRETCH_S)


def _crowded_peaks(recording: PreparedRecording, peaks: Peaks) -> NDArray[np.bool_]:
    """Peaks among which complexes crowd and come more often than hearts beat, for long."""
    among = peaks.crowded_share >= settings.CROWDED_FROM
    among &= peaks.rate_hz >= settings.FOOTFALL_RATE_HZ
    return _lasting_peaks(recording, peaks, among)


def _footfalls(traces: Traces, peaks: Peaks) -> NDArray[np.bool_]:
    """Peaks among which two trains of complexes run, of which one must be footfalls.

    Of two strong peaks closer together than beats both are like shapes that recur; noise that comes
    close to a beat is like nothing else.
    """
    among = _crowded_peaks(traces, peaks)
    if not among.any():
        return among
    strong = peaks.at[peaks.is_strong]
    close = np.flatnonzero(np.diff(traces.time_s[strong]) < settings.SHORTEST_INTERVAL_S)
    _, likeness = learned_shapes(traces, strong)
    near = int(round(0.05 * traces.rate_hz))
    recurring = windows(likeness, strong, near).max(axis=1) > settings.RECURRING_LIKENESS
    both = recurring[close] & recurring[close + 1]
    return among & (both.mean() >= settings.RECURRING_SHARE)


def prepare_second_pass(recording: PreparedRecording) -> SecondPass | None:
    """None where no beat stands out."""
    traces = filtered_traces(recording, USUAL)
    first = first_pass(traces, USUAL)
    if first is None:
        return None
    footfalls = _footfalls(traces, first)
    if footfalls.any():
        return _among_footfalls(traces, filtered_traces(recording, STEEP), first, footfalls)
    often = _lasting_peaks(recording, first, first.rate_hz >= settings.SLOWEST_STEPS_HZ)
    if often.any():
        # Footfalls much higher than the QRS hide it in the usual band.
        envelope = qrs_envelope(recording, STEEP)
        peaks = find_peaks(recording, envelope, STEEP)
        if peaks is not None and _crowded_peaks(recording, peaks).any():
            steep = replace(traces, envelope=envelope, waveform=qrs_waveform(recording, STEEP))
            footfalls = _footfalls(steep, peaks)
            steep_pass = first_pass(steep, STEEP) if footfalls.any() else None
            if steep_pass is not None:
                return _among_footfalls(traces, steep, steep_pass, footfalls)
    return _in_noise(recording, traces, first)


def _in_noise(recording: PreparedRecording, traces: Traces, first: FirstPass) -> SecondPass | None:
    """The recording with its higher band where noise is strong in the usual one, weaker there, and
    beats are there as much like each other. So it is with a moving electrode, and not with muscle
    activity.
    """
    n = traces.time_s.size
    among = nowhere = np.zeros(n, bool)
    shapes, likeness = learned_shapes(traces, first.beats)
    if not shapes:
        return None
    grid = np.arange(0, n, int(traces.rate_hz))
    noise = _noise_ratio(traces, first.beats, grid)
    noisy = noise > settings.NOISY_FROM
    if noisy.any():
        steep = filtered_traces(recording, STEEP)
        noisy &= _noise_ratio(steep, first.beats, grid) < settings.QUIETER_BELOW * noise
    if noisy.any():
        _, steep_likeness = learned_shapes(steep, first.beats)
        noisy &= _usual_likeness(traces, first.beats, grid, steep_likeness) > (
            _usual_likeness(traces, first.beats, grid, likeness)
        )
        among = _around(
            grid, largest_within(noisy.astype(float), int(settings.QUIETER_MARGIN_S)), n
        )
    if not among.any():
        return SecondPass(traces, first, shapes, likeness, nowhere, nowhere)
    seen = _joined_traces(traces, steep, among, first.beats)
    seen_pass = first_pass(seen, USUAL)
    if seen_pass is None:
        return None
    steep_shapes, steep_likeness = learned_shapes(steep, seen_pass.beats)
    likeness = np.where(among, steep_likeness, likeness)
    return SecondPass(seen, seen_pass, [*shapes, *steep_shapes], likeness, nowhere, nowhere)


def _usual_likeness(
    traces: Traces,
    beats: NDArray[np.int64],
    at: NDArray[np.int64],
    likeness: Floats,
) -> Floats:
    """Median likeness of the beats around the samples `at`."""
    time_s, near = traces.time_s, int(round(0.05 * traces.rate_hz))
    of_beats = windows(likeness, beats, near).max(axis=1)
    reach_s = settings.NOISE_REACH_S
    return running_quantile(time_s[beats], of_beats, 0.5, at_s=time_s[at], reach_s=reach_s)


def _noise_ratio(traces: Traces, beats: NDArray[np.int64], at: NDArray[np.int64]) -> Floats:
    """Strength of what lies between beats over the strength of beats, around the samples `at`."""
    usual, noise = usual_and_noise(traces, beats, traces.time_s[at])
    return noise / usual


def _joined_traces(
    traces: Traces, steep: Traces, among: NDArray[np.bool_], beats: NDArray[np.int64]
) -> Traces:
    """The steep traces where `among` says so, scaled to the usual ones by these beats."""
    gain = np.median(traces.envelope[beats]) / np.median(steep.envelope[beats])
    return replace(
        traces,
        envelope=np.where(among, gain * steep.envelope, traces.envelope),
        waveform=np.where(among, gain * steep.waveform, traces.waveform),
    )


def _among_footfalls(
    traces: Traces,
    steep: Traces,
    first: FirstPass,
    footfalls: NDArray[np.bool_],
) -> SecondPass | None:
    """The recording with its higher band among footfalls; everywhere if no beats stand alone."""
    n = traces.time_s.size
    alone = first.alone()
    settled = alone.size >= settings.UNCROWDED_BEATS
    among = _around(first.at, footfalls, n) if settled else np.ones(n, bool)
    seen = _joined_traces(traces, steep, among, alone) if settled else steep
    first = first_pass(seen, USUAL if settled else STEEP)
    if first is None:
        return None
    own_beats = first.alone() if settled else first.beats
    own_shapes, own_likeness = learned_shapes(steep, own_beats)
    if not own_shapes:
        return None
    like_a_footfall, unsettled = np.zeros((2, n), bool)
    if settled:
        crowded = _crowded_peaks(seen, first)
        strong = first.at[crowded & first.is_strong]
        like_a_footfall = _like_a_footfall(steep, strong, own_likeness)
        like_a_footfall &= _around(first.at, crowded, n)
        shapes, likeness = learned_shapes(traces, first.beats[~among[first.beats]])
        likeness = np.where(among, own_likeness, likeness)
    else:
        unsettled = _around(first.at, _footfalls(seen, first), n)
        shape = qrs_template(traces, own_beats)
        shapes, likeness = [] if shape is None else [shape], own_likeness
    # The first shape says which point of a beat is its time: the QRS in its usual band.
    return SecondPass(seen, first, [*shapes, *own_shapes], likeness, like_a_footfall, unsettled)


def _around(peaks: NDArray[np.int64], chosen: NDArray, n_samples: int) -> NDArray:
    """Samples that lie nearer to a chosen peak than to another."""
    return np.interp(np.arange(n_samples), peaks, chosen.astype(float)) > 0.5


def _like_a_footfall(
    traces: Traces, peaks: NDArray[np.int64], own_likeness: Floats
) -> NDArray[np.bool_]:
    """Samples more like a shape that recurs among `peaks` than like the own QRS."""
    near = int(round(0.05 * traces.rate_hz))
    like_own = largest_within(own_likeness, near)
    unlike = peaks[like_own[peaks] < settings.UNLIKE_OWN_BELOW]
    if unlike.size < settings.FEWEST_FOOTFALLS:
        return np.zeros(like_own.size, bool)
    _, likeness = learned_shapes(traces, unlike)
    return largest_within(likeness, near) > like_own
