"""Quality of an ECG per span of time: may the beats found in it be trusted?

Witnesses are joined to the probability that every beat of a span is right: agreement with a second
detector of another kind (agreement of detectors as a quality index: Li, Mark & Clifford 2008,
Physiol Meas 29:15-32), the least margin among its beats (`beat_detection.chain_margins`), and an
interval that looks like two. Likeness to the own QRS (Orphanidou et al. 2015, IEEE J Biomed Health
Inform 19:832-838) adds nothing beside these and is only shown. Faults of the raw trace are named by
their cause.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from heart.detection.arrays import Floats
from heart.detection.disturbances import undisturbed_pieces
from heart.detection.even_pieces import EvenPiece
from heart.detection.other_detectors import SECOND_DETECTOR, detect_in

ACCEPTED, DOUBTFUL, REJECTED = "accepted", "doubtful", "rejected"

CLIPPING = "clipping"


def agreement_by_span(
    first_s: Floats, second_s: Floats, edges_s: Floats, *, tolerance_s: float = 0.08
) -> Floats:
    """Beats matched by both detectors over beats found by either, per span (0 to 1).

    Beat times in s, sorted; spans between `edges_s`. Two beats match one-to-one where each is the
    other's nearest and they lie within `tolerance_s`. A span without beats has agreement 0.
    Source: convention.
    """
    matched = np.zeros(first_s.size, dtype=bool)
    if first_s.size and second_s.size:
        forward = _nearest(first_s, second_s)
        back = _nearest(second_s, first_s)
        matched = (back[forward] == np.arange(first_s.size)) & (
            np.abs(second_s[forward] - first_s) <= tolerance_s
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
    span_s: float = 10.0,
    accepted_from: float = 0.7,
    doubtful_from: float = 0.5,
) -> pd.DataFrame:
    """Judge each span of an ECG by what its beats and its raw trace look like.

    `time_s` (s) and `ecg_mv` are the raw lead, `beats` the table of `detect_beats`, `pieces` the
    `undisturbed_pieces` of the lead, where these are known. Gives one row
    per span: start_s, end_s, agreement (0-1, with the second detector), mean_correlation (-1 to 1),
    margin (least of the beats), quality (`probability_all_right`, 0 under a fault), verdict
    (`accepted`, `doubtful`, `rejected`) and reason (blank where accepted). The last span takes the
    remainder, so it is between a half and one and a half spans long. Limits: convention, chosen on
    recordings outside the fit.
    """
    time_s = np.asarray(time_s, dtype=float)
    ecg_mv = np.asarray(ecg_mv, dtype=float)
    if time_s.size == 0:
        return _table({name: [] for name in _COLUMNS})
    edges_s = _edges(time_s, span_s)
    beat_s = beats["time_s"].to_numpy(float)
    pieces = undisturbed_pieces(time_s, ecg_mv) if pieces is None else pieces
    agreement = agreement_by_span(beat_s, detect_in(SECOND_DETECTOR, pieces), edges_s)
    correlation = _by_span(beat_s, beats["template_correlation"], edges_s, "mean")
    margin = _by_span(beat_s, beats["margin"], edges_s, "min")
    longest = _longest_interval(beat_s, edges_s)
    quality = probability_all_right(agreement, margin, longest)
    fault = _faults(time_s, ecg_mv, edges_s)
    n_beats = np.diff(np.searchsorted(beat_s, edges_s))
    verdict, reason = [], []
    clipped_but_readable = np.zeros(quality.size, dtype=bool)
    for k, value in enumerate(quality):
        if fault[k] == CLIPPING and n_beats[k] and value >= accepted_from:
            # its tips are lost, its beats stand in both detectors
            verdict.append(DOUBTFUL)
            reason.append("clipping, beats readable")
            clipped_but_readable[k] = True
        elif fault[k]:
            verdict.append(REJECTED)
            reason.append(fault[k])
        elif n_beats[k] == 0:
            verdict.append(REJECTED)
            reason.append("no beats found")
        elif value >= accepted_from:
            verdict.append(ACCEPTED)
            reason.append("")
        else:
            verdict.append(DOUBTFUL if value >= doubtful_from else REJECTED)
            reason.append(_weakest(agreement[k], margin[k], longest[k]))
    unusable = np.array([bool(text) for text in fault]) & ~clipped_but_readable | (n_beats == 0)
    quality = np.where(unusable, 0.0, quality)
    return _table(
        {
            "start_s": edges_s[:-1],
            "end_s": edges_s[1:],
            "agreement": agreement,
            "mean_correlation": correlation,
            "margin": margin,
            "quality": quality,
            "verdict": verdict,
            "reason": reason,
        }
    )


_COLUMNS = (
    "start_s",
    "end_s",
    "agreement",
    "mean_correlation",
    "margin",
    "quality",
    "verdict",
    "reason",
)


def _table(columns: dict) -> pd.DataFrame:
    table = pd.DataFrame(columns)
    numbers = [name for name in _COLUMNS if name not in ("verdict", "reason")]
    return table.astype(dict.fromkeys(numbers, float) | {"verdict": object, "reason": object})


def _edges(time_s: Floats, span_s: float) -> Floats:
    first_s, last_s = np.nanmin(time_s), np.nanmax(time_s)
    n_spans = max(1, int(round((last_s - first_s) / span_s)))
    edges_s = first_s + span_s * np.arange(n_spans + 1)
    edges_s[-1] = np.nextafter(last_s, np.inf)
    return edges_s


def _by_span(beat_s: Floats, value: ArrayLike, edges_s: Floats, summary: str) -> Floats:
    """A summary of the beats of each span; 0 where there are none."""
    place = np.searchsorted(edges_s, beat_s, side="right") - 1
    by_span = pd.Series(np.asarray(value, dtype=float)).groupby(place).agg(summary)
    return by_span.reindex(np.arange(edges_s.size - 1), fill_value=0.0).to_numpy(dtype=float)


def _longest_interval(beat_s: Floats, edges_s: Floats) -> Floats:
    """Largest ratio of an interval that begins in the span to the median of nine around it."""
    intervals_s = np.diff(beat_s)
    if intervals_s.size == 0:
        return np.zeros(edges_s.size - 1)
    ratio = intervals_s / ndimage.median_filter(intervals_s, 9, mode="nearest")
    return _by_span(beat_s[:-1], ratio, edges_s, "max")


def _doubts(agreement: ArrayLike, margin: ArrayLike, interval_ratio: ArrayLike) -> Floats:
    """What each witness takes from the log odds that all is right, one row each."""
    disagreement = 1.0 - np.asarray(agreement, dtype=float)
    unsure = 1.0 - np.clip(np.asarray(margin, dtype=float), 0.0, 3.0) / 3.0
    doubled = np.clip((np.asarray(interval_ratio, dtype=float) - 1.6) / 0.4, 0.0, 1.0)
    return np.array([2.4 * disagreement, 5.5 * unsure, 3.7 * doubled])


def probability_all_right(
    agreement: ArrayLike, margin: ArrayLike, interval_ratio: ArrayLike
) -> Floats:
    """Estimated probability (0-1) that a span of 10 s holds no missed and no false beat.

    A logistic curve in the agreement of two detectors (0-1), the least margin of the beats (counted
    up to 3) and the longest interval over its local median (counted from 1.6 to 2). Convention of
    this project, fitted to 8 records of Moody & Mark 2001, IEEE Eng Med Biol 20(3):45-50, and to
    generated exercise ECG from 12 to -6 dB with and without ectopic beats.
    """
    return 1.0 / (1.0 + np.exp(_doubts(agreement, margin, interval_ratio).sum(axis=0) - 6.2))


def _weakest(agreement: float, margin: float, interval_ratio: float) -> str:
    names = ("detectors disagree", "beats uncertain", "an interval nearly twice its neighbours")
    return names[int(np.argmax(_doubts(agreement, margin, interval_ratio)))]


def _spread(samples: Floats) -> float:
    """From the 5th to the 95th percentile; 0 without samples."""
    if samples.size == 0:
        return 0.0
    place = np.array([0.05, 0.95]) * (samples.size - 1)
    return float(np.ptp(np.interp(place, np.arange(samples.size), np.sort(samples))))


def _faults(time_s: Floats, ecg_mv: Floats, edges_s: Floats) -> list[str]:
    """Name the technical fault of each span; blank if none.

    A flat line is a lead that is off. Contact is lost where the spread of the trace is a tenth or
    twenty times that of the usual span: too small to hold a beat, or drowned (convention).
    """
    finite = np.isfinite(time_s) & np.isfinite(ecg_mv)
    time_s, ecg_mv = time_s[finite], ecg_mv[finite]
    n_spans = edges_s.size - 1
    if time_s.size < 2:
        return ["no samples"] * n_spans
    place = np.searchsorted(time_s, edges_s)
    step_s = float(np.median(np.diff(time_s)))
    same = np.diff(ecg_mv, prepend=np.nan) == 0
    top, bottom = ecg_mv.max(), ecg_mv.min()
    at_rail = same & ((ecg_mv == top) | (ecg_mv == bottom))
    spread = np.array(
        [_spread(ecg_mv[first:stop]) for first, stop in zip(place[:-1], place[1:], strict=True)]
    )
    usual = np.median(spread[spread > 0]) if (spread > 0).any() else 0.0
    faults = []
    for k, (first, stop, start_s, end_s) in enumerate(
        zip(place[:-1], place[1:], edges_s[:-1], edges_s[1:], strict=True)
    ):
        n = stop - first
        if n * step_s < 0.8 * (end_s - start_s):
            faults.append("samples missing")
        elif same[first:stop].mean() > 0.8 and np.ptp(ecg_mv[first:stop]) <= 0.02 * (top - bottom):
            faults.append("flat line, lead off")
        elif at_rail[first:stop].mean() > 0.02:
            faults.append(CLIPPING)
        elif not 0.1 * usual <= spread[k] <= 20 * usual:
            faults.append("loss of contact")
        else:
            faults.append("")
    return faults
