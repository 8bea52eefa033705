"""Beat detection that holds under exercise: own-waveform evidence joined by interval continuity.

Mains hum and steps of an electrode are taken out first (`disturbances`).

Method: (1) candidates are peaks of the slope envelope of the QRS band; (2) a first optimisation
over all candidates joins evidence and the continuity of intervals; (3) the recording's own median
QRS is learned from that first answer; (4) candidates are scored again by strength and likeness to
the own QRS, or by standing out of the quiet between beats (ectopic complexes), and optimised again;
(5) wide ectopic complexes are sought in what long intervals still hold without the own P and T;
(6) every normal beat is placed by correlation with the own QRS, between samples.

Where noise between beats is strong and weaker in a higher band, in which a QRS is steep and a
moving electrode less so, the signal is seen through that band. So it is among footfalls: where
complexes that recur stand closer and come more often than a heart can beat. There standing out is
no evidence of a beat; the own QRS is learned elsewhere and the footfalls as shapes of their own, so
that what is more like a footfall than like a beat only bridges a gap in the chain. Where the own
QRS cannot be learned elsewhere, it is unknown which of two trains is the heart: margin 0.

Slope of the QRS band: Pan & Tompkins 1985, IEEE Trans Biomed Eng 32:230-236. Alignment of the
template: Woody 1967, Med Biol Eng 5:539-553. Optimisation over a chain: Bellman 1957.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from heart.detection import settings
from heart.detection.arrays import Floats
from heart.detection.bands import SecondPass, prepare_second_pass
from heart.detection.between_beats import margins_between_beats
from heart.detection.disturbances import undisturbed_pieces
from heart.detection.even_pieces import EvenPiece
from heart.detection.evidence import (
    any_within,
    local_level,
    standing_out_evidence,
    usual_and_noise,
)
from heart.detection.interval_chain import IMPOSSIBLE, chain_margins
from heart.detection.peaks import candidate_spacing
from heart.detection.placing import place_beats
from heart.detection.traces import in_frequency, largest_within, local_maxima, windows
from heart.detection.wide_beats import wide_beats

SHORTEST_RECORDING_S = 3.0


def detect_beats(
    time_s: ArrayLike,
    ecg_mv: ArrayLike,
    *,
    pieces: Sequence[EvenPiece] | None = None,
) -> pd.DataFrame:
    """Find the heart beats of one ECG lead, also under exercise.

    `time_s` (s, rising, need not start at 0) and `ecg_mv` (any unit, offset, gain or polarity) are
    1-D and equally long; `pieces` are their `undisturbed_pieces`, where these are known. Gives one
    row per beat, sorted by time: `time_s` (s, between samples; the main deflection of the
    recording's own QRS), `template_correlation` (-1 to 1, with the own normal QRS), `margin`
    (evidence that the best chain of beats loses without this beat, see `chain_margins`; of a wide
    beat in a long interval how far it stands out; 0 of a beat that may be a footfall) and `shape`
    (`normal`, or `other` for a waveform unlike the own QRS). `attrs` hold as `parted_s` the moments
    (s) from which beats are marked at a point that may be another one than before. Signals that are
    empty, constant or shorter than 3 s give an empty table. Raises ValueError on unequal lengths.
    """
    pieces = undisturbed_pieces(time_s, ecg_mv) if pieces is None else pieces
    pieces = [piece for piece in pieces if np.ptp(piece.samples) > 0]
    if sum(piece.samples.size / piece.rate_hz for piece in pieces) < SHORTEST_RECORDING_S:
        return _no_beats()
    second = prepare_second_pass(in_frequency(pieces))
    if second is None:
        return _no_beats()
    traces = second.traces
    beats, margin, normal_from = _chain(second)
    if beats.size == 0:
        return _no_beats()
    wide, wide_evidence = wide_beats(traces, beats)
    between = np.searchsorted(beats, wide)
    beat_s, correlation, parted_s = place_beats(
        traces, np.insert(beats, between, wide), second.shapes
    )
    table = _table(
        beat_s,
        correlation,
        np.insert(margin, between, wide_evidence),
        correlation >= np.insert(normal_from, between, settings.NORMAL_CORRELATION[0]),
    )
    if parted_s:
        table.attrs["parted_s"] = parted_s
    return table


def _chain(second: SecondPass) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Beats of the best chain (samples), their margins, and from which correlation on each is of
    normal shape. Empty where no candidates stand out.
    """
    traces = second.traces
    candidates, by_likeness, strength = _candidates(second)
    if candidates.size == 0:
        return candidates, np.empty(0), np.empty(0)
    candidate_s = traces.time_s[candidates]
    usual, noise = usual_and_noise(traces, second.first.beats, candidate_s)
    evidence = _evidence(second, candidates, by_likeness, strength, usual, noise)
    margin = chain_margins(candidate_s, evidence, traces.piece[candidates])
    near = int(round(0.05 * traces.rate_hz))
    in_chain = np.flatnonzero(margin > 0)
    margin[in_chain] = margins_between_beats(
        candidate_s[in_chain],
        windows(second.likeness, candidates[in_chain], near).max(axis=1),
        margin[in_chain],
    )
    chosen = margin > 0
    # What is more like a footfall is in the chain to bridge it, and where the two cannot be told
    # apart any beat may be one: nothing speaks for it.
    unknown = second.like_a_footfall[candidates] | second.unsettled[candidates]
    margin = np.where(unknown, 0.0, margin)
    # Noise makes normal beats look strange: the noisier, the stranger a beat must be.
    normal_from = np.interp(noise / usual, settings.NOISE_RATIO, settings.NORMAL_CORRELATION)
    return candidates[chosen], margin[chosen], normal_from[chosen]


def _candidates(second: SecondPass) -> tuple[NDArray[np.int64], Floats, Floats]:
    """What is strong and like the own QRS, and lone strong peaks: samples, sorted, with the
    evidence of their likeness (-inf of a lone peak) and their strength. Empty below three alike.
    """
    traces, first = second.traces, second.first
    spacing = candidate_spacing(traces)
    strength = largest_within(traces.envelope, int(round(0.03 * traces.rate_hz)))
    relative = strength / np.interp(np.arange(strength.size), first.at, first.level)
    fit = np.maximum(second.likeness, 0.0) * np.minimum(relative, settings.RELATIVE_MOST)
    alike = local_maxima(np.where(traces.inside, fit, 0.0), spacing)
    alike = alike[fit[alike] > settings.FIT_FROM]
    if alike.size < 3:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    likeness = second.likeness[alike]
    product = strength[alike] * likeness
    level = local_level(
        traces.time_s[alike], product, settings.PRODUCT_QUANTILE, settings.LEVEL_REACH_S
    )
    by_likeness = (
        settings.PRODUCT_WEIGHT * np.log(np.maximum(product / level, 1e-3))
        + settings.LIKENESS_WEIGHT * (likeness - settings.LIKENESS_FROM)
        + settings.ALIKE_EVIDENCE
    )
    lone = first.at[~any_within(first.at, alike, spacing)]
    candidates = np.concatenate((alike, lone))
    order = np.argsort(candidates, kind="stable")
    by_likeness = np.concatenate((by_likeness, np.full(lone.size, -np.inf)))[order]
    candidates = candidates[order]
    return candidates, by_likeness, strength[candidates]


def _evidence(
    second: SecondPass,
    candidates: NDArray[np.int64],
    by_likeness: Floats,
    strength: Floats,
    usual: Floats,
    noise: Floats,
) -> Floats:
    """What speaks for each candidate: likeness, or standing out; where complexes crowd and of what
    is more like a footfall no more than bridging a gap.
    """
    time_s, first = second.traces.time_s, second.first
    by_standing_out = standing_out_evidence(strength, usual, noise)
    bridging = np.where(
        strength > settings.BRIDGING_SHARE * usual, settings.BRIDGING_EVIDENCE, IMPOSSIBLE
    )
    crowded_share = np.interp(time_s[candidates], time_s[first.at], first.crowded_share)
    crowded = crowded_share >= settings.CROWDED_FROM
    evidence = np.maximum(by_likeness, np.where(crowded, bridging, by_standing_out))
    footfall = second.like_a_footfall[candidates]
    evidence[footfall] = np.minimum(evidence[footfall], settings.BRIDGING_EVIDENCE)
    return evidence


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


def _no_beats() -> pd.DataFrame:
    none = np.empty(0)
    return _table(none, none, none, none.astype(bool))
