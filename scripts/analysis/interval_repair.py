"""Which beat intervals cannot be sinus rhythm as recorded, and what stood there instead.

Beats are classified after Lipponen & Tarvainen 2019 (J Med Eng Technol 43:173-181). Repair then
looks, around every group of doubtful beats, for the smallest change of the beat list after which
the intervals are likely under an autoregressive model of the person's own intervals nearby, and
puts missing values where that model expects them (Janssen, Veldhuis & Vries 1986, IEEE Trans
Acoust Speech Signal Process 34:317-330). The model carries the breathing and the slower
oscillation across the gap, which a straight line would erase.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product, zip_longest

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from scipy.linalg import cho_factor, cho_solve, solveh_banded

NORMAL, ECTOPIC, MISSED, EXTRA, MISPLACED = "normal", "ectopic", "missed", "extra", "misplaced"
ADDED, REMOVED = "added", "removed"
MOVED_BY_HAND = "moved by hand"
EXCLUDED_BY_HAND = "in a span excluded by hand"
BEAT_COLUMNS = ["time_s", "rr_ms", "nn_time_s", "nn_ms", "kind", "source", "reason"]

# the published thresholds rest on quartiles of the intervals around a beat
FEWEST_BEATS = 12

# conventions of the repair, chosen on simulated rest and exercise and on open recordings
CONTEXT_INTERVALS = 90  # on each side of a doubtful region, as many as the published thresholds use
TREND_STIFFNESS = 30.0  # the trend follows what is slower than about 0.03 cycles per beat
MOST_BEATS_JUDGED_SINGLY = 6  # every subset of so many beats is weighed; longer runs by one chain
MOST_LINKS_WITH_A_CHOICE = 4  # in longer readings the likeliest number of intervals is taken
TAIL_FREEDOM = 4.0  # a genuine pause or jump is rare, not impossible: Student rather than Gauss
SMALLEST_ERROR_SHARE = 0.002  # of an interval: no model predicts a heart better than that
SMALLEST_THRESHOLD_SHARE = 0.01  # of an interval: keeps rounded or constant series testable
SHORTEST_SHARE = 0.4  # of the usual interval: no sinus beat follows sooner


def rolling_quantiles(values: np.ndarray, *, width: int, shares: Sequence[float]) -> np.ndarray:
    """Quantiles over a centred window that shrinks at the ends, shape (len(shares), len(values)).

    Linear interpolation between order statistics. `width` counts values and must be odd.
    """
    half = width // 2
    padded = np.pad(np.asarray(values, dtype=float), half, constant_values=np.inf)
    ordered = np.sort(sliding_window_view(padded, width), axis=1)
    index = np.arange(values.size)
    count = np.minimum(index, half) + np.minimum(values.size - 1 - index, half) + 1
    quantiles = np.empty((len(shares), values.size))
    for row, share in enumerate(shares):
        position = share * (count - 1)
        below = np.floor(position).astype(int)
        above = np.minimum(below + 1, count - 1)
        low, high = ordered[index, below], ordered[index, above]
        quantiles[row] = low + (high - low) * (position - below)
    return quantiles


def classify_intervals(
    beat_time_s: np.ndarray,
    *,
    threshold_factor: float = 5.2,
    threshold_beats: int = 91,
    median_beats: int = 11,
    slope: float = 0.13,
    offset: float = 0.17,
    smallest_threshold: float = 0.0,
) -> np.ndarray:
    """Label every beat by the interval that ends at it: normal, ectopic, missed, extra, misplaced.

    `beat_time_s` is sorted; returns an array of strings of the same length. A label `missed` means
    that a beat is missing before this one, `extra` that this interval is cut short by a false
    beat. The defaults are the published ones: thresholds 5.2 times the quartile deviation over 91
    beats, ectopic lines with slope 0.13 and offset 0.17, median over 11 intervals. As published,
    the last two beats are not tested, and fewer than 12 beats give `normal` throughout because
    their quartiles say nothing. `smallest_threshold` (share of the local median interval) keeps
    the thresholds of a nearly constant series above its resolution. Raises ValueError when the
    beats are not sorted.
    Source: Lipponen & Tarvainen 2019, J Med Eng Technol 43:173-181.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    labels = np.full(beats.size, NORMAL, dtype="<U9")
    # to the nanosecond: keeps ties of evenly sampled beats exact after the subtraction
    intervals = np.round(np.diff(beats), 9)
    if np.any(intervals < 0):
        raise ValueError("beat times must be sorted")
    if beats.size < FEWEST_BEATS:
        return labels
    interval = np.concatenate([[intervals.mean()], intervals])
    change = np.diff(interval, prepend=interval[0])
    change[0] = change[1:].mean()
    median = rolling_quantiles(interval, width=median_beats, shares=(0.5,))[0]
    deviation = interval - median
    deviation = np.where(deviation < 0, 2 * deviation, deviation)

    def threshold(values: np.ndarray) -> np.ndarray:
        low, high = rolling_quantiles(np.abs(values), width=threshold_beats, shares=(0.25, 0.75))
        return np.maximum(threshold_factor * ((high - low) / 2), smallest_threshold * median)

    change_threshold, deviation_threshold = threshold(change), threshold(deviation)
    with np.errstate(divide="ignore", invalid="ignore"):
        change = np.where(change_threshold != 0, change / change_threshold, np.nan)
        deviation = np.where(deviation_threshold != 0, deviation / deviation_threshold, np.nan)

    around = np.pad(change, 2, mode="reflect")
    before, after, second = around[1:-3], around[3:-1], around[4:]
    neighbour = np.where(change > 0, np.maximum(before, after), np.minimum(before, after))
    neighbour = np.where((change > 0) | (change < 0), neighbour, 0.0)
    following = np.where(change >= 0, np.minimum(after, second), np.maximum(after, second))
    following = np.where(np.isnan(change), 0.0, following)
    ectopic = ((change > 1) & (neighbour < -slope * change - offset)) | (
        (change < -1) & (neighbour > -slope * change + offset)
    )
    long_pattern = (change > 1) & (following < -1)
    short_pattern = (change < -1) & (following > 1)
    far = np.abs(deviation) > 3
    halves_fit = np.abs(interval / 2 - median) < deviation_threshold
    next_interval = np.append(interval[1:], np.inf)
    pair_fits = np.abs(interval + next_interval - median) < deviation_threshold

    def long_or_short(beat: int) -> str:
        if not (long_pattern[beat] or short_pattern[beat] or far[beat]):
            return NORMAL
        if short_pattern[beat] and pair_fits[beat]:
            return EXTRA
        if long_pattern[beat] and halves_fit[beat]:
            return MISSED
        return MISPLACED

    beat = 0
    last = beats.size - 2
    for candidate in np.flatnonzero(~(np.abs(change[:last]) <= 1)):
        if candidate < beat:
            continue
        beat = candidate + 1
        if ectopic[candidate]:
            labels[candidate] = ECTOPIC
        elif np.abs(change[candidate]) > 1 or far[candidate]:
            labels[candidate] = long_or_short(candidate)
            if np.abs(change[candidate + 1]) < np.abs(change[candidate + 2]):
                labels[candidate + 1] = long_or_short(candidate + 1)
                beat = candidate + 2
    return labels


def likely_order(known_count: int, *, highest: int = 16) -> int:
    """Order of the autoregressive model that `known_count` intervals can carry.

    Order 16 is common for heart-period spectra (Boardman et al. 2002, Physiol Meas 23:325-336);
    below 96 intervals one coefficient per six intervals, a convention.
    """
    return min(highest, known_count // 6)


def fit_autoregression(values: np.ndarray, *, order: int) -> tuple[np.ndarray, float]:
    """Coefficients (1, a1 .. ap) of the prediction error filter and the error variance.

    `values` is a detrended series. Source: Burg's method, e.g. Kay & Marple 1981, Proc IEEE
    69:1380-1419.
    """
    forward = values[1:].copy()
    backward = values[:-1].copy()
    coefficients = np.array([1.0])
    variance = float(np.mean(values**2))
    for _ in range(order):
        energy = forward @ forward + backward @ backward
        if energy <= 0:
            break
        reflection = -2 * (forward @ backward) / energy
        extended = np.append(coefficients, 0.0)
        coefficients = extended + reflection * extended[::-1]
        variance *= 1 - reflection**2
        forward, backward = (
            (forward + reflection * backward)[1:],
            (backward + reflection * forward)[:-1],
        )
    return coefficients, variance


def smooth_trend(values: np.ndarray, known: np.ndarray, *, stiffness: float) -> np.ndarray:
    """Slow course of a series through its known values, carried across the unknown ones.

    Smoothness priors on the second difference, unknown values left out; `stiffness` is the
    regularisation, and a rhythm of 1 / (2 pi sqrt(stiffness)) cycles per value keeps half of its
    amplitude. Source: Tarvainen, Ranta-aho & Karjalainen 2002, IEEE Trans Biomed Eng 49:172-175.
    """
    count = values.size
    if count < 3 or known.sum() < 3:
        return np.full(count, values[known].mean() if known.any() else values.mean())
    bands = np.zeros((3, count))
    bands[2] = known
    square = stiffness**2
    for factor, start in ((1.0, 0), (4.0, 1), (1.0, 2)):
        bands[2, start : count - 2 + start] += square * factor
    bands[1, 1 : count - 1] -= 2 * square
    bands[1, 2:] -= 2 * square
    bands[0, 2:] += square
    return solveh_banded(bands, np.where(known, values, 0.0))


@dataclass(frozen=True)
class _Story:
    """One reading of a doubtful region: beats kept, and how many intervals lie between them."""

    first: int
    last: int
    kept: tuple[int, ...]
    counts: tuple[int, ...]

    def links(self) -> Iterator[tuple[int, int, int]]:
        """Beat, next beat kept, intervals between the two."""
        return zip(self.kept[:-1], self.kept[1:], self.counts, strict=True)

    @property
    def edits(self) -> int:
        """Beats moved, dropped or put in; as many dropped as put in between two beats are moves."""
        total = (self.kept[0] - self.first) + (self.last - self.kept[-1])
        for left, right, count in self.links():
            dropped, put_in = right - left - 1, count - 1
            total += dropped if dropped == put_in else dropped + put_in
        return total


@dataclass(frozen=True)
class _Stretch:
    """Beats without a break between them, and what is known about each."""

    beats: np.ndarray
    locked: np.ndarray
    banned: np.ndarray
    flagged: np.ndarray


@dataclass(frozen=True)
class _Reading:
    """A story with its intervals in s."""

    story: _Story
    intervals_s: np.ndarray


@dataclass(frozen=True)
class _Context:
    """Intervals in s on both sides of a region, and which of them were seen rather than filled."""

    left: np.ndarray
    right: np.ndarray
    left_seen: np.ndarray
    right_seen: np.ndarray
    usual_s: float

    @property
    def order(self) -> int:
        return likely_order(int(self.left_seen.sum() + self.right_seen.sum()))


@dataclass(frozen=True)
class _LocalModel:
    """Trend over context and region, prediction error filter, usual prediction error in s."""

    trend: np.ndarray
    coefficients: np.ndarray
    error_s: float


def _fit_local_model(context: _Context, count: int) -> _LocalModel:
    """Model of the intervals around a region of `count` unknown intervals."""
    left, right = context.left, context.right
    unknown = np.zeros(count, dtype=bool)
    values = np.concatenate([left, np.full(count, context.usual_s), right])
    seen = np.concatenate([context.left_seen, unknown, context.right_seen])
    trend = smooth_trend(values, seen, stiffness=TREND_STIFFNESS)
    order = context.order
    level = values - trend
    level[left.size : left.size + count] = 0.0
    coefficients, variance = fit_autoregression(level, order=order)
    errors = np.concatenate(
        [
            np.convolve(side, coefficients, mode="valid")
            for side in (level[: left.size], level[left.size + count :])
            if side.size > order
        ]
        or [np.empty(0)]
    )
    # the median is blind to the errors that are still in the context
    error_s = 1.4826 * np.median(np.abs(errors)) if errors.size > 20 else np.sqrt(variance)
    return _LocalModel(
        trend, coefficients, max(float(error_s), SMALLEST_ERROR_SHARE * context.usual_s)
    )


def _regions(flagged: np.ndarray) -> list[tuple[int, int]]:
    """First and last beat of each group of flagged intervals and one neighbour on either side."""
    found: list[tuple[int, int]] = []
    for interval in np.flatnonzero(flagged):
        first, last = max(0, int(interval) - 1), min(flagged.size, int(interval) + 2)
        if found and first < found[-1][1]:
            found[-1] = (found[-1][0], last)
        else:
            found.append((first, last))
    return found


def _stories(stretch: _Stretch, first: int, last: int, usual_s: float) -> list[_Story]:
    """Readings of the beats from `first` to `last`, the least changed first.

    The two outer beats are trusted, except that the first or last beat of a whole stretch may
    itself be false.
    """
    beats, banned = stretch.beats, stretch.banned
    allowed = first + np.flatnonzero(~banned[first : last + 1])
    if allowed.size < 2:
        return []
    starts, ends = [int(allowed[0])], [int(allowed[-1])]
    if allowed.size > 2:
        if first == 0 and not stretch.locked[allowed[0]]:
            starts.append(int(allowed[1]))
        if last == beats.size - 1 and not stretch.locked[allowed[-1]]:
            ends.append(int(allowed[-2]))
    found = []
    for start, end in product(starts, ends):
        if start >= end:
            continue
        inside = allowed[(allowed > start) & (allowed < end)]
        fixed = inside[stretch.locked[inside]]
        free = inside[~stretch.locked[inside]]
        for subset in _subsets(beats, start, end, free, usual_s):
            kept = (start, *sorted(int(beat) for beat in (*subset, *fixed)), end)
            ratios = np.diff(beats[list(kept)]) / usual_s
            counts = [_likely_counts(ratio) for ratio in ratios]
            if len(counts) > MOST_LINKS_WITH_A_CHOICE:
                counts = [choices[:1] for choices in counts]
            found += [_Story(first, last, kept, chosen) for chosen in product(*counts)]
    return sorted(found, key=lambda story: story.edits)


def _likely_counts(ratio: float) -> list[int]:
    """How many intervals may fill a time of `ratio` usual intervals, the likeliest first."""
    nearest = max(1, round(ratio))
    if abs(ratio - nearest) <= 0.3:
        return [nearest]
    second = max(1, nearest + (1 if ratio > nearest else -1))
    return [nearest] if second == nearest else [nearest, second]


def _subsets(
    beats: np.ndarray, start: int, end: int, free: np.ndarray, usual_s: float
) -> Iterator[np.ndarray]:
    """Sets of beats that may be kept between two beats."""
    if free.size <= MOST_BEATS_JUDGED_SINGLY:
        for mask in product((True, False), repeat=free.size):
            yield free[np.array(mask, dtype=bool)]
    else:
        yield free
        yield _even_chain(beats, start, end, free, usual_s)
        yield free[:0]


def _even_chain(
    beats: np.ndarray, start: int, end: int, free: np.ndarray, usual_s: float
) -> np.ndarray:
    """Beats of a long disturbed run that follow each other most evenly, by dynamic programming.

    A link costs the squared misfit to a whole number of usual intervals in units of 10 %, and 4
    for every beat dropped or put in (convention).
    """
    nodes = np.array([start, *free, end])
    cost = np.full(nodes.size, np.inf)
    origin = np.zeros(nodes.size, dtype=int)
    cost[0] = 0.0
    for node in range(1, nodes.size):
        ratio = (beats[nodes[node]] - beats[nodes[:node]]) / usual_s
        count = np.maximum(1, np.round(ratio))
        edits = np.maximum(node - np.arange(node) - 1, count - 1)
        total = cost[:node] + ((ratio - count) / 0.1) ** 2 / count + 4.0 * edits
        origin[node] = int(np.argmin(total))
        cost[node] = total[origin[node]]
    chain = []
    node = origin[-1]
    while node > 0:
        chain.append(nodes[node])
        node = origin[node]
    return np.array(chain[::-1], dtype=int)


def _fill(
    story: _Story, beats: np.ndarray, context: _Context, model: _LocalModel
) -> tuple[np.ndarray, np.ndarray]:
    """Most likely intervals of a story in s, and the prediction errors in and after it.

    Unknown intervals minimise the squared prediction error of the autoregressive model under the
    condition that they fill the time between the beats that are kept.
    """
    left, order = context.left, model.coefficients.size - 1
    count = sum(story.counts)
    region = np.empty(count)
    unknown = np.zeros(count, dtype=bool)
    gaps = []
    place = 0
    for early, late, links in story.links():
        duration_s = beats[late] - beats[early]
        region[place : place + links] = duration_s / links
        if links > 1:
            unknown[place : place + links] = True
            gaps.append((slice(place, place + links), duration_s))
        place += links
    level = np.concatenate([left, region, context.right]) - model.trend
    trend = model.trend[left.size : left.size + count]
    start = left.size
    # prediction works in both directions of time: go where more lies behind the region
    backwards = start < order and context.right.size > start
    if backwards:
        level, start = level[::-1], context.right.size
        unknown = unknown[::-1]
    low, high = max(0, start - order), min(level.size, start + count + order)
    window = level[low:high].copy()
    inside = slice(start - low, start - low + count)
    if window.size <= order:
        order = 0
    filters = np.zeros((window.size - order, window.size))
    for lag, coefficient in enumerate(model.coefficients[: order + 1]):
        rows = np.arange(window.size - order)
        filters[rows, rows + order - lag] = coefficient
    if gaps:
        open_places = np.zeros(window.size, dtype=bool)
        open_places[inside] = unknown
        effect = filters[:, open_places]
        given = filters @ np.where(open_places, 0.0, window)
        factor = cho_factor(effect.T @ effect + 1e-9 * np.eye(effect.shape[1]))
        best = cho_solve(factor, -(effect.T @ given))
        sums = np.zeros((len(gaps), count))
        wanted = np.empty(len(gaps))
        for row, (places, duration_s) in enumerate(gaps):
            sums[row, places] = 1.0
            wanted[row] = duration_s - trend[places].sum()
        sums = (sums[:, ::-1] if backwards else sums)[:, unknown]
        pull = cho_solve(factor, sums.T)
        window[open_places] = best + pull @ np.linalg.solve(sums @ pull, wanted - sums @ best)
    found = window[inside][::-1] if backwards else window[inside]
    return found + trend, filters @ window


def _best_reading(
    stretch: _Stretch, first: int, last: int, context: _Context, *, edit_cost: float
) -> _Reading | None:
    """The reading whose surprise, plus a cost for every edit, is least; None without any.

    Surprise is minus twice the log likelihood of the prediction errors, Student distributed.
    """
    models: dict[int, _LocalModel] = {}
    least = np.inf
    best = None
    for story in _stories(stretch, first, last, context.usual_s):
        if edit_cost * story.edits >= least:
            break
        count = sum(story.counts)
        if count not in models:
            models[count] = _fit_local_model(context, count)
        model = models[count]
        intervals_s, errors = _fill(story, stretch.beats, context, model)
        if story.edits and np.any(intervals_s < SHORTEST_SHARE * context.usual_s):
            continue
        squared = (errors / model.error_s) ** 2
        surprise = (TAIL_FREEDOM + 1) * np.log1p(squared / TAIL_FREEDOM).sum()
        if surprise + edit_cost * story.edits < least:
            least = surprise + edit_cost * story.edits
            best = _Reading(story, intervals_s)
    return best


def _read_stretch(stretch: _Stretch, *, edit_cost: float, rounds: int = 2) -> list[_Reading]:
    """Best reading of every doubtful region; the second round sees the first one's repairs."""
    beats = stretch.beats
    intervals = np.diff(beats)
    spans = _regions(stretch.flagged)
    trusted = np.flatnonzero(~stretch.flagged)
    readings: list[_Reading] = []
    usual: list[float] = []
    for first, last in spans:
        nearest = np.argsort(np.abs(trusted - (first + last - 1) / 2), kind="stable")[:11]
        usual_s = float(np.median(intervals[trusted[nearest]] if trusted.size else intervals))
        duration_s = beats[last] - beats[first]
        count = max(1, round(duration_s / usual_s))
        story = _Story(first, last, (first, last), (count,))
        readings.append(_Reading(story, np.full(count, duration_s / count)))
        usual.append(usual_s)
    edges = [0, *(beat for span in spans for beat in span), beats.size - 1]
    quiet = [intervals[edges[i] : edges[i + 1]] for i in range(0, len(edges), 2)]
    unreadable: set[int] = set()
    for _ in range(rounds):
        for number, (first, last) in enumerate(spans):
            left, left_seen = _nearest_intervals(
                quiet[number::-1], readings[:number][::-1], backwards=True
            )
            right, right_seen = _nearest_intervals(
                quiet[number + 1 :], readings[number + 1 :], backwards=False
            )
            context = _Context(left, right, left_seen, right_seen, usual[number])
            best = _best_reading(stretch, first, last, context, edit_cost=edit_cost)
            if best is None:
                unreadable.add(number)
            else:
                readings[number] = best
    return [reading for number, reading in enumerate(readings) if number not in unreadable]


def _nearest_intervals(
    quiet: Sequence[np.ndarray], readings: Sequence[_Reading], *, backwards: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Intervals on one side of a region, and which of them were seen rather than filled.

    `quiet` and `readings` alternate, the nearest first; the result is in order of time.
    """
    values, seen, total = [], [], 0
    for piece, reading in zip_longest(quiet, readings):
        for part, was_seen in ((piece, True), (reading and reading.intervals_s, False)):
            if part is None or total >= CONTEXT_INTERVALS:
                continue
            part = part[::-1] if backwards else part
            values.append(part)
            seen.append(np.full(part.size, was_seen))
            total += part.size
    joined, joined_seen = np.concatenate(values), np.concatenate(seen)
    joined, joined_seen = joined[:CONTEXT_INTERVALS], joined_seen[:CONTEXT_INTERVALS]
    return (joined[::-1], joined_seen[::-1]) if backwards else (joined, joined_seen)


def repair_intervals(
    beat_time_s: np.ndarray,
    *,
    shape: Sequence[str] | None = None,
    correlation: np.ndarray | None = None,
    origin: Sequence[str] | None = None,
    origin_reason: Sequence[str] | None = None,
    breaks_s: Sequence[tuple[float, float]] = (),
    longest_gap_s: float = 3.0,
    gate_correlation: float = 0.8,
    gate_deviation: float = 0.25,
    ectopic_deviation: float = 0.10,
    premature_share: float = 0.15,
    candidate_factor: float = 3.5,
    edit_cost: float = 14.0,
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
    longest_gap_s : a longer interval between beats is a break too.
    gate_correlation, gate_deviation : with `shape` and `correlation`, a doubtful interval whose
        two beats are normal in shape with at least this correlation, and whose length is within
        this share of the usual interval nearby, is left alone.
    ectopic_deviation : a beat of shape `other` is ectopic where the interval before or after it is
        off the usual interval by more than this share.
    premature_share : a beat that comes early by more than this share of the interval is called
        ectopic, by less misplaced; without a waveform nothing else tells them apart.
    candidate_factor : threshold factor that proposes intervals for judgement; lower than the
        published 5.2 because the judgement guards against false alarms.
    edit_cost : by how much an edit must lower minus twice the log likelihood.

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
    between readings, the gate and their limits are conventions of this project.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    if not np.all(np.isfinite(beats)):
        raise ValueError("beat times must be finite numbers")
    if np.any(np.diff(beats) < 0):
        raise ValueError("beat times must be sorted")
    columns = {
        "shape": shape,
        "correlation": correlation,
        "origin": origin,
        "origin_reason": origin_reason,
    }
    for name, column in columns.items():
        if column is not None and len(column) != beats.size:
            raise ValueError(f"{name} has {len(column)} values for {beats.size} beats")
    origins = np.array(["detector"] * beats.size if origin is None else list(origin), dtype=object)
    why = [""] * beats.size if origin_reason is None else list(origin_reason)
    other_shape = np.zeros(beats.size, dtype=bool)
    if shape is not None:
        other_shape = np.array(list(shape), dtype=object) == "other"
    clear_shape = np.zeros(beats.size, dtype=bool)
    if shape is not None and correlation is not None:
        clear_shape = ~other_shape & (np.asarray(correlation, dtype=float) >= gate_correlation)

    from_detector = origins == "detector"
    kind = np.where(from_detector, NORMAL, origins)
    source = np.where(from_detector, "detector", "edit").astype(object)
    reason = np.array(why, dtype=object)
    nn_time_s = np.full(beats.size, np.nan)
    nn_ms = np.full(beats.size, np.nan)
    inserted: list[dict] = []
    in_use = np.flatnonzero(origins != REMOVED)
    for places in _stretches(beats[in_use], breaks_s, longest_gap_s):
        rows = in_use[places]
        stretch = _examine(
            beats[rows],
            added=origins[rows] == ADDED,
            other_shape=other_shape[rows],
            clear_shape=clear_shape[rows],
            gate_deviation=gate_deviation,
            ectopic_deviation=ectopic_deviation,
            candidate_factor=candidate_factor,
        )
        if rows.size < FEWEST_BEATS:
            reason[rows[kind[rows] == NORMAL]] = (
                f"not tested: {rows.size} beats in a row, at least {FEWEST_BEATS} are needed"
            )
        changes, put_in = _changes(
            stretch, _read_stretch(stretch, edit_cost=edit_cost), premature_share=premature_share
        )
        place_s = beats[rows].copy()
        for beat, change in changes.items():
            place_s[beat] = change.place_s
            kind[rows[beat]], reason[rows[beat]] = change.kind, change.reason
        used = np.isfinite(place_s)
        all_s = np.sort(np.concatenate([place_s[used], [time for time, _ in put_in]]))
        interval_ms = dict(zip(all_s[1:], 1000 * np.diff(all_s), strict=True))
        nn_time_s[rows] = place_s
        nn_ms[rows] = [interval_ms.get(time, np.nan) for time in place_s]
        inserted += [
            {
                "time_s": time,
                "rr_ms": np.nan,
                "nn_time_s": time,
                "nn_ms": interval_ms[time],
                "kind": MISSED,
                "source": "repair",
                "reason": cause,
            }
            for time, cause in put_in
        ]
    table = pd.DataFrame(
        {
            "time_s": beats,
            "rr_ms": _seen_intervals_ms(beats, origins != ADDED, breaks_s, longest_gap_s),
            "nn_time_s": nn_time_s,
            "nn_ms": nn_ms,
            "kind": kind,
            "source": source,
            "reason": reason,
        }
    )
    if inserted:
        table = pd.concat([table, pd.DataFrame(inserted)], ignore_index=True)
    return table.sort_values("time_s", kind="stable", ignore_index=True)[BEAT_COLUMNS]


def _broken(
    beats: np.ndarray, breaks_s: Sequence[tuple[float, float]], longest_gap_s: float
) -> np.ndarray:
    """For every interval, whether a break lies in it."""
    broken = np.diff(beats) > longest_gap_s
    for start, end in breaks_s:
        broken |= (beats[:-1] <= end) & (beats[1:] > start)
    return broken


def _stretches(
    beats: np.ndarray, breaks_s: Sequence[tuple[float, float]], longest_gap_s: float
) -> list[np.ndarray]:
    """Positions of the beats of every stretch without a break."""
    if beats.size == 0:
        return []
    cuts = np.flatnonzero(_broken(beats, breaks_s, longest_gap_s)) + 1
    return np.split(np.arange(beats.size), cuts)


def _seen_intervals_ms(
    beats: np.ndarray,
    seen: np.ndarray,
    breaks_s: Sequence[tuple[float, float]],
    longest_gap_s: float,
) -> np.ndarray:
    rows = np.flatnonzero(seen)
    broken = _broken(beats[rows], breaks_s, longest_gap_s)
    intervals_ms = np.full(beats.size, np.nan)
    intervals_ms[rows[1:]] = np.where(broken, np.nan, 1000 * np.diff(beats[rows]))
    return intervals_ms


def _examine(
    beats: np.ndarray,
    *,
    added: np.ndarray,
    other_shape: np.ndarray,
    clear_shape: np.ndarray,
    gate_deviation: float,
    ectopic_deviation: float,
    candidate_factor: float,
) -> _Stretch:
    """Which beats stand firm, which cannot be sinus beats, which intervals are doubtful."""
    nothing = np.zeros(beats.size, dtype=bool)
    intervals = np.diff(beats)
    if intervals.size < 2:
        return _Stretch(beats, added, nothing, nothing[1:])
    flagged = _candidates(intervals, candidate_factor)
    sinus = ~(other_shape[:-1] | other_shape[1:])
    deviation = np.abs(intervals / _running_median(intervals, sinus & ~flagged) - 1)

    def both_sides(interval_mark: np.ndarray, how: np.ufunc, edge: bool) -> np.ndarray:
        return how(np.append(edge, interval_mark), np.append(interval_mark, edge))

    near = deviation < gate_deviation
    by_hand = added[:-1] | added[1:]
    flagged &= ~(near & (by_hand | (clear_shape[:-1] & clear_shape[1:])))
    # a person who placed a beat has seen its neighbours
    vouched_for = clear_shape | both_sides(by_hand, np.logical_or, False)
    firm = added | (vouched_for & both_sides(near, np.logical_and, True))
    off_time = both_sides(deviation > ectopic_deviation, np.logical_or, False)
    banned = other_shape & off_time & ~added
    flagged |= banned[:-1] | banned[1:]
    return _Stretch(beats, firm, banned, flagged)


def _candidates(intervals: np.ndarray, factor: float) -> np.ndarray:
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
        threshold_factor=factor,
        smallest_threshold=SMALLEST_THRESHOLD_SHARE,
    )
    return labels[1 + margin : 1 + margin + intervals.size] != NORMAL


def _running_median(intervals: np.ndarray, wanted: np.ndarray, *, width: int = 11) -> np.ndarray:
    """Median of the wanted intervals nearest to each one; of all where fewer than five are."""
    places = np.flatnonzero(wanted)
    if places.size < 5:
        return np.full(intervals.size, np.median(intervals))
    width = min(width, places.size)
    medians = np.median(sliding_window_view(intervals[places], width), axis=1)
    nearest = np.searchsorted(places, np.arange(intervals.size)) - width // 2
    return medians[np.clip(nearest, 0, medians.size - 1)]


@dataclass(frozen=True)
class _Change:
    """What becomes of a beat: its place in s (NaN when dropped), its kind and why."""

    place_s: float
    kind: str
    reason: str


def _changes(
    stretch: _Stretch, readings: Sequence[_Reading], *, premature_share: float
) -> tuple[dict[int, _Change], list[tuple[float, str]]]:
    """Changes of seen beats, and time and reason of the beats put in."""
    changes: dict[int, _Change] = {}
    put_in: list[tuple[float, str]] = []
    unlike = "waveform unlike the person's own"

    def drop(beat: int) -> None:
        if stretch.banned[beat]:
            changes[beat] = _Change(np.nan, ECTOPIC, f"one beat too many; {unlike}")
        else:
            changes[beat] = _Change(np.nan, EXTRA, "one beat too many for the intervals around it")

    for reading in readings:
        story = reading.story
        for beat in (
            *range(story.first, story.kept[0]),
            *range(story.kept[-1] + 1, story.last + 1),
        ):
            drop(beat)
        place = 0
        for left, right, count in story.links():
            pieces_s = reading.intervals_s[place : place + count]
            places_s = stretch.beats[left] + np.cumsum(pieces_s)[:-1]
            place += count
            usual_s = float(pieces_s.mean())
            dropped = np.arange(left + 1, right)
            pairs = _pair_nearest(stretch.beats[dropped], places_s, most_s=0.45 * usual_s)
            for position, target in pairs.items():
                beat = int(dropped[position])
                early_s = places_s[target] - stretch.beats[beat]
                premature = early_s > premature_share * usual_s
                cause = f"{abs(early_s) * 1000:.0f} ms {'early' if early_s > 0 else 'late'}"
                cause += " for the intervals around it"
                if stretch.banned[beat]:
                    cause += f"; {unlike}"
                label = ECTOPIC if stretch.banned[beat] or premature else MISPLACED
                changes[beat] = _Change(float(places_s[target]), label, cause)
            for position in set(range(dropped.size)) - set(pairs):
                drop(int(dropped[position]))
            for target in sorted(set(range(places_s.size)) - set(pairs.values())):
                cause = f"{pieces_s.sum() * 1000:.0f} ms between beats hold {count} intervals"
                put_in.append((float(places_s[target]), cause))
    for beat in np.flatnonzero(stretch.banned):
        if int(beat) not in changes:
            drop(int(beat))
    return changes, put_in


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


def _corrected(table: pd.DataFrame) -> np.ndarray:
    """Rows that count as a corrected beat: a move by hand once, an excluded span not at all."""
    reason = table["reason"].fillna("").astype(str)
    taken_out = table["kind"].eq(REMOVED) & (
        reason.str.startswith(MOVED_BY_HAND) | reason.str.startswith(EXCLUDED_BY_HAND)
    )
    return (table["kind"].ne(NORMAL) & ~taken_out).to_numpy()


def _inside(table: pd.DataFrame, start_s: float, end_s: float) -> np.ndarray:
    time_s = table["time_s"].to_numpy()
    return (time_s >= start_s) & (time_s < end_s)


def corrected_pct(table: pd.DataFrame, start_s: float, end_s: float) -> float:
    """Beats that differ between the list as seen and the list as used, in % of the list as used.

    `table` is the beat table of `repair_intervals`; beats with start_s <= time_s < end_s count.
    A beat moved, put in, dropped, added or removed counts once; beats in a span excluded by hand
    are lost, not corrected. Raises ValueError when the span holds no beat that is used.
    Source: convention.
    """
    inside = _inside(table, start_s, end_s)
    used = int((inside & table["nn_time_s"].notna().to_numpy()).sum())
    if used == 0:
        raise ValueError(f"no beat is used between {start_s:g} and {end_s:g} s")
    return 100.0 * int((_corrected(table) & inside).sum()) / used


def longest_repaired_run(table: pd.DataFrame, start_s: float, end_s: float) -> int:
    """Most corrected beats in a row between start_s and end_s (s); 0 where none is corrected.

    Corrected as in `corrected_pct`; a beat dropped or put in belongs to it.
    Source: convention.
    """
    inside = _inside(table, start_s, end_s)
    longest = run = 0
    for corrected in _corrected(table)[inside]:
        run = run + 1 if corrected else 0
        longest = max(longest, run)
    return longest


class BeatEditError(ValueError):
    """A human edit that cannot be carried out on the beats as detected."""


class _BeatList:
    """Beats with their origin while edits are carried out one after the other."""

    def __init__(self, beat_time_s: np.ndarray, tolerance_s: float) -> None:
        self.tolerance_s = tolerance_s
        self.rows = [
            {"time_s": float(time), "origin": "detector", "reason": "", "detected_row": row}
            for row, time in enumerate(np.asarray(beat_time_s, dtype=float))
        ]

    def nearest(self, time_s: float) -> dict | None:
        """The beat still in use nearest to a time."""
        in_use = [row for row in self.rows if row["origin"] != REMOVED]
        return min(in_use, key=lambda row: abs(row["time_s"] - time_s), default=None)

    def take_out(self, name: str, time_s: float, reason: str) -> None:
        beat = self.nearest(time_s)
        if beat is None or abs(beat["time_s"] - time_s) > self.tolerance_s:
            found = f"the nearest is at {beat['time_s']:.3f} s" if beat else "no beat is left"
            raise BeatEditError(
                f"{name}: no beat within {self.tolerance_s * 1000:.0f} ms of {time_s:.3f} s; "
                f"{found}"
            )
        if beat["origin"] == ADDED:
            self.rows.remove(beat)
        else:
            beat.update(origin=REMOVED, reason=reason)

    def put_in(self, name: str, time_s: float, reason: str) -> None:
        beat = self.nearest(time_s)
        if beat is not None and abs(beat["time_s"] - time_s) <= self.tolerance_s:
            raise BeatEditError(
                f"{name}: a beat at {beat['time_s']:.3f} s is within "
                f"{self.tolerance_s * 1000:.0f} ms of {time_s:.3f} s already; move that one"
            )
        self.rows.append({"time_s": time_s, "origin": ADDED, "reason": reason, "detected_row": -1})

    def exclude(self, start_s: float, end_s: float, reason: str) -> None:
        for beat in self.rows:
            if start_s <= beat["time_s"] <= end_s and beat["origin"] != REMOVED:
                beat.update(origin=REMOVED, reason=reason)


def _edit_time_s(edit: dict, name: str, column: str) -> float:
    value = pd.to_numeric(pd.Series([edit.get(column)], dtype=object), errors="coerce").iloc[0]
    if not np.isfinite(value):
        raise BeatEditError(f"{name}: {column} is missing or not a number")
    return float(value)


def apply_beat_edits(
    beat_time_s: np.ndarray, edits: pd.DataFrame, *, tolerance_s: float = 0.060
) -> pd.DataFrame:
    """Carry out logged human decisions on detected beats, in the order in which they were made.

    `edits` has columns action (`remove_beat`, `add_beat`, `move_beat`, `exclude_span`), time_s,
    new_time_s, end_s and, where present, edit_id and reason; rows with other actions are left
    alone. A beat is meant when it is the nearest one and lies within `tolerance_s`. Returns a
    table sorted by time_s with columns time_s, origin (`detector`, `added`, `removed`), reason and
    detected_row (position in `beat_time_s`, -1 for a beat added by hand): what `repair_intervals`
    takes. A moved beat is removed at one place and added at the other. Raises BeatEditError, with
    the edit named, when there is no such beat, when a beat would be added on top of another, or
    when a time is missing.
    """
    beats = _BeatList(beat_time_s, tolerance_s)
    for number, edit in enumerate(edits.to_dict("records"), start=1):
        action = str(edit["action"])
        name = f"edit {edit.get('edit_id', number)} ({action})"
        note = edit.get("reason")
        note = f": {note}" if isinstance(note, str) and note.strip() not in ("", "n/a") else ""
        if action == "remove_beat":
            beats.take_out(name, _edit_time_s(edit, name, "time_s"), f"removed by hand{note}")
        elif action == "add_beat":
            beats.put_in(name, _edit_time_s(edit, name, "time_s"), f"added by hand{note}")
        elif action == "move_beat":
            old_s = _edit_time_s(edit, name, "time_s")
            new_s = _edit_time_s(edit, name, "new_time_s")
            beats.take_out(name, old_s, f"{MOVED_BY_HAND} to {new_s:.3f} s{note}")
            beats.put_in(name, new_s, f"{MOVED_BY_HAND} from {old_s:.3f} s{note}")
        elif action == "exclude_span":
            start_s = _edit_time_s(edit, name, "time_s")
            end_s = _edit_time_s(edit, name, "end_s")
            if end_s <= start_s:
                raise BeatEditError(f"{name}: end_s {end_s:g} is not after time_s {start_s:g}")
            beats.exclude(start_s, end_s, f"{EXCLUDED_BY_HAND}{note}")
    table = pd.DataFrame(beats.rows, columns=["time_s", "origin", "reason", "detected_row"])
    return table.sort_values("time_s", kind="stable", ignore_index=True)


def excluded_spans_s(edits: pd.DataFrame) -> list[tuple[float, float]]:
    """Spans (start, end) in s that `exclude_span` edits take out: `breaks_s` of the repair."""
    spans = edits[edits["action"] == "exclude_span"]
    return list(zip(spans["time_s"].astype(float), spans["end_s"].astype(float), strict=True))


@dataclass(frozen=True)
class IntervalRounding:
    """How finely a list of intervals is written, and whether somebody smoothed it before.

    `step_ms` is NaN where no step is found. `floor_rounded_intervals_ms` is the RMSSD that
    rounding alone leaves when every interval was rounded by itself (step / sqrt 6),
    `floor_rounded_beats_ms` when the beat times were (step / sqrt 2); both are 0 without a step.
    """

    step_ms: float
    floor_rounded_intervals_ms: float
    floor_rounded_beats_ms: float
    largest_jump_pct: float
    looks_filtered: bool
    sentence: str


# sampling rates and decimal steps met in interval files, coarsest first
ROUNDING_STEPS = (
    ("20 ms", 20.0),
    ("10 ms", 10.0),
    ("8 ms (125 Hz)", 8.0),
    ("1/128 s", 1000 / 128),
    ("5 ms", 5.0),
    ("4 ms (250 Hz)", 4.0),
    ("1/256 s", 1000 / 256),
    ("2 ms (500 Hz)", 2.0),
    ("1/512 s", 1000 / 512),
    ("1 ms", 1.0),
    ("1/1024 s", 1000 / 1024),
)


def interval_rounding(rr_ms: np.ndarray) -> IntervalRounding:
    """Find the step to which intervals are rounded, and signs of filtering before the export.

    `rr_ms` holds at least 30 intervals in ms as read, unrepaired. Filtering is suspected, never
    proven: intervals lie on straight lines more often than rounding explains, or less than 1 % of
    the power of their differences is faster than 0.4 cycles per beat (every one of 66 open
    recordings of rest and exercise has more than 3 %). Raises ValueError for fewer or non-finite
    intervals. Source of the floors: variance step^2 / 12 per rounded value, carried through
    the difference; Hejjel & Roth 2004, Physiol Meas 25:1405-1411, for the effect. Signs of
    filtering: convention.
    """
    intervals = np.asarray(rr_ms, dtype=float)
    if intervals.size < 30 or not np.all(np.isfinite(intervals)):
        raise ValueError("rounding needs at least 30 finite intervals")
    if np.ptp(intervals) == 0:
        sentence = f"All intervals are {intervals[0]:g} ms: no heart does that."
        return IntervalRounding(float("nan"), 0.0, 0.0, 0.0, True, sentence)
    name, step_ms = _rounding_step(intervals)
    known_step_ms = 0.0 if np.isnan(step_ms) else step_ms
    jump_pct = float(100 * np.max(np.abs(np.diff(intervals)) / intervals[:-1]))
    signs = []
    if _fast_share(intervals) < 0.01:
        signs.append("neighbouring intervals follow each other more smoothly than hearts do")
    if _straight_runs_exceed(intervals, known_step_ms):
        signs.append("stretches lie exactly on straight lines, as interpolation leaves them")
    rounding = f"Intervals are multiples of {name}" if name else "Intervals show no rounding step"
    floor_intervals_ms, floor_beats_ms = known_step_ms / np.sqrt(6), known_step_ms / np.sqrt(2)
    if name:
        rounding += (
            f": rounding alone gives an RMSSD of {floor_intervals_ms:.1f} ms (intervals rounded) "
            f"or {floor_beats_ms:.1f} ms (beat times rounded)"
        )
    filtering = f"they look filtered: {'; '.join(signs)}" if signs else "no sign of filtering"
    return IntervalRounding(
        step_ms,
        float(floor_intervals_ms),
        float(floor_beats_ms),
        jump_pct,
        bool(signs),
        f"{rounding}; the largest jump is {jump_pct:.0f} %; {filtering}.",
    )


def _rounding_step(intervals: np.ndarray) -> tuple[str, float]:
    """Name and size in ms of the coarsest step that explains the intervals as they are written."""
    written_ms = next(
        (
            10.0**-decimals
            for decimals in range(4)
            if np.all(np.abs(intervals - np.round(intervals, decimals)) < 1e-6)
        ),
        0.0,
    )
    for name, step_ms in ROUNDING_STEPS:
        whole = written_ms > 0 and abs(step_ms / written_ms - round(step_ms / written_ms)) < 1e-9
        tolerance_ms = 1e-6 if whole else written_ms / 2 + 1e-3
        if tolerance_ms > step_ms / 6:
            continue
        off_ms = np.abs(intervals - step_ms * np.round(intervals / step_ms))
        if np.mean(off_ms <= tolerance_ms) >= 0.99:
            return name, step_ms
    return "", float("nan")


def _fast_share(intervals: np.ndarray) -> float:
    """Share of the power of the differences above 0.4 cycles per beat, outliers drawn in."""
    change = np.diff(intervals)
    change = change - np.median(change)
    spread = 1.4826 * np.median(np.abs(change))
    if spread > 0:
        change = np.clip(change, -4 * spread, 4 * spread)
    power = np.abs(np.fft.rfft(change * np.hanning(change.size))) ** 2
    return float(power[np.fft.rfftfreq(change.size) > 0.4].sum() / power.sum())


def _straight_runs_exceed(intervals: np.ndarray, step_ms: float) -> bool:
    """Whether five intervals in a line occur more often than chance and rounding explain."""
    bend = np.diff(intervals, 2)
    straight = np.abs(bend) < max(0.25 * step_ms, 1e-6)
    runs = int((straight[:-2] & straight[1:-1] & straight[2:]).sum())
    spread = 1.4826 * np.median(np.abs(bend))
    if spread < 3 * step_ms or spread == 0:
        return False  # too coarsely rounded to tell
    by_chance = step_ms / (spread * np.sqrt(2 * np.pi))
    return runs > 5 + 5 * bend.size * by_chance**3
