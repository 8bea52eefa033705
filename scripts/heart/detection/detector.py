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

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from heart.detection.arrays import Floats
from heart.detection.even_pieces import even_pieces
from heart.detection.evidence import _level, _standing_out, any_within, usual_and_noise
from heart.detection.footfalls import _view
from heart.detection.interval_chain import IMPOSSIBLE, chain_margins
from heart.detection.peaks import _spacing
from heart.detection.placing import _placed
from heart.detection.settings import DEFAULTS, DetectorSettings
from heart.detection.traces import Traces, in_frequency, local_maxima, windows


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
    settings: DetectorSettings = DEFAULTS,
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
    view = _view(in_frequency(pieces), settings)
    if view is None:
        return _table(none, none, none, none.astype(bool))
    traces, look, likeness = view.traces, view.look, view.likeness
    spacing = _spacing(traces, settings)

    # Candidates of the second round: what is strong and like the own QRS, and lone strong peaks.
    near = 2 * int(round(0.03 * traces.rate_hz)) + 1
    strength = ndimage.maximum_filter1d(traces.envelope, near)
    relative = strength / np.interp(np.arange(strength.size), look.at, look.level)
    fit = np.maximum(likeness, 0.0) * np.minimum(relative, 1.5)
    alike = local_maxima(np.where(traces.inside, fit, 0.0), spacing)
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
    lone = look.at[~any_within(look.at, alike, spacing)]
    found = np.concatenate((alike, lone))
    order = np.argsort(found, kind="stable")
    found = found[order]
    by_likeness = np.concatenate((by_likeness, np.full(lone.size, -np.inf)))[order]
    found_s = traces.time_s[found]
    usual, noise = usual_and_noise(traces, look.beats, found_s, settings)
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
    traces: Traces, beats: NDArray[np.int64], settings: DetectorSettings
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
    qrs = np.abs(windows(smooth, beats, int(round(0.05 * traces.rate_hz)))).max(axis=1)
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
