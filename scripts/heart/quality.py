"""Quality of an ECG per span of time: may the beats found in it be trusted?

Witnesses are joined to the probability that every beat of a span is right: agreement with a second
detector of another kind (agreement of detectors as a quality index: Li, Mark & Clifford 2008,
Physiol Meas 29:15-32), beats that only this one sees in pauses, the least margin among its beats
(`chain_margins`), and four that do not share the band of the detectors: the largest change from
one interval to the next, a beat between two that are due one after the other, what moves between
beats faster than a QRS, and how far that is above the quiet of the recording: amid more movement
than usual a change of interval rather is a wrong beat, in the quiet rather the heart. Likeness to
the own QRS (Orphanidou et al. 2015, IEEE J Biomed Health Inform 19:832-838) and likeness of whole
beats to their neighbours add nothing beside these; the first is only shown. Faults of the raw trace
are named by their cause.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from heart.detection.arrays import Floats
from heart.detection.disturbances import undisturbed_pieces
from heart.detection.even_pieces import EvenPiece
from heart.detection.other_detectors import SECOND_DETECTOR, detect_in
from heart.detection.traces import windows

ACCEPTED, DOUBTFUL, REJECTED = "accepted", "doubtful", "rejected"

# probability that all beats of a span are right
ACCEPTED_FROM, DOUBTFUL_FROM = 0.9, 0.5

# two detectors see the same beat within so many s
SAME_BEAT_S = 0.08

# after an ectopic beat the next one is where it was due, within this share of two intervals
FULL_PAUSE_WITHIN = 0.1

# of beats due one after the other, the longest distance in usual intervals
LONGEST_DUE = 1.2

# a level stays for so long only where the lead is off, at a rail already for so long
LONGEST_LEVEL_S, LONGEST_TIP_S = 1.5, 0.3

# of a span, the largest share without a signal
MOST_MISSING = 0.2

# In an interval longer than this another detector may see a beat of another shape, so far from the
# beats on either side.
PAUSE_S, BESIDE_BEATS_S = 1.1, 0.25

# true beats seen there are from 0.4 of the usual steepness on, T waves up to 0.35
STEEP_AS_BEATS = 0.4

# Where tips are lost, a wave beside the QRS may look like it. Of beats that are alike to this mean
# correlation 0.03 % are wrong and 0.5 % stand on another wave (clipped exercise and arrhythmia, as
# accepted); of those from 0.97 to it, 10 % do.
ALIKE_THOUGH_CLIPPED = 0.98

# A beat that may as well be a footfall has no margin: alone it takes a span below acceptance.
FOR_WHICH_NOTHING_SPEAKS = 1.6

CLIPPING, READABLE = "clipping", "clipping, beats readable"


def agreement_by_span(first_s: Floats, second_s: Floats, edges_s: Floats) -> Floats:
    """Beats matched by both detectors over beats found by either, per span (0 to 1).

    Beat times in s, sorted; spans between `edges_s`. Two beats match one-to-one where each is the
    other's nearest and they lie within SAME_BEAT_S. A span without beats has agreement 0.
    Source: convention.
    """
    matched = np.zeros(first_s.size, dtype=bool)
    if first_s.size and second_s.size:
        forward = _nearest(first_s, second_s)
        back = _nearest(second_s, first_s)
        matched = (back[forward] == np.arange(first_s.size)) & (
            np.abs(second_s[forward] - first_s) <= SAME_BEAT_S
        )
    n_first = np.diff(np.searchsorted(first_s, edges_s))
    n_second = np.diff(np.searchsorted(second_s, edges_s))
    n_matched = np.diff(np.searchsorted(first_s[matched], edges_s))
    n_either = np.maximum(n_first + n_second - n_matched, n_matched)
    return np.clip(n_matched / np.maximum(n_either, 1), 0.0, 1.0)


def _nearest(of_s: Floats, among_s: Floats) -> NDArray[np.int64]:
    after = np.clip(np.searchsorted(among_s, of_s), 1, max(among_s.size - 1, 1))
    after = np.minimum(after, among_s.size - 1)
    before = np.maximum(after - 1, 0)
    closer = np.abs(among_s[before] - of_s) <= np.abs(among_s[after] - of_s)
    return np.where(closer, before, after)


def quality_by_span(
    time_s: ArrayLike,
    ecg_mv: ArrayLike,
    beats: pd.DataFrame,
    *,
    pieces: Sequence[EvenPiece] | None = None,
    span_s: float = 5.0,
) -> pd.DataFrame:
    """Judge each span of an ECG by what its beats and its raw trace look like.

    `time_s` (s) and `ecg_mv` are the raw lead, `beats` the table of `detect_beats`, `pieces` the
    `undisturbed_pieces` of the lead, where these are known. Gives one row
    per span: start_s, end_s, agreement (0-1, with the second detector), mean_correlation (-1 to 1),
    margin (least of the beats), quality (`probability_all_right`, 0 under a fault), verdict
    (`accepted`, `doubtful`, `rejected`) and reason (blank where accepted, but for clipped tips
    beside which beats are readable). The last span takes the remainder, so it is between a half and
    one and a half spans long. Limits: convention; of the beats in
    accepted spans of disturbed exercise 0.03 % and of disturbed arrhythmia 0.1 % are wrong.
    """
    time_s = np.asarray(time_s, dtype=float)
    ecg_mv = np.asarray(ecg_mv, dtype=float)
    if time_s.size == 0:
        return _table(*([] for _ in _COLUMNS))
    edges_s = _edges(time_s, span_s)
    beat_s = beats["time_s"].to_numpy(float)
    pieces = undisturbed_pieces(time_s, ecg_mv) if pieces is None else pieces
    witnesses = _witnesses(beats, pieces, edges_s)
    n_beats = np.diff(np.searchsorted(beat_s, edges_s))
    correlation = _by_span(beat_s, beats["template_correlation"], edges_s, np.add)
    correlation /= np.maximum(n_beats, 1)
    quality = probability_all_right(witnesses)
    weakest = np.argmax(_doubts(witnesses), axis=0)
    fault = _faults(time_s, ecg_mv, edges_s, pieces)
    verdict, reason = [], []
    for k, probability in enumerate(quality):
        if fault[k] == CLIPPING and n_beats[k] and probability >= ACCEPTED_FROM:
            verdict.append(ACCEPTED if correlation[k] >= ALIKE_THOUGH_CLIPPED else DOUBTFUL)
            reason.append(READABLE)
        elif fault[k] or n_beats[k] == 0:
            verdict.append(REJECTED)
            reason.append(fault[k] or "no beats found")
            quality[k] = 0.0
        elif probability >= ACCEPTED_FROM:
            verdict.append(ACCEPTED)
            reason.append("")
        else:
            verdict.append(DOUBTFUL if probability >= DOUBTFUL_FROM else REJECTED)
            reason.append(_WEAKNESSES[weakest[k]])
    limits_s = edges_s[:-1], edges_s[1:]
    likeness = witnesses.agreement, correlation
    return _table(*limits_s, *likeness, witnesses.margin, quality, verdict, reason)


_COLUMNS = (
    *("start_s", "end_s", "agreement", "mean_correlation", "margin", "quality"),
    *("verdict", "reason"),
)


def _witnesses(beats: pd.DataFrame, pieces: Sequence[EvenPiece], edges_s: Floats) -> Witnesses:
    """What `probability_all_right` asks of each span."""
    beat_s = beats["time_s"].to_numpy(float)
    second_s = detect_in(SECOND_DETECTOR, pieces)
    fast = _fast_between_beats(pieces, beat_s, edges_s)
    return Witnesses(
        agreement=agreement_by_span(beat_s, second_s, edges_s),
        margin=_by_span(beat_s, beats["margin"], edges_s, np.minimum),
        change=_largest_change(beat_s, (beats["shape"] == "other").to_numpy(), edges_s),
        between=_beats_between(beat_s, edges_s),
        fast=fast,
        above_quiet=above_quiet(fast),
        in_pauses=seen_in_pauses(pieces, beat_s, second_s, edges_s),
    )


def _table(*columns) -> pd.DataFrame:
    numbers = dict.fromkeys(_COLUMNS[:-2], float)
    table = pd.DataFrame(dict(zip(_COLUMNS, columns, strict=True)))
    return table.astype(numbers | {"verdict": object, "reason": object})


def _edges(time_s: Floats, span_s: float) -> Floats:
    first_s, last_s = np.nanmin(time_s), np.nanmax(time_s)
    n_spans = max(1, int(round((last_s - first_s) / span_s)))
    edges_s = first_s + span_s * np.arange(n_spans + 1)
    edges_s[-1] = np.nextafter(last_s, np.inf)
    return edges_s


def _by_span(beat_s: Floats, of_beats: ArrayLike, edges_s: Floats, summary: np.ufunc) -> Floats:
    """A summary of the beats of each span (`np.add`, `np.minimum`), 0 where there are none.

    `beat_s` is sorted.
    """
    bounds = np.searchsorted(beat_s, edges_s)
    n_beats = np.diff(bounds)
    by_span = np.zeros(edges_s.size - 1)
    if n_beats.any():
        known = np.asarray(of_beats, dtype=float)[: bounds[-1]]
        by_span[n_beats > 0] = summary.reduceat(known, bounds[:-1][n_beats > 0])
    return by_span


def _largest_change(beat_s: Floats, other_shape: NDArray[np.bool_], edges_s: Floats) -> Floats:
    """Largest logarithm, without sign, of an interval over the last one that begins in the span.

    An early beat of another shape with its full pause after it is an ectopic beat: the heart is on
    time without it, and its two intervals are not compared.
    """
    if beat_s.size < 5:
        return np.zeros(edges_s.size - 1)
    intervals_s = np.diff(beat_s)
    change = np.abs(np.diff(np.log(np.maximum(intervals_s, 1e-3))))
    usual_s = ndimage.median_filter(intervals_s, 9, mode="nearest")
    around = (beat_s[2:] - beat_s[:-2]) / (2 * usual_s[:-1])
    ectopic = other_shape[1:-1] & (np.abs(around - 1) < FULL_PAUSE_WITHIN)
    near = ectopic.copy()
    near[1:] |= ectopic[:-1]
    near[:-1] |= ectopic[1:]
    return _by_span(beat_s[1:-1], np.where(near, 0.0, change), edges_s, np.maximum)


def _beats_between(beat_s: Floats, edges_s: Floats) -> Floats:
    """Beats of the span whose neighbours are one usual interval apart, the median of nine."""
    if beat_s.size < 3:
        return np.zeros(edges_s.size - 1)
    usual_s = ndimage.median_filter(np.diff(beat_s), 9, mode="nearest")
    around_s = beat_s[2:] - beat_s[:-2]
    between = around_s < LONGEST_DUE * np.maximum(usual_s[:-1], usual_s[1:])
    return _by_span(beat_s[1:-1], between, edges_s, np.add)


def seen_in_pauses(
    pieces: Sequence[EvenPiece], beat_s: Floats, second_s: Floats, edges_s: Floats
) -> NDArray[np.int64]:
    """Beats of the second detector amid intervals longer than PAUSE_S, nearly as steep as beats.

    Of flatter ones it takes a T wave for a beat. Beats of both detectors in s, spans between
    `edges_s`.
    """
    after = np.searchsorted(beat_s, second_s)
    amid = (after > 0) & (after < beat_s.size)
    second_s, after = second_s[amid], after[amid]
    since_s, until_s = second_s - beat_s[after - 1], beat_s[after] - second_s
    seen = (since_s + until_s > PAUSE_S) & (np.minimum(since_s, until_s) > BESIDE_BEATS_S)
    seen_s = second_s[seen]
    if seen_s.size:
        usual = np.median(_steepness(pieces, beat_s))
        seen_s = seen_s[_steepness(pieces, seen_s) > STEEP_AS_BEATS * usual]
    return np.diff(np.searchsorted(seen_s, edges_s))


def _steepness(pieces: Sequence[EvenPiece], at_s: Floats) -> Floats:
    """Largest change within 40 ms, up to 80 ms from each moment; 0 at the rims of pieces."""
    steepness = np.zeros(at_s.size)
    for piece in pieces:
        apart, reach = max(1, int(0.04 * piece.rate_hz)), int(0.1 * piece.rate_hz)
        at = np.rint((at_s - piece.start_s) * piece.rate_hz).astype(np.int64)
        inside = (at >= reach) & (at < piece.samples.size - reach)
        around = windows(piece.samples, at[inside], reach)
        steepness[inside] = np.abs(around[:, apart:] - around[:, :-apart]).max(axis=1)
    return steepness


def _fast_between_beats(
    pieces: Sequence[EvenPiece], beat_s: Floats, edges_s: Floats
) -> NDArray[np.float64]:
    """Movement above the band of the QRS between beats, over the usual one at beats, per span.

    Movement is the mean size of the second difference, within 0.09 s, of samples brought to 180 to
    375 Hz by block means where they are more; between beats its 97th percentile counts, so that a
    short burst shows.
    """
    fast, at_beats, bounds = [], [], np.zeros(edges_s.size, np.int64)
    for piece in pieces:
        block = max(1, int(piece.rate_hz / 187.5))
        n, rate_hz = piece.samples.size // block, piece.rate_hz / block
        if n < rate_hz:
            continue
        samples = piece.samples
        if block > 1:
            samples = samples[: n * block].reshape(n, block).mean(axis=1)
        curved = np.zeros(n)
        curved[1:-1] = np.abs(np.diff(samples, 2))
        movement = ndimage.uniform_filter1d(curved, max(3, int(0.09 * rate_hz)))
        beats = np.rint((beat_s - piece.start_s) * rate_hz)
        beats = beats[(beats >= 0) & (beats < n)].astype(int)
        around = np.arange(-int(0.08 * rate_hz), int(0.08 * rate_hz) + 1)
        beyond = np.ones(n, bool)
        beyond[np.clip(beats[:, None] + around, 0, n - 1)] = False
        fast.append(movement[beyond])
        moment_s = piece.start_s + np.arange(n) / rate_hz
        bounds += np.searchsorted(np.flatnonzero(beyond), np.searchsorted(moment_s, edges_s))
        around = np.arange(-int(0.03 * rate_hz), int(0.03 * rate_hz) + 1)
        at_beats.append(movement[np.clip(beats[:, None] + around, 0, n - 1)].max(axis=1))
    if not at_beats or not any(heights.size for heights in at_beats):
        return np.zeros(edges_s.size - 1)
    usual = max(float(np.median(np.concatenate(at_beats))), 1e-12)
    movement = np.concatenate(fast)
    spans = (movement[first:stop] for first, stop in zip(bounds[:-1], bounds[1:], strict=True))
    return np.array([_quantile(of_span, 0.97) for of_span in spans]) / usual


def above_quiet(fast: Floats) -> Floats:
    """Logarithm of fast movement in each span over that of the quiet quarter, from -0.5 to 1.5.

    `fast` is movement between beats over that at beats. Movement below 0.02 counts as 0.02, and a
    quiet below 0.05 as 0.05: less is no movement that a recording could tell from none.
    """
    quiet = max(float(np.quantile(fast, 0.25)), 0.05)
    return np.clip(np.log(np.maximum(fast, 0.02) / quiet), -0.5, 1.5)


class Witnesses(NamedTuple):
    """What speaks for and against a span of 5 s; each a number, or an array with one for each span.

    agreement of two detectors (0-1); the least margin of the beats; the largest change of interval
    (logarithm); beats between two that are due; fast movement between beats over that at beats;
    how far that is above the quiet of the recording (logarithm); beats that the second detector
    sees in pauses.
    """

    agreement: ArrayLike
    margin: ArrayLike
    change: ArrayLike
    between: ArrayLike
    fast: ArrayLike
    above_quiet: ArrayLike
    in_pauses: ArrayLike


def _doubts(witnesses: Witnesses) -> Floats:
    """What each witness takes from the log odds that all is right, one row each."""
    agreement, margin, change, between, fast, above, in_pauses = witnesses
    disagreement = 1.0 - np.asarray(agreement, dtype=float)
    unsure = 1.0 - np.clip(np.asarray(margin, dtype=float), 0.0, 3.0) / 3.0
    unsure = np.where(unsure == 1.0, FOR_WHICH_NOTHING_SPEAKS, unsure)
    return np.array(
        [
            3.0 * disagreement,
            3.0 * unsure,
            (2.8 + 1.3 * np.asarray(above)) * np.minimum(change, 1.0),
            1.9 * np.minimum(between, 1.0),
            0.5 * np.minimum(fast, 1.5),
            2.2 * np.minimum(in_pauses, 2.0),
        ]
    )


_WEAKNESSES = (
    "detectors disagree",
    "beats uncertain",
    "intervals change abruptly",
    "a beat between two that are due",
    "fast noise between beats",
    "another detector sees beats in pauses",
)


def probability_all_right(witnesses: Witnesses) -> Floats:
    """Estimated probability (0-1) that a span of 5 s holds no missed and no false beat.

    A logistic curve in the witnesses: the margin is counted up to 3, the change up to 1 and the
    more, the more movement is above the quiet of the recording, beats between two up to one, fast
    movement up to 1.5, beats in pauses up to two. Convention of this project: means of four fits,
    each to 12 of 16 records of Moody & Mark 2001, IEEE Eng Med Biol 20(3):45-50, under the
    disturbances of `demo.disturbed_ecg` with recorded noise and to generated exercise ECG, and
    judged on the other four; the last weight is set so that two beats seen in pauses suffice, as of
    28 such spans five were faultless.
    """
    return 1.0 / (1.0 + np.exp(_doubts(witnesses).sum(axis=0) - 6.2))


def _quantile(samples: Floats, quantile: float) -> float:
    """The value at this place of the sorted ones, rounded down; 0 without. `samples` are moved."""
    if samples.size == 0:
        return 0.0
    rank = int(quantile * (samples.size - 1))
    samples.partition(rank)
    return samples[rank]


def _spread(samples: Floats) -> float:
    """From the 5th to the 95th percentile of at least 400 samples spread over the span."""
    ordered = np.sort(samples[:: max(1, samples.size // 400)])
    return float(ordered[int(0.95 * (ordered.size - 1))] - ordered[int(0.05 * (ordered.size - 1))])


def _spread_by_span(pieces: Sequence[EvenPiece], edges_s: Floats) -> Floats:
    """The largest spread of a piece in each span."""
    spread = np.zeros(edges_s.size - 1)
    for piece in pieces:
        bounds = np.ceil((edges_s - piece.start_s) * piece.rate_hz)
        bounds = np.clip(bounds, 0, piece.samples.size).astype(int)
        for k in np.flatnonzero(np.diff(bounds)):
            spread[k] = max(spread[k], _spread(piece.samples[bounds[k] : bounds[k + 1]]))
    return spread


def _lasting_samples(present: NDArray[np.bool_], n: float) -> NDArray[np.bool_]:
    """What is present for more than `n` samples in a row."""
    runs = np.flatnonzero(np.diff(present, prepend=False, append=False)).reshape(-1, 2)
    lasting = np.zeros(present.size, bool)
    for first, stop in runs[np.diff(runs, axis=1)[:, 0] > n]:
        lasting[first:stop] = True
    return lasting


def _faults(
    time_s: Floats, ecg_mv: Floats, edges_s: Floats, pieces: Sequence[EvenPiece]
) -> list[str]:
    """Name the technical fault of each span; blank if none.

    A flat line is a lead that is off: a level that stays for longer than a pause between beats, or
    at a rail for longer than a wave, through more than a fifth of the span. Contact is lost where
    the spread of the trace without hum and steps is a tenth or twenty times that of the usual span:
    too small to hold a beat, or drowned (convention).
    """
    finite = np.isfinite(time_s) & np.isfinite(ecg_mv)
    if not finite.all():
        time_s, ecg_mv = time_s[finite], ecg_mv[finite]
    n_spans = edges_s.size - 1
    if time_s.size < 2:
        return ["no samples"] * n_spans
    bounds = np.searchsorted(time_s, edges_s)
    step_s = 1.0 / pieces[0].rate_hz if pieces else float(np.median(np.diff(time_s)))
    same = np.zeros(ecg_mv.size, bool)
    np.equal(ecg_mv[1:], ecg_mv[:-1], out=same[1:])
    top, bottom = ecg_mv.max(), ecg_mv.min()
    at_rail = same & ((ecg_mv == top) | (ecg_mv == bottom))
    off = _lasting_samples(same, LONGEST_LEVEL_S / step_s) | _lasting_samples(
        at_rail, LONGEST_TIP_S / step_s
    )
    spread = _spread_by_span(pieces, edges_s)
    usual = np.median(spread[spread > 0]) if (spread > 0).any() else 0.0
    n_samples = np.diff(bounds)
    off_share, at_rail_share = (
        np.diff(np.searchsorted(np.flatnonzero(present), bounds)) / np.maximum(n_samples, 1)
        for present in (off, at_rail)
    )
    return np.select(
        [
            n_samples * step_s < (1 - MOST_MISSING) * np.diff(edges_s),
            off_share > MOST_MISSING,
            at_rail_share > 0.02,
            (spread < 0.1 * usual) | (spread > 20 * usual),
        ],
        ["samples missing", "flat line, lead off", CLIPPING, "loss of contact"],
        "",
    ).tolist()
