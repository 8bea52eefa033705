"""What may have happened where beat intervals are doubtful, and which interpretation is likeliest.

Around every group of doubtful intervals the interpretations of the beats - which to keep, how many
intervals lie between them - are weighed by how well the intervals then follow the model of the
person's own intervals nearby, and by how few beats they change.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import product, zip_longest

import numpy as np

from heart.repair.local_model import (
    Context,
    LocalModel,
    fill_intervals,
    fit_local_model,
    local_trend,
)

# conventions, chosen on simulated rest and exercise and on open recordings
CONTEXT_INTERVALS = 90  # on each side of a doubtful region, as many as the published thresholds use

MOST_BEATS_JUDGED_SINGLY = 6  # every subset of so many beats is weighed; longer runs step by step

LONGEST_REGION = 24  # beats: longer runs are cut at beats that follow each other evenly

MOST_LINKS_WITH_A_CHOICE = 4  # with more, the likeliest number of intervals is taken

MOST_STEPS = 12  # of improving the interpretation of a long region, each by one beat

EDIT_COST = 18.0  # by how much an edit must lower minus twice the log likelihood

TAIL_FREEDOM = 4.0  # a genuine pause or jump is rare, not impossible: Student rather than Gauss

SHORTEST_SHARE = 0.4  # of the usual interval: no sinus beat follows sooner


@dataclass(frozen=True)
class Candidate:
    """A way to read a doubtful region: beats kept, and how many intervals lie between them."""

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
        for beat, next_beat, count in self.links():
            dropped, put_in = next_beat - beat - 1, count - 1
            total += dropped if dropped == put_in else dropped + put_in
        return total


@dataclass(frozen=True)
class UnbrokenBeats:
    """Beats without a break between them, and what is known about each."""

    beats: np.ndarray
    locked: np.ndarray
    banned: np.ndarray
    flagged: np.ndarray


@dataclass(frozen=True)
class Interpretation:
    """A candidate with its intervals in s."""

    candidate: Candidate
    intervals_s: np.ndarray


def _regions(flagged: np.ndarray) -> list[tuple[int, int]]:
    """First and last beat of each group of flagged intervals and one neighbour on either side."""
    regions: list[tuple[int, int]] = []
    for interval in np.flatnonzero(flagged):
        first, last = max(0, int(interval) - 1), min(flagged.size, int(interval) + 2)
        if regions and first < regions[-1][1]:
            regions[-1] = (regions[-1][0], last)
        else:
            regions.append((first, last))
    return regions


def _pieces(stretch: UnbrokenBeats, first: int, last: int, usual_s: float) -> list[tuple[int, int]]:
    """First and last beat of the pieces of a region, cut where it is long."""
    allowed = first + np.flatnonzero(~stretch.banned[first : last + 1])
    if last - first <= LONGEST_REGION or allowed.size < 3:
        return [(first, last)]
    edges = [first]
    chain = _even_chain(stretch.beats, allowed[0], allowed[-1], allowed[1:-1], usual_s)
    for beat in chain.tolist():
        if min(beat - edges[-1], last - beat) >= LONGEST_REGION // 2:
            edges.append(beat)
    return list(zip(edges, [*edges[1:], last], strict=True))


def _first_candidates(
    stretch: UnbrokenBeats, first: int, last: int, usual_s: float
) -> list[Candidate]:
    """Interpretations of the beats from `first` to `last`, the least changed first.

    The two outer beats are trusted, except that the first or last beat of a whole stretch may
    itself be false. All sets of kept beats where there are few, three to begin with otherwise.
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
    candidates = []
    for start, end in product(starts, ends):
        if start >= end:
            continue
        inside = allowed[(allowed > start) & (allowed < end)]
        fixed = inside[stretch.locked[inside]]
        free = inside[~stretch.locked[inside]]
        if free.size <= MOST_BEATS_JUDGED_SINGLY:
            subsets = [free[list(mask)] for mask in _masks(free.size)]
        else:
            subsets = [free, _even_chain(beats, start, end, free, usual_s), free[:0]]
        for subset in subsets:
            kept = (start, *np.union1d(subset, fixed).astype(int).tolist(), end)
            candidates += _candidates_keeping(kept, stretch, first, last, usual_s)
    return sorted(candidates, key=lambda candidate: candidate.edits)


@cache
def _masks(size: int) -> list[np.ndarray]:
    """Every choice among `size` beats, as masks."""
    return [np.array(mask, dtype=bool) for mask in product((True, False), repeat=size)]


def _candidates_keeping(
    kept: tuple[int, ...], stretch: UnbrokenBeats, first: int, last: int, usual_s: float
) -> list[Candidate]:
    """Interpretations that keep these beats and differ in the number of intervals between them."""
    ratios = np.diff(stretch.beats[list(kept)]) / usual_s
    counts = [_likely_counts(ratio) for ratio in ratios.tolist()]
    if sum(len(choices) > 1 for choices in counts) > MOST_LINKS_WITH_A_CHOICE:
        counts = [choices[:1] for choices in counts]
    return [Candidate(first, last, kept, chosen) for chosen in product(*counts)]


def _toggled_candidates(
    candidate: Candidate, stretch: UnbrokenBeats, usual_s: float
) -> Iterator[Candidate]:
    """Interpretations that keep one beat less or one beat more."""
    for beat in range(candidate.kept[0] + 1, candidate.kept[-1]):
        if not (stretch.banned[beat] or stretch.locked[beat]):
            kept = tuple(sorted(set(candidate.kept) ^ {beat}))
            yield from _candidates_keeping(kept, stretch, candidate.first, candidate.last, usual_s)


def _likely_counts(ratio: float) -> list[int]:
    """How many intervals may fill a time of `ratio` usual intervals, the likeliest first."""
    nearest = max(1, round(ratio))
    if abs(ratio - nearest) <= 0.3:
        return [nearest]
    second = max(1, nearest + (1 if ratio > nearest else -1))
    return [nearest] if second == nearest else [nearest, second]


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


@dataclass
class _Search:
    """The interpretation of one region whose surprise, plus a cost for every edit, is least so far.

    Surprise is minus twice the log likelihood of the prediction errors, Student distributed.
    """

    stretch: UnbrokenBeats
    context: Context
    least: float = np.inf
    best: Interpretation | None = None
    model: LocalModel | None = None
    trends: dict[int, np.ndarray] = field(default_factory=dict)

    def weigh(self, candidate: Candidate) -> None:
        """Take this interpretation where it is better than the best so far."""
        cost = EDIT_COST * candidate.edits
        if cost >= self.least:
            return
        count = sum(candidate.counts)
        if count not in self.trends:
            self.trends[count] = local_trend(self.context, count)
        trend = self.trends[count]
        if self.model is None:
            self.model = fit_local_model(self.context, trend)
        model = self.model
        durations_s = np.diff(self.stretch.beats[list(candidate.kept)])
        intervals_s, errors = fill_intervals(
            durations_s, candidate.counts, self.context, trend, model
        )
        if candidate.edits and intervals_s.min() < SHORTEST_SHARE * self.context.usual_s:
            return
        squared = (errors / model.error_s) ** 2
        cost += (TAIL_FREEDOM + 1) * np.log1p(squared / TAIL_FREEDOM).sum()
        if cost < self.least:
            self.least, self.best = cost, Interpretation(candidate, intervals_s)


def _best_interpretation(
    stretch: UnbrokenBeats, first: int, last: int, context: Context
) -> Interpretation | None:
    """The best interpretation of a region; None where no two beats can be kept.

    In a long region the best of the first few interpretations is improved one beat at a time.
    """
    search = _Search(stretch, context)
    for candidate in _first_candidates(stretch, first, last, context.usual_s):
        search.weigh(candidate)
    if last - first > MOST_BEATS_JUDGED_SINGLY:
        for _ in range(MOST_STEPS):
            before = search.best
            if before is None:
                break
            for candidate in _toggled_candidates(before.candidate, stretch, context.usual_s):
                search.weigh(candidate)
            if search.best is before:
                break
    return search.best


def interpret_stretch(stretch: UnbrokenBeats) -> list[Interpretation]:
    """Best interpretation of every doubtful region in which two beats can be kept.

    Regions that were changed are read a second time, with the repairs of the others in sight.
    """
    intervals = np.diff(stretch.beats)
    trusted = np.flatnonzero(~stretch.flagged)
    spans = [
        piece
        for span in _regions(stretch.flagged)
        for piece in _pieces(stretch, *span, _usual_s(intervals, trusted, *span))
    ]
    usual_s = [_usual_s(intervals, trusted, *span) for span in spans]
    interpretations = [
        _even_interpretation(stretch.beats, *span, usual)
        for span, usual in zip(spans, usual_s, strict=True)
    ]
    edges = [0, *(beat for span in spans for beat in span), stretch.beats.size - 1]
    quiet = [intervals[edges[i] : edges[i + 1]] for i in range(0, len(edges), 2)]

    def interpret_again(number: int) -> Interpretation | None:
        before, before_seen = _nearest_intervals(
            quiet[number::-1], interpretations[:number][::-1], backwards=True
        )
        after, after_seen = _nearest_intervals(
            quiet[number + 1 :], interpretations[number + 1 :], backwards=False
        )
        context = Context(before, after, before_seen, after_seen, usual_s[number])
        return _best_interpretation(stretch, *spans[number], context)

    interpreted = []
    for number in range(len(spans)):
        best = interpret_again(number)
        if best is not None:
            interpretations[number] = best
            interpreted.append(number)
    for number in interpreted:
        if interpretations[number].candidate.edits:
            interpretations[number] = interpret_again(number) or interpretations[number]
    return [interpretations[number] for number in interpreted]


def _usual_s(intervals: np.ndarray, trusted: np.ndarray, first: int, last: int) -> float:
    """Median in s of the 11 trusted intervals nearest to a region, of all where none is."""
    if trusted.size == 0:
        return float(np.median(intervals))
    middle = (first + last - 1) / 2
    start = max(0, np.searchsorted(trusted, middle) - 11)
    near = trusted[start : start + 22]
    nearest = near[np.argsort(np.abs(near - middle), kind="stable")[:11]]
    return float(np.median(intervals[nearest]))


def _even_interpretation(
    beats: np.ndarray, first: int, last: int, usual_s: float
) -> Interpretation:
    """A region with as many equal intervals as it holds: what stands there until it is read."""
    duration_s = beats[last] - beats[first]
    count = max(1, round(duration_s / usual_s))
    return Interpretation(
        Candidate(first, last, (first, last), (count,)), np.full(count, duration_s / count)
    )


def _nearest_intervals(
    quiet: Sequence[np.ndarray], interpretations: Sequence[Interpretation], *, backwards: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Intervals on one side of a region, and which of them were seen rather than filled.

    `quiet` and `interpretations` alternate, the nearest first; the result is in order of time.
    """
    nearest, seen, total = [], [], 0
    for piece, beside in zip_longest(quiet, interpretations):
        for part, was_seen in (
            (piece, True),
            (beside and beside.intervals_s, False),
        ):
            if part is None or total >= CONTEXT_INTERVALS:
                continue
            part = part[::-1] if backwards else part
            nearest.append(part)
            seen.append(np.full(part.size, was_seen))
            total += part.size
    joined, joined_seen = np.concatenate(nearest), np.concatenate(seen)
    joined, joined_seen = joined[:CONTEXT_INTERVALS], joined_seen[:CONTEXT_INTERVALS]
    return (joined[::-1], joined_seen[::-1]) if backwards else (joined, joined_seen)
