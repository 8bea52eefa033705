"""Beat detection that holds under exercise: own-waveform evidence joined by interval continuity.

Method: (1) candidates are peaks of the slope envelope of the QRS band; (2) a first optimisation
over all candidates joins evidence and the continuity of intervals; (3) the recording's own median
QRS is learned from that first answer; (4) candidates are scored again by strength and likeness to
the own QRS, or by standing out of the quiet between beats (ectopic complexes), and optimised again;
(5) wide ectopic complexes are sought in what long intervals still hold without the own P and T;
(6) every normal beat is placed by correlation with the own QRS, between samples.

Where noise between beats is strong and weaker in a higher band, in which a QRS is steep and a
moving electrode less so, the signal is looked at through that band. So it is among footfalls: where
complexes that recur stand closer and come more often than a heart can beat. There standing out is
no evidence of a beat; the own QRS is learned elsewhere and the footfalls as shapes of their own, so
that what is more like a footfall than like a beat only bridges a gap in the chain. Where the own
QRS cannot be learned elsewhere, it is unknown which of two trains is the heart: margin 0.

Slope of the QRS band: Pan & Tompkins 1985, IEEE Trans Biomed Eng 32:230-236. Alignment of the
template: Woody 1967, Med Biol Eng 5:539-553. Optimisation over a chain: Bellman 1957.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import fft, ndimage

Floats = NDArray[np.float64]
# Filtered traces: finer than any recorder resolves, and half as much to move.
Trace = NDArray[np.float32]

IMPOSSIBLE = np.float32(-1e9)
# Below this correlation a beat is not of a shape at all and is placed by its own waveform.
ALIKE = 0.6


@dataclass(frozen=True)
class DetectorSettings:
    """Settings of `detect_beats`; evidence and costs are in natural-logarithm units.

    The numbers are conventions of this project, chosen with all development recordings in view (16
    annotated records and generated exercise ECG), so scores on those are not a held-out test. Of
    those tried, two are delicate: `another_shape_below`, at 0.65 posture changes cost beats, and
    `quieter_below`, which weighs noise of electrodes against noise of muscles.
    """

    slope_band_hz: tuple[float, float] = (8.0, 24.0)
    waveform_band_hz: tuple[float, float] = (4.0, 38.0)
    envelope_s: float = 0.09
    candidate_spacing_s: float = 0.1
    # The chain: physiological limits of an interval, the cost of a change of interval
    # (weight x squared logarithm of the ratio, up to the cap), the cost of breaking off.
    shortest_interval_s: float = 0.27
    longest_interval_s: float = 2.2
    continuity_weight: float = 30.0
    continuity_cap: float = 1.5
    restart_cost: float = 2.0
    # How far around a candidate the usual strength of beats and of noise is learned.
    level_reach_s: float = 6.0
    noise_reach_s: float = 5.0
    # A complex of any shape counts when it exceeds this share of the usual beat and this multiple
    # of what is usual between beats; its evidence is bounded, so that no artefact outweighs all.
    standing_out_share: float = 0.2
    standing_out_noise: float = 3.0
    standing_out_gain: float = 4.0
    standing_out_most: float = 5.0
    # Beats less like the known shapes than this are searched for a further recurring shape.
    another_shape_below: float = 0.75
    # Of normal shape from this correlation, in quiet and in noise (noise over usual beat strength).
    normal_correlation: tuple[float, float] = (0.9, 0.65)
    noise_ratio: tuple[float, float] = (0.1, 0.35)
    most_shapes: int = 3
    # A wide ectopic beat is what an interval this much longer than usual still holds when the own
    # P and T are subtracted: above this share of the usual QRS and this multiple of what remains
    # of ordinary intervals around. After an early beat a long interval needs no explanation.
    long_interval: float = 1.4
    early_interval: float = 0.85
    remainder_share: float = 0.6
    remainder_noise: float = 2.5
    # Crowded: of the complexes above this share of the local level, within this reach, so large a
    # share stands closer together than beats can. Evidence there of a strong complex of any shape:
    # enough to bridge a gap between beats, too little to draw the chain.
    crowding_level: float = 0.35
    crowding_reach_s: float = 6.0
    crowded_from: float = 0.2
    bridging_share: float = 0.5
    bridging_evidence: float = 0.7
    # Footfalls: crowded for so long with more complexes a second than hearts give (170 a minute),
    # and so large a share of those that are too close for beats are of shapes that recur.
    footfall_stretch_s: float = 20.0
    footfall_rate_hz: float = 2.8
    recurring_likeness: float = 0.8
    recurring_share: float = 0.7
    # Slower than this nobody runs, and nothing hides the heart from the usual band.
    slowest_steps_hz: float = 2.2
    # Where noise is this strong beside beats (envelope between and at beats), and so much weaker
    # beside them in the higher bands, these are used, and for some seconds around.
    noisy_from: float = 0.25
    quieter_below: float = 0.8
    quieter_margin_s: float = 2.0
    # The higher bands, and a lower level for the smaller of two trains.
    steep_slope_band_hz: tuple[float, float] = (14.0, 32.0)
    steep_waveform_band_hz: tuple[float, float] = (16.0, 40.0)
    steep_crowding_level: float = 0.25
    # Beside so many beats that nothing crowds, the own QRS is learned from these and footfalls from
    # as many complexes that are unlike it.
    uncrowded_below: float = 0.03
    uncrowded_beats: int = 40
    unlike_own_below: float = 0.95
    fewest_footfalls: int = 20

    def steep(self) -> DetectorSettings:
        """The same with the bands and level for footfalls."""
        return replace(
            self,
            slope_band_hz=self.steep_slope_band_hz,
            waveform_band_hz=self.steep_waveform_band_hz,
            crowding_level=self.steep_crowding_level,
        )


@dataclass(frozen=True)
class EvenPiece:
    """An evenly sampled stretch of a recording without gaps."""

    start_s: float
    rate_hz: float
    samples: Floats


# --------------------------------------------------------------------------------- time axis


def even_pieces(
    time_s: ArrayLike,
    signal: ArrayLike,
    *,
    shortest_s: float = 1.0,
    jitter_s: float = 0.001,
) -> list[EvenPiece]:
    """Split a signal at gaps of its time axis and give evenly sampled pieces.

    `time_s` and `signal` are 1-D, of equal length. A gap is a step longer than 1.5 median steps and
    longer than 0.05 s, a step that does not go forward, or a sample that is not finite. Stamps
    within `jitter_s` of an even axis are rounded stamps of an even axis; others are interpolated by
    a cubic spline. Pieces shorter than `shortest_s` are dropped. Raises ValueError on unequal
    lengths. Source: convention.
    """
    time_s = np.asarray(time_s, dtype=float)
    signal = np.asarray(signal, dtype=float)
    if time_s.ndim != 1 or time_s.shape != signal.shape:
        raise ValueError(
            f"time and signal must be 1-D and equally long, found {time_s.shape} and {signal.shape}"
        )
    finite = np.isfinite(signal) & np.isfinite(time_s)
    if not finite.all():
        time_s, signal = time_s[finite], signal[finite]
    if time_s.size < 4:
        return []
    step_s = np.diff(time_s)
    forward_s = step_s[:: max(1, step_s.size // 20000)]
    forward_s = forward_s[forward_s > 0]
    if forward_s.size == 0:
        return []
    median_step_s = float(np.median(forward_s))
    broken = (step_s > max(1.5 * median_step_s, 0.05)) | (step_s <= 0)
    if not finite.all():
        # A single missing sample is a break as well, however short.
        broken |= np.diff(np.flatnonzero(finite)) > 1
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [time_s.size]))
    pieces = []
    for first, stop in zip(edges[:-1], edges[1:], strict=True):
        if time_s[stop - 1] - time_s[first] >= shortest_s:
            pieces.append(
                _evenly_sampled(time_s[first:stop], signal[first:stop], median_step_s, jitter_s)
            )
    return pieces


def _evenly_sampled(time_s: Floats, signal: Floats, step_s: float, jitter_s: float) -> EvenPiece:
    own_step_s = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    deviation_s = time_s - own_step_s * np.arange(time_s.size)
    start_s = float(deviation_s.mean())
    even = max(deviation_s.max() - start_s, start_s - deviation_s.min()) <= jitter_s
    if even and abs(own_step_s / step_s - 1.0) < 0.02:
        return EvenPiece(start_s, 1.0 / own_step_s, signal)
    from scipy.interpolate import CubicSpline

    grid_s = np.arange(time_s[0], time_s[-1], step_s)
    return EvenPiece(float(time_s[0]), 1.0 / step_s, CubicSpline(time_s, signal)(grid_s))


# ------------------------------------------------------------------------------- the filters


@dataclass(frozen=True)
class _Spectrum:
    """Transform of one gap-free piece, from which any band of it can be had at the internal rate.

    Samples `first` to `first + n` of the inverse transform of `length` samples are the piece.
    """

    frequency_hz: Trace
    value: NDArray[np.complex64]
    length: int
    first: int
    n: int

    def through(self, response: NDArray) -> Trace:
        trace = fft.irfft(self.value * response, n=self.length, overwrite_x=True)
        return trace[self.first : self.first + self.n]


@dataclass(frozen=True)
class _Recording:
    """All pieces, one after the other with a border of zeros around each, at one internal rate."""

    rate_hz: float
    time_s: Floats
    inside: NDArray[np.bool_]
    piece: NDArray[np.int64]
    spectra: list[tuple[slice, _Spectrum]]


@dataclass(frozen=True)
class _Traces(_Recording):
    """What is seen of a recording through the two bands of the settings."""

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
    value = fft.rfft(extended, n=coarse * down)[: length // 2 + 1]
    value *= up / (down * unit)
    frequency_hz = np.arange(value.size) * piece.rate_hz / (coarse * down)
    skipped = margin * up / down
    if skipped % 1:
        # The margin is not a whole number of output samples: shift by the rest.
        value *= np.exp(2j * np.pi * frequency_hz * (skipped % 1) * down / (up * piece.rate_hz))
    n = int((samples.size - 1) * up // down) + 1
    single = frequency_hz.astype(np.float32), value.astype(np.complex64)
    return _Spectrum(*single, length, int(skipped), n)


def _recording(pieces: list[EvenPiece]) -> _Recording:
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
    return _Recording(rate_hz, *axes, spectra)


def _envelope(recording: _Recording, settings: DetectorSettings) -> Trace:
    """Mean steepness in the band of the slope."""
    width = max(3, int(round(settings.envelope_s * recording.rate_hz)))
    envelope = np.zeros(recording.time_s.size, np.float32)
    for place, spectrum in recording.spectra:
        band = _band(spectrum.frequency_hz, *settings.slope_band_hz)
        steepness = spectrum.through(np.complex64(2j * np.pi) * spectrum.frequency_hz * band)
        np.abs(steepness, out=steepness)
        ndimage.uniform_filter1d(steepness, width, output=envelope[place])
    return envelope


def _waveform(recording: _Recording, settings: DetectorSettings) -> Trace:
    waveform = np.zeros(recording.time_s.size, np.float32)
    for place, spectrum in recording.spectra:
        band = _band(spectrum.frequency_hz, *settings.waveform_band_hz)
        waveform[place] = spectrum.through(band)
    return waveform


def _traces(recording: _Recording, settings: DetectorSettings) -> _Traces:
    envelope, waveform = _envelope(recording, settings), _waveform(recording, settings)
    return _Traces(**vars(recording), envelope=envelope, waveform=waveform)


def _local_maxima(trace: Trace, reach: int) -> NDArray[np.int64]:
    """Samples that are the largest, and above zero, within `reach` samples on either side."""
    largest = ndimage.maximum_filter1d(trace, 2 * reach + 1)
    found = np.flatnonzero((trace == largest) & (trace > 0))
    # Of equal neighbours on a plateau only the first counts.
    return found[np.diff(found, prepend=-reach - 1) > reach]


def _running_quantile(
    time_s: Floats, value: Floats, quantile: float, *, at_s: Floats, reach_s: float
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
    window = value[np.minimum(first[:, None] + column, value.size - 1)]
    window = np.sort(np.where(column < count[:, None], window, np.inf), axis=1)
    place = quantile * (count - 1)
    below = place.astype(int)
    row = np.arange(count.size)
    lower, upper = window[row, below], window[row, np.minimum(below + 1, count - 1)]
    return np.interp(at_s, grid_s[known], lower + (place - below) * (upper - lower))


# -------------------------------------------------------------------- the chain of intervals


def chain_margins(
    time_s: Floats,
    evidence: Floats,
    piece: NDArray[np.int64],
    settings: DetectorSettings,
    *,
    core_s: float = 16.0,
    overlap_s: float = 10.0,
    n_predecessors: int = 12,
) -> Floats:
    """How much the best chain of beats loses without each candidate; 0 for those not in it.

    Candidates (time in s, evidence, number of the gap-free piece; sorted by time) are joined to a
    chain. A chain scores the sum of its evidence, minus for every two adjoining intervals
    min(cap, weight ln^2 of their ratio), minus the restart cost wherever it breaks off. The margin
    of a candidate is the score of the best chain minus that of the best chain that avoids it
    (max-marginals, both directions), so a positive margin means: is in the best chain. Solved in
    overlapping stretches in lock-step. Source: convention of this project.
    """
    margin = np.zeros(time_s.size)
    stretches = _stretches(time_s, piece, core_s, overlap_s)
    if not stretches:
        return margin
    n_steps = max(stop - first for first, stop, _, _ in stretches)
    n_stretches = len(stretches)
    times = np.empty((n_steps, n_stretches))
    scores = np.full((n_steps, n_stretches), IMPOSSIBLE, dtype=np.float32)
    for column, (first, stop, _, _) in enumerate(stretches):
        n = stop - first
        times[:n, column] = time_s[first:stop] - time_s[first]
        times[n:, column] = times[n - 1, column] + 1e3 * np.arange(1, n_steps - n + 1)
        scores[:n, column] = evidence[first:stop]
    both_times = np.concatenate((times, -times[::-1]), axis=1)
    both_scores = np.concatenate((scores, scores[::-1]), axis=1)
    chain, prefix = _forward_scores(both_times, both_scores, settings, n_predecessors)
    lost = _best_minus_avoiding(
        times,
        scores,
        chain[:, :n_stretches],
        chain[::-1, n_stretches:],
        prefix[:, :n_stretches],
        prefix[::-1, n_stretches:],
        settings,
    )
    for column, (first, _, core_first, core_stop) in enumerate(stretches):
        margin[core_first:core_stop] = lost[core_first - first : core_stop - first, column]
    return np.where(margin > 1e-3, margin, 0.0)


def _stretches(
    time_s: Floats, piece: NDArray[np.int64], core_s: float, overlap_s: float
) -> list[tuple[int, int, int, int]]:
    """(first, stop, core first, core stop) of overlapping stretches that never cross a gap."""
    stretches = []
    borders = np.concatenate(([0], np.flatnonzero(np.diff(piece)) + 1, [time_s.size]))
    for low, high in zip(borders[:-1], borders[1:], strict=True):
        own_s = time_s[low:high]
        if own_s.size == 0:
            continue
        n_cores = max(1, int(np.ceil((own_s[-1] - own_s[0]) / core_s)))
        edges_s = np.linspace(own_s[0], own_s[-1], n_cores + 1)
        cores = low + np.searchsorted(own_s, edges_s)
        cores[-1] = high
        first = low + np.searchsorted(own_s, edges_s[:-1] - overlap_s)
        stop = low + np.searchsorted(own_s, edges_s[1:] + overlap_s, side="right")
        for row in zip(first, stop, cores[:-1], cores[1:], strict=True):
            if row[3] > row[2]:
                stretches.append(tuple(int(value) for value in row))
    return stretches


def _forward_scores(
    times: Floats, scores: NDArray, settings: DetectorSettings, n_predecessors: int
) -> tuple[NDArray, NDArray]:
    """Best score of a chain up to each candidate, by which candidate came before it.

    Gives (steps, stretches, predecessors + 1), where the last entry is a chain that starts there,
    and the running best over steps (steps, stretches).
    """
    n_steps, n_stretches = times.shape
    n_before = n_predecessors
    padded = np.concatenate((np.full((n_before, n_stretches), -1e6), times))
    intervals = np.stack(
        [times - padded[k : k + n_steps] for k in range(n_before)], axis=0
    )  # (predecessor, step, stretch)
    allowed = (intervals >= settings.shortest_interval_s) & (
        intervals <= settings.longest_interval_s
    )
    log_interval = np.log(np.where(allowed, intervals, 1.0)).astype(np.float32)
    log_interval *= np.float32(np.sqrt(settings.continuity_weight))
    forbidden = np.where(allowed, np.float32(0.0), IMPOSSIBLE)
    # Step first, so that one step and its predecessors are contiguous blocks.
    log_interval = np.ascontiguousarray(log_interval.transpose(1, 0, 2))
    forbidden = np.ascontiguousarray(forbidden.transpose(1, 0, 2))
    n_far_enough = _count_before(times, settings.shortest_interval_s)

    chain = np.full((n_before + n_steps, n_before + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    past_log = np.zeros((n_before + n_steps, n_before, n_stretches), dtype=np.float32)
    past_log[n_before:] = log_interval
    prefix = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    cap = np.float32(settings.continuity_cap)
    restart = np.float32(settings.restart_cost)
    columns = np.arange(n_stretches)
    for step in range(n_steps):
        before = slice(step, step + n_before)
        change = log_interval[step][:, None, :] - past_log[before]
        np.multiply(change, change, out=change)
        np.minimum(change, cap, out=change)
        np.subtract(chain[before, :n_before], change, out=change)
        best = np.maximum(change.max(axis=1), chain[before, n_before])
        here = chain[n_before + step]
        here[:n_before] = best + forbidden[step]
        here[n_before] = np.maximum(prefix[n_far_enough[step], columns] - restart, 0.0)
        here += scores[step]
        np.maximum(here, IMPOSSIBLE, out=here)
        np.maximum(prefix[step], here.max(axis=0), out=prefix[step + 1])
    return chain[n_before:].transpose(0, 2, 1), prefix[1:]


def _count_before(times: Floats, shortest_s: float) -> NDArray[np.int64]:
    """For each candidate how many earlier ones lie at least `shortest_s` before it."""
    count = np.empty(times.shape, dtype=np.int64)
    for column in range(times.shape[1]):
        own = times[:, column]
        count[:, column] = np.searchsorted(own, own - shortest_s, side="right")
    return count


def _best_minus_avoiding(
    times: Floats,
    scores: NDArray,
    forward: NDArray,
    backward: NDArray,
    best_until: NDArray,
    best_from: NDArray,
    settings: DetectorSettings,
) -> NDArray:
    n_steps, n_stretches = times.shape
    n_before = forward.shape[2] - 1
    # Best whole chain through each pair of neighbours (step - n_before + k, step).
    through = np.full((n_steps + n_before, n_stretches, n_before), IMPOSSIBLE, dtype=np.float32)
    for k in range(n_before):
        back = n_before - k
        if back < n_steps:
            through[back:n_steps, :, k] = (
                forward[back:, :, k] + backward[:-back, :, k] - scores[back:] - scores[:-back]
            )
    np.maximum.accumulate(through, axis=2, out=through)
    avoiding = np.zeros((n_steps, n_stretches), dtype=np.float32)
    for ahead in range(1, n_before):
        np.maximum(
            avoiding, through[ahead : ahead + n_steps, :, n_before - ahead - 1], out=avoiding
        )
    # Chains that break off, begin or end at the candidate.
    until = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    until[1:] = best_until
    since = np.full((n_steps + 1, n_stretches), IMPOSSIBLE, dtype=np.float32)
    since[:-1] = best_from
    np.maximum(avoiding, until[:-1], out=avoiding)
    np.maximum(avoiding, since[1:], out=avoiding)
    restart = np.float32(settings.restart_cost)
    step = np.arange(n_steps)
    for column in range(n_stretches):
        own = times[:, column]
        last = np.concatenate(([-1e6], own[:-1]))
        following = np.concatenate((own[1:], [1e9]))
        resume = np.maximum(np.searchsorted(own, last + settings.shortest_interval_s), step + 1)
        leave = np.minimum(
            np.searchsorted(own, following - settings.shortest_interval_s, side="right"), step
        )
        broken = np.maximum(
            until[step, column] + since[resume, column],
            until[leave, column] + since[step + 1, column],
        )
        np.maximum(avoiding[:, column], broken - restart, out=avoiding[:, column])
    return best_until[-1] - avoiding


# ------------------------------------------------------------------------- the own waveform


def _windows(trace: Trace, centre: NDArray[np.int64], reach: int) -> Floats:
    return trace[centre[:, None] + np.arange(-reach, reach + 1)]


def _unit(waveform: Floats) -> Floats:
    centred = waveform - waveform.mean(axis=-1, keepdims=True)
    return centred / (np.linalg.norm(centred, axis=-1, keepdims=True) + 1e-12)


def _own_waveform(traces: _Traces, beats: NDArray[np.int64]) -> Floats | None:
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
    window = _windows(waveform, beats, reach)
    height = np.abs(window).max(axis=1)
    usual = height < 3 * np.median(height)
    extremes = window[usual].max(axis=1) + window[usual].min(axis=1)
    sign = 1.0 if np.median(extremes) >= 0 else -1.0
    beats = beats - reach + np.argmax(sign * window, axis=1)
    for _ in range(4):
        beats = beats[(beats > border) & (beats < waveform.size - border - 1)]
        if beats.size < 3:
            return None
        unit = _unit(_windows(waveform, beats, reach))
        template = _unit(np.median(unit, axis=0))
        likeness = unit @ template
        template = _unit(np.median(unit[likeness >= np.quantile(likeness, 0.4)], axis=0))
        wide = _windows(waveform, beats, reach + shift)
        lagged = np.lib.stride_tricks.sliding_window_view(wide, 2 * reach + 1, axis=1) @ template
        beats = np.unique(beats - shift + np.argmax(lagged, axis=1))
    beats = beats[(beats > border) & (beats < waveform.size - border - 1)]
    main = int(np.argmax(np.abs(template[reach - shift : reach + shift + 1]))) - shift
    if main:
        beats = beats + main
        unit = _unit(_windows(waveform, beats, reach))
        template = _unit(np.median(unit, axis=0))
    return template


def _height(trace: Trace, n: int) -> Floats:
    """Norm of the `n` samples around each, for a correlation; at least a part of the usual one."""
    mean = ndimage.uniform_filter1d(trace, n)
    energy = ndimage.uniform_filter1d(trace * trace, n) - mean * mean
    energy *= n
    sampled = energy[::5]
    sampled = sampled[sampled > 0]
    floor = 0.1 * np.median(sampled) if sampled.size else 1.0
    return np.sqrt(np.maximum(energy, floor))


# ---------------------------------------------------------------------------- the evidence


def _level(time_s: Floats, strength: Floats, quantile: float, reach_s: float) -> Floats:
    """Local level of the strong candidates, never below a tenth of the usual level."""
    level = _running_quantile(time_s, strength, quantile, at_s=time_s, reach_s=reach_s)
    return np.maximum(level, 0.1 * np.median(level))


def _first_evidence(
    peak_s: Floats, strength: Floats, settings: DetectorSettings
) -> tuple[Floats, Floats]:
    """Evidence of envelope peaks before any waveform is known, and their local level."""
    level = _level(peak_s, strength, 0.9, settings.level_reach_s)
    weak = _running_quantile(peak_s, strength, 0.3, at_s=peak_s, reach_s=settings.noise_reach_s)
    evidence = 1.5 * np.log(np.maximum(strength / level, 1e-3)) + 1.2
    standing_out = _standing_out(strength, 2.0 * level, weak * 4.0 / 3.0, settings)
    return np.maximum(evidence, np.minimum(standing_out, 4.0)), level


def _standing_out(
    strength: Floats, usual: Floats, noise: Floats, settings: DetectorSettings
) -> Floats:
    """Evidence of a complex of any shape: how far it rises out of the quiet between beats."""
    barrier = np.maximum(settings.standing_out_share * usual, settings.standing_out_noise * noise)
    ratio = np.maximum(strength / np.maximum(barrier, 1e-9), 1e-9)
    return np.minimum(settings.standing_out_gain * np.log(ratio), settings.standing_out_most)


def _usual_and_noise(
    traces: _Traces, beats: NDArray[np.int64], at_s: Floats, settings: DetectorSettings
) -> tuple[Floats, Floats]:
    """Local strength of the beats and local strength of what lies between them."""
    height = traces.envelope[beats]
    usual = _running_quantile(
        traces.time_s[beats], height, 0.5, at_s=at_s, reach_s=settings.level_reach_s
    )
    usual = np.maximum(usual, 0.1 * np.median(height))
    sampled = np.arange(0, traces.time_s.size, max(1, int(round(0.06 * traces.rate_hz))))
    between = ~_any_within(sampled, beats, int(round(0.12 * traces.rate_hz)))
    sampled = sampled[traces.inside[sampled] & between]
    if sampled.size == 0:
        return usual, np.zeros(at_s.size)
    noise = _running_quantile(
        traces.time_s[sampled],
        traces.envelope[sampled],
        0.7,
        at_s=at_s,
        reach_s=settings.noise_reach_s,
    )
    return usual, noise


def _any_within(
    places: NDArray[np.int64], among: NDArray[np.int64], reach: int
) -> NDArray[np.bool_]:
    """For each place whether any of `among` (sorted) lies within `reach`."""
    after = np.searchsorted(among, places)
    distance = np.minimum(
        np.abs(among[np.minimum(after, among.size - 1)] - places),
        np.abs(among[np.maximum(after - 1, 0)] - places),
    )
    return distance <= reach


def _shapes(
    traces: _Traces, beats: NDArray[np.int64], settings: DetectorSettings
) -> tuple[list[Floats], Floats]:
    """The waveforms that recur among the beats, commonest first, and the likeness to any of them.

    A further shape must recur (8 beats and 1 %), be as strong as beats are, and be one shape.
    """
    shapes: list[Floats] = []
    likeness = np.full(traces.time_s.size, -1.0)
    height, near = np.empty(0), int(round(0.05 * traces.rate_hz))
    strong = beats[traces.envelope[beats] > 0.5 * np.median(traces.envelope[beats])]
    left, enough = beats, 3
    for _ in range(settings.most_shapes):
        if left.size < enough:
            break
        shape = _own_waveform(traces, left)
        if shape is None:
            break
        if not shapes:
            height = _height(traces.waveform, shape.size)
        own = ndimage.correlate1d(traces.waveform, shape) / height
        if shapes:
            alike = _windows(own, left, near).max(axis=1) > 0.85
            if alike.sum() < enough or alike.mean() < 0.3:
                break
        shapes.append(shape)
        np.maximum(likeness, own, out=likeness)
        best = _windows(likeness, strong, near).max(axis=1)
        left, enough = strong[best < settings.another_shape_below], max(8, 0.01 * beats.size)
    return shapes, likeness


# -------------------------------------------------------------------------- the first look


@dataclass(frozen=True)
class _Peaks:
    """Peaks of the envelope (sample numbers), what speaks for each, and how they crowd."""

    at: NDArray[np.int64]
    evidence: Floats
    level: Floats
    is_strong: NDArray[np.bool_]
    crowded_share: Floats
    rate_hz: Floats


@dataclass(frozen=True)
class _Look(_Peaks):
    """Peaks, and which of them the first chain joins."""

    is_beat: NDArray[np.bool_]

    @property
    def beats(self) -> NDArray[np.int64]:
        return self.at[self.is_beat]

    def alone(self, settings: DetectorSettings) -> NDArray[np.int64]:
        """Beats that nothing crowds."""
        return self.at[self.is_beat & (self.crowded_share < settings.uncrowded_below)]


def _spacing(recording: _Recording, settings: DetectorSettings) -> int:
    return int(round(settings.candidate_spacing_s * recording.rate_hz))


def _peaks(recording: _Recording, envelope: Trace, settings: DetectorSettings) -> _Peaks | None:
    """None where fewer than three peaks stand out."""
    at = _local_maxima(np.where(recording.inside, envelope, 0.0), _spacing(recording, settings))
    if at.size < 3:
        return None
    evidence, level = _first_evidence(recording.time_s[at], envelope[at], settings)
    is_strong = envelope[at] > settings.crowding_level * level
    crowding = _crowding(recording.time_s[at], is_strong, settings)
    return _Peaks(at, evidence, level, is_strong, *crowding)


def _first_look(traces: _Traces, settings: DetectorSettings) -> _Look | None:
    """None where no beat stands out."""
    peaks = _peaks(traces, traces.envelope, settings)
    if peaks is None:
        return None
    at = peaks.at
    margin = chain_margins(traces.time_s[at], peaks.evidence, traces.piece[at], settings)
    return _Look(**vars(peaks), is_beat=margin > 0) if (margin > 0).any() else None


def _crowding(
    peak_s: Floats, is_strong: NDArray[np.bool_], settings: DetectorSettings
) -> tuple[Floats, Floats]:
    """Around each peak: share of strong peaks closer together than beats can be; rate (Hz) of all.

    Strong: above `crowding_level` times the local level.
    """
    strong_s = peak_s[is_strong]
    close = np.diff(strong_s) < settings.shortest_interval_s
    close = np.append(close, False) | np.concatenate(([False], close))
    n_close = np.concatenate(([0], np.cumsum(close)))
    reach_s = settings.crowding_reach_s
    first = np.searchsorted(strong_s, peak_s - reach_s)
    stop = np.searchsorted(strong_s, peak_s + reach_s)
    share = (n_close[stop] - n_close[first]) / np.maximum(stop - first, 1)
    span_s = np.minimum(peak_s + reach_s, peak_s[-1]) - np.maximum(peak_s - reach_s, peak_s[0])
    return share, (stop - first) / np.maximum(span_s, 1.0)


# ------------------------------------------------------------------------ noise with a rhythm


@dataclass(frozen=True)
class _View:
    """What the second chain goes by: traces, first look, and what is known of the shapes.

    `likeness` to the own shapes, `like_a_footfall` (more than like a beat) and `unsettled` (it is
    unknown which of two trains is the heart) have one value per sample.
    """

    traces: _Traces
    look: _Look
    shapes: list[Floats]
    likeness: Floats
    like_a_footfall: NDArray[np.bool_]
    unsettled: NDArray[np.bool_]


def _lasting(
    recording: _Recording,
    peaks: _Peaks,
    chosen: NDArray[np.bool_],
    settings: DetectorSettings,
) -> NDArray[np.bool_]:
    """`chosen` peaks if a run of them lasts as long as footfalls do, else none."""
    peak_s = recording.time_s[peaks.at]
    edges = np.flatnonzero(np.diff(chosen, prepend=False, append=False))
    runs_s = peak_s[edges[1::2] - 1] - peak_s[edges[::2]]
    return chosen & (runs_s.max(initial=0.0) >= settings.footfall_stretch_s)


def _crowded(recording: _Recording, peaks: _Peaks, settings: DetectorSettings) -> NDArray[np.bool_]:
    """Peaks among which complexes crowd and come more often than hearts beat, for long."""
    among = peaks.crowded_share >= settings.crowded_from
    among &= peaks.rate_hz >= settings.footfall_rate_hz
    return _lasting(recording, peaks, among, settings)


def _footfalls(traces: _Traces, peaks: _Peaks, settings: DetectorSettings) -> NDArray[np.bool_]:
    """Peaks among which two trains of complexes run, of which one must be footfalls.

    Of two strong peaks closer together than beats both are like shapes that recur; noise that comes
    close to a beat is like nothing else.
    """
    among = _crowded(traces, peaks, settings)
    if not among.any():
        return among
    strong = peaks.at[peaks.is_strong]
    close = np.flatnonzero(np.diff(traces.time_s[strong]) < settings.shortest_interval_s)
    _, likeness = _shapes(traces, strong, settings)
    near = int(round(0.05 * traces.rate_hz))
    recurring = _windows(likeness, strong, near).max(axis=1) > settings.recurring_likeness
    both = recurring[close] & recurring[close + 1]
    return among & (both.mean() >= settings.recurring_share)


def _view(recording: _Recording, settings: DetectorSettings) -> _View | None:
    """None where no beat stands out."""
    traces = _traces(recording, settings)
    look = _first_look(traces, settings)
    if look is None:
        return None
    footfalls = _footfalls(traces, look, settings)
    if footfalls.any():
        return _steep_view(traces, _traces(recording, settings.steep()), look, footfalls, settings)
    often = _lasting(recording, look, look.rate_hz >= settings.slowest_steps_hz, settings)
    if often.any():
        # Footfalls much higher than the QRS hide it in the usual band.
        envelope = _envelope(recording, settings.steep())
        peaks = _peaks(recording, envelope, settings.steep())
        if peaks is not None and _crowded(recording, peaks, settings).any():
            steep = replace(
                traces, envelope=envelope, waveform=_waveform(recording, settings.steep())
            )
            footfalls = _footfalls(steep, peaks, settings)
            steep_look = _first_look(steep, settings.steep()) if footfalls.any() else None
            if steep_look is not None:
                return _steep_view(traces, steep, steep_look, footfalls, settings)
    return _quiet_view(recording, traces, look, settings)


def _quiet_view(
    recording: _Recording, traces: _Traces, look: _Look, settings: DetectorSettings
) -> _View | None:
    """The recording with its higher band where noise is strong in the usual one, weaker there, and
    beats are there as much like each other. So it is with a moving electrode, and not with muscle
    activity.
    """
    n = traces.time_s.size
    among = nowhere = np.zeros(n, bool)
    shapes, likeness = _shapes(traces, look.beats, settings)
    if not shapes:
        return None
    grid = np.arange(0, n, int(traces.rate_hz))
    noise = _noise_ratio(traces, look.beats, grid, settings)
    noisy = noise > settings.noisy_from
    if noisy.any():
        steep = _traces(recording, settings.steep())
        noisy &= _noise_ratio(steep, look.beats, grid, settings) < settings.quieter_below * noise
    if noisy.any():
        _, steep_likeness = _shapes(steep, look.beats, settings)
        noisy &= _usual_likeness(traces, look.beats, grid, steep_likeness, settings) > (
            _usual_likeness(traces, look.beats, grid, likeness, settings)
        )
        seconds = 2 * int(settings.quieter_margin_s) + 1
        among = _around(grid, ndimage.maximum_filter1d(noisy.astype(int), seconds), n)
    if not among.any():
        return _View(traces, look, shapes, likeness, nowhere, nowhere)
    seen = _joined(traces, steep, among, look.beats)
    seen_look = _first_look(seen, settings)
    if seen_look is None:
        return None
    steep_shapes, steep_likeness = _shapes(steep, seen_look.beats, settings)
    likeness = np.where(among, steep_likeness, likeness)
    return _View(seen, seen_look, [*shapes, *steep_shapes], likeness, nowhere, nowhere)


def _usual_likeness(
    traces: _Traces,
    beats: NDArray[np.int64],
    at: NDArray[np.int64],
    likeness: Floats,
    settings: DetectorSettings,
) -> Floats:
    """Median likeness of the beats around the samples `at`."""
    time_s, near = traces.time_s, int(round(0.05 * traces.rate_hz))
    of_beats = _windows(likeness, beats, near).max(axis=1)
    reach_s = settings.noise_reach_s
    return _running_quantile(time_s[beats], of_beats, 0.5, at_s=time_s[at], reach_s=reach_s)


def _noise_ratio(
    traces: _Traces, beats: NDArray[np.int64], at: NDArray[np.int64], settings: DetectorSettings
) -> Floats:
    """Strength of what lies between beats over the strength of beats, around the samples `at`."""
    usual, noise = _usual_and_noise(traces, beats, traces.time_s[at], settings)
    return noise / usual


def _joined(
    traces: _Traces, steep: _Traces, among: NDArray[np.bool_], beats: NDArray[np.int64]
) -> _Traces:
    """The steep traces where `among` says so, scaled to the usual ones by these beats."""
    gain = np.median(traces.envelope[beats]) / np.median(steep.envelope[beats])
    return replace(
        traces,
        envelope=np.where(among, gain * steep.envelope, traces.envelope),
        waveform=np.where(among, gain * steep.waveform, traces.waveform),
    )


def _steep_view(
    traces: _Traces,
    steep: _Traces,
    look: _Look,
    footfalls: NDArray[np.bool_],
    settings: DetectorSettings,
) -> _View | None:
    """The recording with its higher band among footfalls; everywhere if no beats stand alone."""
    n = traces.time_s.size
    alone = look.alone(settings)
    settled = alone.size >= settings.uncrowded_beats
    among = _around(look.at, footfalls, n) if settled else np.ones(n, bool)
    seen = _joined(traces, steep, among, alone) if settled else steep
    if not settled:
        settings = settings.steep()
    look = _first_look(seen, settings)
    if look is None:
        return None
    own_beats = look.alone(settings) if settled else look.beats
    own_shapes, own_likeness = _shapes(steep, own_beats, settings)
    if not own_shapes:
        return None
    like_a_footfall, unsettled = np.zeros((2, n), bool)
    if settled:
        crowded = _crowded(seen, look, settings)
        strong = look.at[crowded & look.is_strong]
        like_a_footfall = _like_a_footfall(steep, strong, own_likeness, settings)
        like_a_footfall &= _around(look.at, crowded, n)
        shapes, likeness = _shapes(traces, look.beats[~among[look.beats]], settings)
        likeness = np.where(among, own_likeness, likeness)
    else:
        unsettled = _around(look.at, _footfalls(seen, look, settings), n)
        shape = _own_waveform(traces, own_beats)
        shapes, likeness = [] if shape is None else [shape], own_likeness
    # The first shape says which point of a beat is its time: the QRS in its usual band.
    return _View(seen, look, [*shapes, *own_shapes], likeness, like_a_footfall, unsettled)


def _around(peaks: NDArray[np.int64], chosen: NDArray, n_samples: int) -> NDArray:
    """Samples that lie nearer to a chosen peak than to another."""
    return np.interp(np.arange(n_samples), peaks, chosen.astype(float)) > 0.5


def _like_a_footfall(
    traces: _Traces, peaks: NDArray[np.int64], own_likeness: Floats, settings: DetectorSettings
) -> NDArray[np.bool_]:
    """Samples more like a shape that recurs among `peaks` than like the own QRS."""
    near = 2 * int(round(0.05 * traces.rate_hz)) + 1
    own = ndimage.maximum_filter1d(own_likeness, near)
    others = peaks[own[peaks] < settings.unlike_own_below]
    if others.size < settings.fewest_footfalls:
        return np.zeros(own.size, bool)
    _, likeness = _shapes(traces, others, settings)
    return ndimage.maximum_filter1d(likeness, near) > own


# ------------------------------------------------------------------------------ the detector


def _table(
    time_s: Floats, correlation: Floats, margin: Floats, normal: NDArray[np.bool_]
) -> pd.DataFrame:
    order = np.argsort(time_s, kind="stable")
    return pd.DataFrame(
        {
            "time_s": time_s[order],
            "template_correlation": correlation[order],
            "margin": margin[order],
            "shape": np.where(normal, "normal", "other")[order].astype(object),
        }
    )


def detect_beats(
    time_s: ArrayLike,
    ecg_mv: ArrayLike,
    *,
    settings: DetectorSettings = DetectorSettings(),
) -> pd.DataFrame:
    """Find the heart beats of one ECG lead, also under exercise.

    `time_s` (s, rising, need not start at 0) and `ecg_mv` (any unit, offset, gain or polarity) are
    1-D and equally long. Gives one row per beat, sorted by time: `time_s` (s, between samples; the
    main deflection of the recording's own QRS), `template_correlation` (-1 to 1, with the own
    normal QRS), `margin` (evidence that the best chain of beats loses without this beat, see
    `chain_margins`; of a wide beat in a long interval how far it stands out; 0 of a beat that may
    be a footfall) and `shape` (`normal`,
    or `other` for a waveform unlike the own QRS). Signals that are empty, constant or shorter than
    3 s give an empty table. Raises ValueError on unequal lengths.
    """
    none = np.empty(0)
    pieces = [piece for piece in even_pieces(time_s, ecg_mv) if np.ptp(piece.samples) > 0]
    if sum(piece.samples.size / piece.rate_hz for piece in pieces) < 3.0:
        return _table(none, none, none, none.astype(bool))
    view = _view(_recording(pieces), settings)
    if view is None:
        return _table(none, none, none, none.astype(bool))
    traces, look, likeness = view.traces, view.look, view.likeness
    spacing = _spacing(traces, settings)

    # Candidates of the second round: what is strong and like the own QRS, and lone strong peaks.
    near = 2 * int(round(0.03 * traces.rate_hz)) + 1
    strength = ndimage.maximum_filter1d(traces.envelope, near)
    relative = strength / np.interp(np.arange(strength.size), look.at, look.level)
    fit = np.maximum(likeness, 0.0) * np.minimum(relative, 1.5)
    alike = _local_maxima(np.where(traces.inside, fit, 0.0), spacing)
    alike = alike[fit[alike] > 0.02]
    if alike.size < 3:
        return _table(none, none, none, none.astype(bool))
    product = strength[alike] * likeness[alike]
    product_level = _level(traces.time_s[alike], product, 0.85, settings.level_reach_s)
    by_likeness = (
        2.0 * np.log(np.maximum(product / product_level, 1e-3))
        + 3.0 * (likeness[alike] - 0.3)
        + 0.5
    )
    lone = look.at[~_any_within(look.at, alike, spacing)]
    found = np.concatenate((alike, lone))
    order = np.argsort(found, kind="stable")
    found = found[order]
    by_likeness = np.concatenate((by_likeness, np.full(lone.size, -np.inf)))[order]
    found_s = traces.time_s[found]
    usual, noise = _usual_and_noise(traces, look.beats, found_s, settings)
    by_standing_out = _standing_out(strength[found], usual, noise, settings)
    bridging = np.where(
        strength[found] > settings.bridging_share * usual, settings.bridging_evidence, IMPOSSIBLE
    )
    crowded_share = np.interp(found_s, traces.time_s[look.at], look.crowded_share)
    crowded = crowded_share >= settings.crowded_from
    evidence = np.maximum(by_likeness, np.where(crowded, bridging, by_standing_out))
    footfall = view.like_a_footfall[found]
    evidence[footfall] = np.minimum(evidence[footfall], settings.bridging_evidence)
    margin = chain_margins(found_s, evidence, traces.piece[found], settings)
    chosen = margin > 0
    # What is more like a footfall is in the chain to bridge it, and where the two cannot be told
    # apart any beat may be one: nothing speaks for it.
    footfall = footfall | view.unsettled[found]
    beats, margin = found[chosen], np.where(footfall, 0.0, margin)[chosen]
    wide, wide_evidence = _wide_beats(traces, beats, settings)
    # Noise makes normal beats look strange: the noisier, the stranger a beat must be.
    normal_from = np.interp(
        noise[chosen] / usual[chosen], settings.noise_ratio, settings.normal_correlation
    )
    between = np.searchsorted(beats, wide)
    beats = np.insert(beats, between, wide)
    beat_s, correlation = _placed(traces, beats, view.shapes, settings)
    return _table(
        beat_s,
        correlation,
        np.insert(margin, between, wide_evidence),
        correlation >= np.insert(normal_from, between, settings.normal_correlation[0]),
    )


def _wide_beats(
    traces: _Traces, beats: NDArray[np.int64], settings: DetectorSettings
) -> tuple[NDArray[np.int64], Floats]:
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
    long = due > settings.long_interval
    long[1:] &= due[:-1] > settings.early_interval
    unbroken = np.diff(traces.piece[beats]) == 0
    # Where the QRS of either beat ends, generously.
    clear = int(round(0.18 * traces.rate_hz))
    long &= unbroken & (intervals <= 4 * usual) & (intervals > 2 * clear)
    ordinary = np.flatnonzero(unbroken & (np.abs(due - 1.0) < 0.2))
    if not long.any() or ordinary.size < 5:
        return np.empty(0, np.int64), np.empty(0)
    smooth = ndimage.gaussian_filter1d(traces.waveform, 0.015 * traces.rate_hz)
    qrs = np.abs(_windows(smooth, beats, int(round(0.05 * traces.rate_hz)))).max(axis=1)
    found, evidence = [], []
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
        in_noise = settings.remainder_noise * np.quantile(noise, 0.75)
        if height[top] > max(settings.remainder_share * np.median(qrs[near]), in_noise):
            found.append(beats[number] + clear + top)
            # Its size tells a beat from an artefact of the own waves, the noise alone how surely.
            evidence.append(settings.standing_out_gain * np.log(height[top] / in_noise))
    return np.array(found, np.int64), np.minimum(evidence, settings.standing_out_most)


def _placed(
    traces: _Traces, beats: NDArray[np.int64], shapes: list[Floats], settings: DetectorSettings
) -> tuple[Floats, Floats]:
    """Times (s) between samples and correlation with the normal QRS.

    A beat like one of the recurring shapes is placed by correlation with the mean of its like, at
    that shape's main deflection; any other at its own largest deflection.
    """
    if beats.size == 0:
        return np.empty(0), np.empty(0)
    reach, shift = shapes[0].size // 2, int(round(0.03 * traces.rate_hz))
    wide = _windows(traces.waveform, beats, reach + shift)
    lagged = np.lib.stride_tricks.sliding_window_view(wide, 2 * reach + 1, axis=1)
    row = np.arange(beats.size)
    likeness, place = np.zeros((2, len(shapes), beats.size))
    templates = list(shapes)
    for number in range(len(shapes)):
        for _ in range(2):
            product = lagged @ templates[number]
            lag = np.clip(np.argmax(product, axis=1), 1, 2 * shift - 1)
            aligned = _unit(lagged[row, lag])
            likeness[number] = aligned @ templates[number]
            like = likeness[number] >= ALIKE
            if like.sum() >= 3:
                templates[number] = _unit(np.median(aligned[like], axis=0))
        place[number] = lag - shift - reach + _vertex(product, lag)
    # The own QRS has the first claim on a beat.
    kind = np.argmax(likeness - np.where(np.arange(len(shapes)) > 0, 0.1, 0.0)[:, None], axis=0)
    usual, mark = [0], [_main_deflection(templates[0])]
    for number in range(1, len(shapes)):
        mark.append(_main_deflection(templates[number]))
        if _in_time(traces.time_s[beats], kind == number):
            usual.append(number)
            # The same point of the beat as in the own QRS: where that fits best, on average.
            between = np.median((place[0] - place[number])[kind == number])
            mark[number] = mark[0] + between
    offset = place[kind, row] + np.asarray(mark)[kind]
    unlike = likeness.max(axis=0) < ALIKE
    if unlike.any():
        height = np.abs(_windows(traces.waveform, beats[unlike], 2 * shift))
        top = np.clip(np.argmax(height, axis=1), 1, 4 * shift - 1)
        offset[unlike] = top - 2 * shift + _vertex(height, top)
    beat_s = np.interp(beats + offset, np.arange(traces.time_s.size), traces.time_s)
    return beat_s, np.clip(likeness[usual].max(axis=0), -1.0, 1.0)


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
    left, middle, right = (curve[row, top + k] for k in (-1, 0, 1))
    curvature = np.minimum(left - 2 * middle + right, -1e-12)
    return np.clip(0.5 * (left - right) / curvature, -1.0, 1.0)


def _main_deflection(template: Floats) -> float:
    """Place of the largest deflection of a template, between samples."""
    height = np.abs(template)[None, :]
    top = np.clip(np.argmax(height, axis=1), 1, template.size - 2)
    return float((top + _vertex(height, top))[0])
