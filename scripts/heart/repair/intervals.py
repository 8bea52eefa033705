"""The repaired series of a person's beats, and how much of it was repaired.

Beats are questioned by the rule of Lipponen & Tarvainen 2019 (`labels`); around every group of
questioned beats the likeliest interpretation is chosen (`interpretations`), and missing values
stand where the intervals nearby lead one to expect them (`local_model`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from heart.beat_edits import ADDED, REMOVED
from heart.repair.interpretations import Interpretation, UnbrokenBeats, interpret_stretch
from heart.repair.labels import (
    ECTOPIC,
    EXTRA,
    FEWEST_BEATS,
    MISPLACED,
    MISSED,
    NORMAL,
    classify_intervals,
)

BEAT_COLUMNS = ["time_s", "rr_ms", "nn_time_s", "nn_ms", "kind", "source", "reason"]

SMALLEST_THRESHOLD_SHARE = 0.01  # of an interval: keeps rounded or constant series testable

# an interval is near the usual one within so many usual deviations of its neighbours, 21 intervals
# around, and within this share of it in any case: in a set whose beats vary by 1 % a beat that is
# off by 20 % is judged, at rest a breath is not
LOCAL_SPREADS = 6.0

LEAST_DEVIATION = 0.15

# a longer interval between beats is a break
LONGEST_GAP_S = 3.0

# a beat of another shape is ectopic where the interval before or after it is off the usual interval
# by more than this share
ECTOPIC_DEVIATION = 0.10

# a beat that comes early by more than this share of the interval is called ectopic, by less
# misplaced; without a waveform nothing else tells them apart
PREMATURE_SHARE = 0.15

# threshold factor that proposes intervals for judgement; lower than the published 5.2 because the
# judgement guards against false alarms
SUSPICION_FACTOR = 3.5

UNLIKE = "waveform unlike the person's own"

MOST_MEDIANS = 0.8  # quartile deviation over median of exponentially distributed changes


@dataclass(frozen=True)
class _Change:
    """What becomes of a beat: its place in s (NaN when dropped), its kind and why."""

    place_s: float
    kind: str
    reason: str


def repair_intervals(
    beat_time_s: np.ndarray,
    *,
    shape: Sequence[str] | None = None,
    correlation: np.ndarray | None = None,
    origin: Sequence[str] | None = None,
    origin_reason: Sequence[str] | None = None,
    breaks_s: Sequence[tuple[float, float]] = (),
    clear_correlation: float = 0.8,
    clear_deviation: float = 0.25,
) -> pd.DataFrame:
    """Repair a beat series: one row per beat seen and one per beat that the repair puts in.

    Parameters
    ----------
    beat_time_s : sorted beat times, s; may be empty.
    shape : per beat `normal` or `other` (waveform unlike the person's own), where there is an ECG.
    correlation : per beat, correlation with the person's own waveform (-1..1).
    origin : per beat `detector`, `added` or `removed`, as `apply_beat_edits` gives it. Beats added
        by hand are never dropped, beats removed by hand never used.
    origin_reason : per beat, why a person added or removed it.
    breaks_s : spans (start, end) over which intervals are never formed; start may equal end.
    clear_correlation, clear_deviation : with `shape` and `correlation`, a doubtful interval whose
        two beats are normal in shape with at least this correlation, and whose length is within
        this share of the usual interval nearby, is left alone; where intervals vary little, within
        `LOCAL_SPREADS` of their usual deviations.

    Returns
    -------
    Table sorted by time_s with columns time_s (where the beat was seen, or was put), rr_ms
    (interval from the beat seen before it; NaN at the first beat of a stretch and for beats not
    from the detector), nn_time_s and nn_ms (time in the repaired series and the interval that ends
    there; NaN for a beat that is not in it, nn_ms also at the first beat of a stretch), kind
    (`normal`, `ectopic`, `missed` = put in by the repair, `extra` = dropped by the repair,
    `misplaced`, `added`, `removed`), source (`detector`, `edit`, `repair`), reason (empty for a
    normal beat that was tested).

    Raises ValueError for unsorted or non-finite times and for columns of another length.
    Source: candidates after Lipponen & Tarvainen 2019, J Med Eng Technol 43:173-181; filling after
    Janssen, Veldhuis & Vries 1986, IEEE Trans Acoust Speech Signal Process 34:317-330; the choice
    between interpretations, when a beat is clear, and their limits are conventions of this
    project.
    """
    beats = _checked(
        beat_time_s,
        shape=shape,
        correlation=correlation,
        origin=origin,
        origin_reason=origin_reason,
    )
    origins = np.array(["detector"] * beats.size if origin is None else list(origin), dtype=object)
    other_shape, clear_shape = _by_shape(beats.size, shape, correlation, clear_correlation)
    from_detector = origins == "detector"
    kind = np.where(from_detector, NORMAL, origins)
    reason = np.array([""] * beats.size if origin_reason is None else origin_reason, dtype=object)
    nn_time_s, nn_ms = np.full((2, beats.size), np.nan)
    inserted: list[pd.DataFrame] = []
    in_use = np.flatnonzero(origins != REMOVED)
    for positions in _stretches(beats[in_use], breaks_s):
        in_stretch = in_use[positions]
        stretch = _examine(
            beats[in_stretch],
            added=origins[in_stretch] == ADDED,
            other_shape=other_shape[in_stretch],
            clear_shape=clear_shape[in_stretch],
            clear_deviation=clear_deviation,
        )
        changes, put_in = _changes(stretch, interpret_stretch(stretch))
        if in_stretch.size < FEWEST_BEATS:
            reason[in_stretch[kind[in_stretch] == NORMAL]] = (
                f"not tested: {in_stretch.size} beats in a row, at least {FEWEST_BEATS} are needed"
            )
        for beat, change in changes.items():
            kind[in_stretch[beat]], reason[in_stretch[beat]] = change.kind, change.reason
        nn_time_s[in_stretch], nn_ms[in_stretch], put_in_ms = _series(
            stretch.beats, changes, put_in
        )
        inserted += [_inserted(put_in, put_in_ms)] if put_in else []
    seen = {
        "time_s": beats,
        "rr_ms": _seen_intervals_ms(beats, origins != ADDED, breaks_s),
        "nn_time_s": nn_time_s,
        "nn_ms": nn_ms,
        "kind": kind,
        "source": np.where(from_detector, "detector", "edit").astype(object),
        "reason": reason,
    }
    table = pd.concat([pd.DataFrame(seen), *inserted], ignore_index=True)
    return table.sort_values("time_s", kind="stable", ignore_index=True)[BEAT_COLUMNS]


def _checked(beat_time_s: np.ndarray, **columns: Sequence | None) -> np.ndarray:
    """The beat times as numbers; ValueError where they or what belongs to them do not fit."""
    beats = np.asarray(beat_time_s, dtype=float)
    if not np.all(np.isfinite(beats)):
        raise ValueError("beat times must be finite numbers")
    if np.any(np.diff(beats) < 0):
        raise ValueError("beat times must be sorted")
    for name, column in columns.items():
        if column is not None and len(column) != beats.size:
            raise ValueError(f"{name} has {len(column)} values for {beats.size} beats")
    return beats


def _by_shape(
    size: int,
    shape: Sequence[str] | None,
    correlation: np.ndarray | None,
    least_correlation: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Which beats are unlike the person's own, and which are clearly like them."""
    nothing = np.zeros(size, dtype=bool)
    if shape is None:
        return nothing, nothing
    unlike = np.array(list(shape), dtype=object) == "other"
    if correlation is None:
        return unlike, nothing
    return unlike, ~unlike & (np.asarray(correlation, dtype=float) >= least_correlation)


def _inserted(put_in: Sequence[tuple[float, str]], interval_ms: np.ndarray) -> pd.DataFrame:
    """Beats put in by the repair as they stand in the table."""
    times_s, causes = zip(*put_in, strict=True)
    return pd.DataFrame(
        {
            "time_s": times_s,
            "rr_ms": np.nan,
            "nn_time_s": times_s,
            "nn_ms": interval_ms,
            "kind": MISSED,
            "source": "repair",
            "reason": causes,
        }
    )


def _series(
    seen_s: np.ndarray, changes: Mapping[int, _Change], put_in: Sequence[tuple[float, str]]
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Place (s) of each seen beat in the repaired series and interval (ms) that ends there, NaN
    where it is not in it; then the intervals that end at the beats put in.
    """
    place_s, interval_ms = seen_s.copy(), np.full(seen_s.size, np.nan)
    for beat, change in changes.items():
        place_s[beat] = change.place_s
    used = np.isfinite(place_s)
    put_in_s = np.array([time for time, _ in put_in])
    interval_ms[used], put_in_ms = _intervals_ms(place_s[used], put_in_s)
    return place_s, interval_ms, put_in_ms


def _intervals_ms(*groups_s: np.ndarray) -> list[np.ndarray]:
    """For each group of beats, the intervals that end at them when all groups are one series."""
    times_s = np.concatenate(groups_s)
    order = np.argsort(times_s, kind="stable")
    intervals_ms = np.empty(times_s.size)
    intervals_ms[order] = 1000 * np.diff(times_s[order], prepend=np.nan)
    return np.split(intervals_ms, np.cumsum([group.size for group in groups_s])[:-1])


def _broken(beats: np.ndarray, breaks_s: Sequence[tuple[float, float]]) -> np.ndarray:
    """For every interval, whether a break lies in it."""
    broken = np.diff(beats) > LONGEST_GAP_S
    for start, end in breaks_s:
        broken |= (beats[:-1] <= end) & (beats[1:] > start)
    return broken


def _stretches(beats: np.ndarray, breaks_s: Sequence[tuple[float, float]]) -> list[np.ndarray]:
    """Positions of the beats of every stretch without a break."""
    if beats.size == 0:
        return []
    cuts = np.flatnonzero(_broken(beats, breaks_s)) + 1
    return np.split(np.arange(beats.size), cuts)


def _seen_intervals_ms(
    beats: np.ndarray, seen: np.ndarray, breaks_s: Sequence[tuple[float, float]]
) -> np.ndarray:
    seen_at = np.flatnonzero(seen)
    broken = _broken(beats[seen_at], breaks_s)
    intervals_ms = np.full(beats.size, np.nan)
    intervals_ms[seen_at[1:]] = np.where(broken, np.nan, 1000 * np.diff(beats[seen_at]))
    return intervals_ms


def _examine(
    beats: np.ndarray,
    *,
    added: np.ndarray,
    other_shape: np.ndarray,
    clear_shape: np.ndarray,
    clear_deviation: float,
) -> UnbrokenBeats:
    """Which beats stand firm, which cannot be sinus beats, which intervals are doubtful."""
    nothing = np.zeros(beats.size, dtype=bool)
    intervals = np.diff(beats)
    if intervals.size < 2:
        return UnbrokenBeats(beats, added, nothing, nothing[1:])
    flagged = _suspect_intervals(intervals)
    sinus = ~(other_shape[:-1] | other_shape[1:])
    deviation = np.abs(intervals / _running_median(intervals, sinus & ~flagged) - 1)
    usual_deviation = _running_median(deviation, sinus & ~flagged, width=21)
    most = np.clip(LOCAL_SPREADS * usual_deviation, LEAST_DEVIATION, clear_deviation)

    def both_sides(interval_mark: np.ndarray, how: np.ufunc, edge: bool) -> np.ndarray:
        return how(np.append(edge, interval_mark), np.append(interval_mark, edge))

    near = deviation < np.minimum(most, clear_deviation)
    by_hand = added[:-1] | added[1:]
    flagged &= ~(near & (by_hand | (clear_shape[:-1] & clear_shape[1:])))
    # a person who placed a beat has seen its neighbours
    vouched_for = clear_shape | both_sides(by_hand, np.logical_or, False)
    firm = added | (vouched_for & both_sides(near, np.logical_and, True))
    off_time = both_sides(deviation > ECTOPIC_DEVIATION, np.logical_or, False)
    banned = other_shape & off_time & ~added
    flagged |= banned[:-1] | banned[1:]
    return UnbrokenBeats(beats, firm, banned, flagged)


def _suspect_intervals(intervals: np.ndarray) -> np.ndarray:
    """Intervals that the published rule doubts, the ends of the series included.

    The series is continued by its mirror image, because the rule as published has no first
    interval and does not test the last two.
    """
    if intervals.size + 1 < FEWEST_BEATS:
        return np.zeros(intervals.size, dtype=bool)
    margin = FEWEST_BEATS - 2
    mirrored = np.pad(intervals, margin, mode="reflect")
    labels = classify_intervals(
        np.append(0.0, np.cumsum(mirrored)),
        threshold_factor=SUSPICION_FACTOR,
        smallest_threshold=SMALLEST_THRESHOLD_SHARE,
        most_medians=MOST_MEDIANS,
    )
    return labels[1 + margin : 1 + margin + intervals.size] != NORMAL


def _running_median(intervals: np.ndarray, wanted: np.ndarray, *, width: int = 11) -> np.ndarray:
    """Median of the wanted intervals nearest to each one; of all where fewer than five are."""
    wanted_at = np.flatnonzero(wanted)
    if wanted_at.size < 5:
        return np.full(intervals.size, np.median(intervals))
    width = min(width, wanted_at.size)
    medians = np.median(sliding_window_view(intervals[wanted_at], width), axis=1)
    nearest = np.searchsorted(wanted_at, np.arange(intervals.size)) - width // 2
    return medians[np.clip(nearest, 0, medians.size - 1)]


def _changes(
    stretch: UnbrokenBeats, interpretations: Sequence[Interpretation]
) -> tuple[dict[int, _Change], list[tuple[float, str]]]:
    """Changes of seen beats, and time and reason of the beats put in."""
    changes: dict[int, _Change] = {}
    put_in: list[tuple[float, str]] = []
    for interpretation in interpretations:
        candidate = interpretation.candidate
        for beat in (
            *range(candidate.first, candidate.kept[0]),
            *range(candidate.kept[-1] + 1, candidate.last + 1),
        ):
            changes[beat] = _dropped(stretch, beat)
        done = 0
        for kept_beat, next_kept, count in candidate.links():
            pieces_s = interpretation.intervals_s[done : done + count]
            done += count
            of_link, further = _between(stretch, kept_beat, next_kept, pieces_s)
            changes |= of_link
            put_in += further
    for beat in np.flatnonzero(stretch.banned).tolist():
        changes.setdefault(beat, _dropped(stretch, beat))
    return changes, put_in


def _between(
    stretch: UnbrokenBeats, kept_beat: int, next_kept: int, pieces_s: np.ndarray
) -> tuple[dict[int, _Change], list[tuple[float, str]]]:
    """The same between two beats that are kept, `pieces_s` being the intervals between them."""
    expected_s = stretch.beats[kept_beat] + np.cumsum(pieces_s)[:-1]
    usual_s = float(pieces_s.mean())
    doubtful = range(kept_beat + 1, next_kept)
    pairs = _pair_nearest(
        stretch.beats[kept_beat + 1 : next_kept], expected_s, most_s=0.45 * usual_s
    )
    changes = {
        beat: _moved(stretch, beat, float(expected_s[pairs[number]]), PREMATURE_SHARE * usual_s)
        if number in pairs
        else _dropped(stretch, beat)
        for number, beat in enumerate(doubtful)
    }
    cause = f"{pieces_s.sum() * 1000:.0f} ms between beats hold {pieces_s.size} intervals"
    free = sorted(set(range(expected_s.size)) - set(pairs.values()))
    return changes, [(float(expected_s[target]), cause) for target in free]


def _dropped(stretch: UnbrokenBeats, beat: int) -> _Change:
    if stretch.banned[beat]:
        return _Change(np.nan, ECTOPIC, f"one beat too many; {UNLIKE}")
    return _Change(np.nan, EXTRA, "one beat too many for the intervals around it")


def _moved(stretch: UnbrokenBeats, beat: int, place_s: float, premature_s: float) -> _Change:
    early_s = place_s - stretch.beats[beat]
    premature = early_s > premature_s
    cause = f"{abs(early_s) * 1000:.0f} ms {'early' if early_s > 0 else 'late'}"
    cause += " for the intervals around it"
    if stretch.banned[beat]:
        cause += f"; {UNLIKE}"
    label = ECTOPIC if stretch.banned[beat] or premature else MISPLACED
    return _Change(place_s, label, cause)


def _pair_nearest(seen: np.ndarray, wanted: np.ndarray, *, most_s: float) -> dict[int, int]:
    """Pair seen beats with wanted places, the closest first, never crossing each other."""
    distance = np.abs(seen[:, None] - wanted[None, :])
    pairs: dict[int, int] = {}
    for flat in np.argsort(distance, axis=None, kind="stable"):
        beat, target = (int(index) for index in np.unravel_index(flat, distance.shape))
        if distance[beat, target] > most_s:
            break
        crossing = any((beat - b) * (target - t) <= 0 for b, t in pairs.items())
        if not crossing:
            pairs[beat] = target
    return pairs
