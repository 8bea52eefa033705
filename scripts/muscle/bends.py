"""Bends in the course of saturation: the trace as straight pieces, and where exactly they meet."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from muscle.cleaning import resolution
from muscle.contractions import bent_misfit, means_in_bins
from recordings.time_axis import sampling_step_s, usable_readings

# ends that are priced together: enough to spare the interpreter, few enough to forget beginnings
_ENDS_AT_ONCE = 48


@dataclass(frozen=True)
class PlacedBend:
    """When a bend is: ``time_s``, its SD ``se_s`` and ``confidence``, the chance of lying within
    1 s, given that there is a bend."""

    time_s: float
    se_s: float
    confidence: float


@dataclass(frozen=True)
class Bend:
    """A change of level or slope near ``near_s``, between pieces from ``begin_s`` to ``end_s``.

    ``slope_after`` is per second.
    """

    near_s: float
    begin_s: float
    end_s: float
    slope_after: float
    farthest_s: float
    time: np.ndarray = field(repr=False)
    reading: np.ndarray = field(repr=False)

    def placed(self, *, reach_s: float) -> PlacedBend:
        """Where a bent line through the readings within `reach_s` fits best, over a grid of 0.1 s.

        The spread is that of the misfit of every moment within half a shortest phase.
        """
        begin_s, end_s = (
            max(self.begin_s, self.near_s - reach_s),
            min(self.end_s, self.near_s + reach_s),
        )
        inside = (self.time >= begin_s) & (self.time <= end_s)
        clock, level = self.time[inside], self.reading[inside]
        moments = np.arange(self.near_s - self.farthest_s, self.near_s + self.farthest_s, 0.1)
        moments = moments[(moments > begin_s + 1.0) & (moments < end_s - 1.0)]
        if len(clock) < 7 or not len(moments):
            return PlacedBend(float(self.near_s), float(sampling_step_s(self.time)), 0.0)
        misfit = bent_misfit(clock, level[:, None], moments)
        noise = misfit.min() / max(1, len(clock) - 5)
        chance = np.exp(-(misfit - misfit.min()) / (2 * noise + 1e-12))
        chance /= chance.sum()
        at_s = float(moments[np.argmin(misfit)])
        spread = float(np.sqrt(chance @ (moments - at_s) ** 2))
        return PlacedBend(at_s, spread, float(chance[np.abs(moments - at_s) <= 1.0].sum()))


def find_bends(time_s: ArrayLike, readings: ArrayLike, *, shortest_phase_s: float) -> list[Bend]:
    """Change points of level and slope: the trace as straight pieces, at the least total cost.

    Optimal partitioning (Jackson et al. 2005 IEEE Signal Process Lett 12:105) of 1 s means into
    lines with their own noise, at the price of the Bayesian information criterion for each, with
    changes at fifths of the shortest phase. `time_s`: n times in s; `readings`: n of them, NaN
    where unusable. Gives the bends in order of time, to be placed by `Bend.placed`.
    """
    time, reading = usable_readings(time_s, readings)
    if len(time) < 8 or time[-1] - time[0] < 2 * shortest_phase_s:
        return []
    if sampling_step_s(time) < 0.2:
        time, reading = means_in_bins(time, reading, 0.2)
    clock, level = means_in_bins(time, reading, max(1.0, sampling_step_s(time)))
    marks = _partition(clock, level, shortest_phase_s, resolution(reading))
    return [
        Bend(
            near_s=float(clock[mark]),
            begin_s=float(clock[before]),
            end_s=float(clock[after - 1]),
            slope_after=_slope(clock[mark:after], level[mark:after]),
            farthest_s=shortest_phase_s / 2,
            time=time,
            reading=reading,
        )
        for before, mark, after in zip(marks[:-2], marks[1:-1], marks[2:], strict=True)
    ]


def _slope(time: np.ndarray, level: np.ndarray) -> float:
    away = time - time.mean()
    return float(away @ (level - level.mean()) / (away @ away))


def _partition(
    clock: np.ndarray, level: np.ndarray, shortest_s: float, rounding: float
) -> list[int]:
    """First index of every straight piece of the cheapest partition, and one past the end."""
    n = len(clock)
    away = clock - clock.mean()
    parts = np.stack([np.ones(n), away, away**2, level, away * level, level**2])
    sums = np.concatenate([np.zeros((6, 1)), np.cumsum(parts, axis=1)], axis=1)
    # Four numbers per piece: where it begins, level, slope and noise.
    price = 4 * np.log(n)
    smallest = rounding**2 / 12 + 1e-6 * np.var(level) + 1e-12
    per_second = 1 / np.median(np.diff(clock))
    shortest = max(4, round(shortest_s * per_second))
    limits = np.append(np.arange(0, n, max(1, round(shortest_s / 5 * per_second))), n)
    sums = sums[:, limits]
    best = np.full(len(limits), np.inf)
    best[0] = -price
    previous = np.zeros(len(limits), dtype=int)
    # A piece that ends at a limit begins before `earliest` of it.
    earliest = np.searchsorted(limits, limits - shortest, side="right")
    begins = np.zeros(0, dtype=int)
    ends = np.flatnonzero(earliest)
    for first in range(0, len(ends), _ENDS_AT_ONCE):
        block = ends[first : first + _ENDS_AT_ONCE]
        seen = begins[-1] + 1 if len(begins) else 0
        begins = np.append(begins, np.arange(seen, earliest[block[-1]]))
        noise = _cost_of_pieces(sums, begins, block, smallest) + price
        allowed = np.searchsorted(begins, earliest[block]).tolist()
        for end, n_begins, of_end in zip(block.tolist(), allowed, noise, strict=True):
            cost = best[begins[:n_begins]] + of_end[:n_begins]
            cheapest = cost.argmin()
            previous[end], best[end] = begins[cheapest], cost[cheapest]
        begins = _still_possible(
            sums, begins, best, limits, shortest, earliest[block[-1]] - 1, smallest
        )
    marks = [len(limits) - 1]
    while marks[-1] > 0:
        marks.append(int(previous[marks[-1]]))
    return limits[marks[::-1]].tolist()


def _cost_of_pieces(
    sums: np.ndarray, begins: np.ndarray, ends: np.ndarray, smallest: float
) -> np.ndarray:
    """Cost of a straight piece from every begin (a column) to every end (a row), without price."""
    with np.errstate(divide="ignore", invalid="ignore"):
        count, t, tt, y, ty, yy = sums[:, ends, None] - sums[:, None, begins]
        spread = tt - t**2 / count
        joint = ty - t * y / count
        unexplained = np.maximum(yy - y**2 / count - joint**2 / spread, 0.0) / count
        return count * np.log(unexplained + smallest)


def _still_possible(
    sums: np.ndarray,
    begins: np.ndarray,
    best: np.ndarray,
    limits: np.ndarray,
    shortest: int,
    middle: int,
    smallest: float,
) -> np.ndarray:
    """Begins that a later piece may still have (Killick et al. 2012 J Am Stat Assoc 107:1590).

    Two pieces that meet at `middle` cost no more than one over both, apart from the price: where
    even the piece up to there is dearer than the best partition, no piece beginning so early wins.
    """
    reaches = limits[begins] <= limits[middle] - shortest
    spent = np.full(len(begins), -np.inf)
    earlier = begins[reaches]
    spent[reaches] = best[earlier] + _cost_of_pieces(sums, earlier, np.array([middle]), smallest)[0]
    # rounding must not decide
    return begins[spent <= best[middle] + 1e-6 * (1 + abs(best[middle]))]
