"""Quality of an ECG per span of time: may the beats found in it be trusted?

Three independent witnesses are joined: agreement with a second detector of another kind
(agreement of detectors as a quality index: Li, Mark & Clifford 2008, Physiol Meas 29:15-32),
likeness of the beats to the recording's own QRS (Orphanidou et al. 2015, IEEE J Biomed Health
Inform 19:832-838), and the margin of the chain of beats (see `beat_detection.chain_margins`).
Faults of the raw trace are named by their cause.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from analysis.beat_detection import detect_beats, even_pieces

Floats = NDArray[np.float64]

ACCEPTED, DOUBTFUL, REJECTED = "accepted", "doubtful", "rejected"


# ------------------------------------------------------------------------- other detectors


def _in_pieces(
    detector: Callable[[Floats, float], ArrayLike], time_s: ArrayLike, ecg_mv: ArrayLike
) -> Floats:
    """Beat times (s) of a detector that takes even samples and a rate and gives sample numbers."""
    found = [
        piece.start_s + np.asarray(detector(piece.samples, piece.rate_hz), float) / piece.rate_hz
        for piece in even_pieces(time_s, ecg_mv, shortest_s=3.0)
        if np.ptp(piece.samples) > 0
    ]
    return np.concatenate(found) if found else np.empty(0)


def _sleepecg(samples: Floats, rate_hz: float) -> ArrayLike:
    from sleepecg import detect_heartbeats

    return detect_heartbeats(samples, rate_hz)


def detect_with(name: str, time_s: ArrayLike, ecg_mv: ArrayLike) -> Floats:
    """Beat times (s) of one lead by the detector `name`, for comparison.

    `own` is `detect_beats`, `sleepecg` the detector of that library (Brunner et al. 2023, J Open
    Source Softw 8:5411), any other name a method of neurokit2's `ecg_peaks` (Makowski et al. 2021,
    Behav Res Methods 53:1689-1696). Raises ValueError where neurokit2 does not know the name.
    """
    if name == "own":
        return detect_beats(time_s, ecg_mv)["time_s"].to_numpy()
    if name == "sleepecg":
        return _in_pieces(_sleepecg, time_s, ecg_mv)

    def neurokit(samples: Floats, rate_hz: float) -> ArrayLike:
        import neurokit2

        rate = int(round(rate_hz))
        try:
            cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate, method=name)
        except ValueError:
            # a method of finding peaks that brings no cleaning of its own
            cleaned = neurokit2.ecg_clean(samples, sampling_rate=rate)
        peaks = neurokit2.ecg_peaks(cleaned, sampling_rate=rate, method=name)[1]["ECG_R_Peaks"]
        # The library counts in whole hertz; the true rate turns its samples into seconds.
        return np.asarray(peaks)

    return _in_pieces(neurokit, time_s, ecg_mv)


second_detector = "sleepecg"


# ---------------------------------------------------------------------------- the verdict


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
    span_s: float = 10.0,
    accepted_from: float = 0.8,
    doubtful_from: float = 0.6,
) -> pd.DataFrame:
    """Judge each span of an ECG by what its beats and its raw trace look like.

    `time_s` (s) and `ecg_mv` are the raw lead, `beats` the table of `detect_beats`. Gives one row
    per span: start_s, end_s, agreement (0-1), mean_correlation (-1 to 1), margin, quality (0-1),
    verdict (`accepted`, `doubtful`, `rejected`) and reason (blank where accepted). The last span
    takes the remainder, so it is between a half and one and a half spans long.
    """
    time_s = np.asarray(time_s, dtype=float)
    ecg_mv = np.asarray(ecg_mv, dtype=float)
    if time_s.size == 0:
        return _table({name: [] for name in _COLUMNS})
    edges_s = _edges(time_s, span_s)
    beat_s = beats["time_s"].to_numpy(float)
    agreement = agreement_by_span(beat_s, detect_with(second_detector, time_s, ecg_mv), edges_s)
    correlation, margin = _by_span(beats, edges_s)
    quality = _quality(agreement, correlation, margin)
    fault = _faults(time_s, ecg_mv, edges_s)
    n_beats = np.diff(np.searchsorted(beat_s, edges_s))
    verdict, reason = [], []
    for k, value in enumerate(quality):
        if fault[k]:
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
            reason.append(_weakest(agreement[k], correlation[k], margin[k]))
    quality = np.where([bool(text) for text in fault], 0.0, quality)
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


def _by_span(beats: pd.DataFrame, edges_s: Floats) -> tuple[Floats, Floats]:
    """Mean correlation and lower-quartile margin of the beats of each span; 0 without beats."""
    place = np.searchsorted(edges_s, beats["time_s"].to_numpy(float), side="right") - 1
    by_span = beats.groupby(place)
    spans = np.arange(edges_s.size - 1)
    correlation = by_span["template_correlation"].mean().reindex(spans, fill_value=0.0)
    margin = by_span["margin"].quantile(0.25).reindex(spans, fill_value=0.0)
    return correlation.to_numpy(), margin.to_numpy()


def _quality(agreement: Floats, correlation: Floats, margin: Floats) -> Floats:
    own = np.clip((correlation - 0.5) / 0.4, 0.0, 1.0) * np.clip(margin / 3.0, 0.0, 1.0)
    return np.clip(0.6 * agreement + 0.4 * own, 0.0, 1.0)


def _weakest(agreement: float, correlation: float, margin: float) -> str:
    shortfall = {
        "detectors disagree": 1.0 - agreement,
        "beats unlike the own waveform": np.clip((0.9 - correlation) / 0.4, 0, 1),
        "beats uncertain": np.clip(1.0 - margin / 3.0, 0, 1),
    }
    return max(shortfall, key=shortfall.get)


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
        [
            np.ptp(np.percentile(ecg_mv[first:stop], (5, 95))) if stop > first else 0.0
            for first, stop in zip(place[:-1], place[1:], strict=True)
        ]
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
            faults.append("clipping")
        elif not 0.1 * usual <= spread[k] <= 20 * usual:
            faults.append("loss of contact")
        else:
            faults.append("")
    return faults
