"""The band through which each part of a recording is seen: that of a QRS, or the higher one in
which it outlasts footfalls and moving electrodes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from heart.detection.arrays import Floats
from heart.detection.evidence import usual_and_noise
from heart.detection.peaks import FirstPass, Peaks, find_peaks, first_pass, learned_shapes
from heart.detection.qrs_template import qrs_template
from heart.detection.settings import DetectorSettings
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
    settings: DetectorSettings,
) -> NDArray[np.bool_]:
    """`chosen` peaks if a run of them lasts as long as footfalls do, else none."""
    peak_s = recording.time_s[peaks.at]
    edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False))
    runs_s = peak_s[edges[1::2] - 1] - peak_s[edges[::2]]
    return chosen & (runs_s.max(initial=0.0) >= settings.footfall_stretch_s)


def _crowded_peaks(
    recording: PreparedRecording, peaks: Peaks, settings: DetectorSettings
) -> NDArray[np.bool_]:
    """Peaks among which complexes crowd and come more often than hearts beat, for long."""
    among = peaks.crowded_share >= settings.crowded_from
    among &= peaks.rate_hz >= settings.footfall_rate_hz
    return _lasting_peaks(recording, peaks, among, settings)


def _footfalls(traces: Traces, peaks: Peaks, settings: DetectorSettings) -> NDArray[np.bool_]:
    """Peaks among which two trains of complexes run, of which one must be footfalls.

    Of two strong peaks closer together than beats both are like shapes that recur; noise that comes
    close to a beat is like nothing else.
    """
    among = _crowded_peaks(traces, peaks, settings)
    if not among.any():
        return among
    strong = peaks.at[peaks.is_strong]
    close = np.flatnonzero(np.diff(traces.time_s[strong]) < settings.shortest_interval_s)
    _, likeness = learned_shapes(traces, strong, settings)
    near = int(round(0.05 * traces.rate_hz))
    recurring = windows(likeness, strong, near).max(axis=1) > settings.recurring_likeness
    both = recurring[close] & recurring[close + 1]
    return among & (both.mean() >= settings.recurring_share)


def prepare_second_pass(
    recording: PreparedRecording, settings: DetectorSettings
) -> SecondPass | None:
    """None where no beat stands out."""
    traces = filtered_traces(recording, settings)
    first = first_pass(traces, settings)
    if first is None:
        return None
    footfalls = _footfalls(traces, first, settings)
    if footfalls.any():
        return _among_footfalls(
            traces, filtered_traces(recording, settings.steep()), first, footfalls, settings
        )
    often = _lasting_peaks(recording, first, first.rate_hz >= settings.slowest_steps_hz, settings)
    if often.any():
        # Footfalls much higher than the QRS hide it in the usual band.
        envelope = qrs_envelope(recording, settings.steep())
        peaks = find_peaks(recording, envelope, settings.steep())
        if peaks is not None and _crowded_peaks(recording, peaks, settings).any():
            steep = replace(
                traces, envelope=envelope, waveform=qrs_waveform(recording, settings.steep())
            )
            footfalls = _footfalls(steep, peaks, settings)
            steep_pass = first_pass(steep, settings.steep()) if footfalls.any() else None
            if steep_pass is not None:
                return _among_footfalls(traces, steep, steep_pass, footfalls, settings)
    return _in_noise(recording, traces, first, settings)


def _in_noise(
    recording: PreparedRecording, traces: Traces, first: FirstPass, settings: DetectorSettings
) -> SecondPass | None:
    """The recording with its higher band where noise is strong in the usual one, weaker there, and
    beats are there as much like each other. So it is with a moving electrode, and not with muscle
    activity.
    """
    n = traces.time_s.size
    among = nowhere = np.zeros(n, bool)
    shapes, likeness = learned_shapes(traces, first.beats, settings)
    if not shapes:
        return None
    grid = np.arange(0, n, int(traces.rate_hz))
    noise = _noise_ratio(traces, first.beats, grid, settings)
    noisy = noise > settings.noisy_from
    if noisy.any():
        steep = filtered_traces(recording, settings.steep())
        noisy &= _noise_ratio(steep, first.beats, grid, settings) < settings.quieter_below * noise
    if noisy.any():
        _, steep_likeness = learned_shapes(steep, first.beats, settings)
        noisy &= _usual_likeness(traces, first.beats, grid, steep_likeness, settings) > (
            _usual_likeness(traces, first.beats, grid, likeness, settings)
        )
        among = _around(
            grid, largest_within(noisy.astype(float), int(settings.quieter_margin_s)), n
        )
    if not among.any():
        return SecondPass(traces, first, shapes, likeness, nowhere, nowhere)
    seen = _joined_traces(traces, steep, among, first.beats)
    seen_pass = first_pass(seen, settings)
    if seen_pass is None:
        return None
    steep_shapes, steep_likeness = learned_shapes(steep, seen_pass.beats, settings)
    likeness = np.where(among, steep_likeness, likeness)
    return SecondPass(seen, seen_pass, [*shapes, *steep_shapes], likeness, nowhere, nowhere)


def _usual_likeness(
    traces: Traces,
    beats: NDArray[np.int64],
    at: NDArray[np.int64],
    likeness: Floats,
    settings: DetectorSettings,
) -> Floats:
    """Median likeness of the beats around the samples `at`."""
    time_s, near = traces.time_s, int(round(0.05 * traces.rate_hz))
    of_beats = windows(likeness, beats, near).max(axis=1)
    reach_s = settings.noise_reach_s
    return running_quantile(time_s[beats], of_beats, 0.5, at_s=time_s[at], reach_s=reach_s)


def _noise_ratio(
    traces: Traces, beats: NDArray[np.int64], at: NDArray[np.int64], settings: DetectorSettings
) -> Floats:
    """Strength of what lies between beats over the strength of beats, around the samples `at`."""
    usual, noise = usual_and_noise(traces, beats, traces.time_s[at], settings)
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
    settings: DetectorSettings,
) -> SecondPass | None:
    """The recording with its higher band among footfalls; everywhere if no beats stand alone."""
    n = traces.time_s.size
    alone = first.alone(settings)
    settled = alone.size >= settings.uncrowded_beats
    among = _around(first.at, footfalls, n) if settled else np.ones(n, bool)
    seen = _joined_traces(traces, steep, among, alone) if settled else steep
    if not settled:
        settings = settings.steep()
    first = first_pass(seen, settings)
    if first is None:
        return None
    own_beats = first.alone(settings) if settled else first.beats
    own_shapes, own_likeness = learned_shapes(steep, own_beats, settings)
    if not own_shapes:
        return None
    like_a_footfall, unsettled = np.zeros((2, n), bool)
    if settled:
        crowded = _crowded_peaks(seen, first, settings)
        strong = first.at[crowded & first.is_strong]
        like_a_footfall = _like_a_footfall(steep, strong, own_likeness, settings)
        like_a_footfall &= _around(first.at, crowded, n)
        shapes, likeness = learned_shapes(traces, first.beats[~among[first.beats]], settings)
        likeness = np.where(among, own_likeness, likeness)
    else:
        unsettled = _around(first.at, _footfalls(seen, first, settings), n)
        shape = qrs_template(traces, own_beats)
        shapes, likeness = [] if shape is None else [shape], own_likeness
    # The first shape says which point of a beat is its time: the QRS in its usual band.
    return SecondPass(seen, first, [*shapes, *own_shapes], likeness, like_a_footfall, unsettled)


def _around(peaks: NDArray[np.int64], chosen: NDArray, n_samples: int) -> NDArray:
    """Samples that lie nearer to a chosen peak than to another."""
    return np.interp(np.arange(n_samples), peaks, chosen.astype(float)) > 0.5


def _like_a_footfall(
    traces: Traces, peaks: NDArray[np.int64], own_likeness: Floats, settings: DetectorSettings
) -> NDArray[np.bool_]:
    """Samples more like a shape that recurs among `peaks` than like the own QRS."""
    near = int(round(0.05 * traces.rate_hz))
    like_own = largest_within(own_likeness, near)
    unlike = peaks[like_own[peaks] < settings.unlike_own_below]
    if unlike.size < settings.fewest_footfalls:
        return np.zeros(like_own.size, bool)
    _, likeness = learned_shapes(traces, unlike, settings)
    return largest_within(likeness, near) > like_own
