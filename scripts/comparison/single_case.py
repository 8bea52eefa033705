"""One participant: overlap between conditions, and tests that re-draw the schedule.

With one session per condition no test is possible: the condition cannot be told from the day. The
randomisation tests here need conditions repeated over sessions and the schedule drawn at random,
and they re-draw it exactly as it was drawn (Edgington and Onghena 2007, Randomization Tests).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

LARGEST_ENUMERATION = 1_000_000

# Statistics closer than this share of the data's size are ties made unequal by rounding.
TIE_TOLERANCE = 1e-10


def _finite(observations: Sequence[float], *, at_least: int, name: str) -> np.ndarray:
    numbers = np.asarray(observations, dtype=float)
    if numbers.ndim != 1 or not np.isfinite(numbers).all():
        raise ValueError(f"{name} must be a list of finite numbers; leave missing ones out")
    if len(numbers) < at_least:
        raise ValueError(f"{name} holds {len(numbers)} value(s); at least {at_least} are needed")
    return numbers


def non_overlap(reference: Sequence[float], condition: Sequence[float]) -> float:
    """Non-overlap of all pairs, P(condition > reference) + P(tie) / 2.

    Parker and Vannest 2009, Behav Ther 40:357. Raises ValueError for empty or missing values.
    """
    first = _finite(reference, at_least=1, name="reference")
    second = _finite(condition, at_least=1, name="condition")
    difference = second[None, :] - first[:, None]
    return float(((difference > 0) + 0.5 * (difference == 0)).mean())


@dataclass(frozen=True)
class RandomisationTest:
    """A randomisation test: the statistic and its place among all schedules.

    `attainable_minimum` is the smallest p that any schedule could have given with these values.
    """

    statistic: float
    p: float
    count: int
    total: int
    exact: bool
    attainable_minimum: float


def _place_among_schedules(
    statistics: np.ndarray, observed: float, size: float
) -> RandomisationTest:
    slack = TIE_TOLERANCE * max(size, 1e-300)
    count = int((statistics >= observed - slack).sum())
    total = len(statistics)
    best = int((statistics >= statistics.max() - slack).sum())
    return RandomisationTest(float(observed), count / total, count, total, True, best / total)


def _arrangement_sums(observations: np.ndarray, kinds: np.ndarray, n_kinds: int) -> np.ndarray:
    """Sum of the values under each condition, one row per arrangement of one block."""
    counts = np.bincount(kinds, minlength=n_kinds)

    def arranged(free: tuple[int, ...], kind: int) -> list[list[float]]:
        if kind == n_kinds - 1:
            return [[float(observations[list(free)].sum())]]
        sums = []
        for chosen in itertools.combinations(free, int(counts[kind])):
            taken = set(chosen)
            rest = tuple(i for i in free if i not in taken)
            of_kind = float(observations[list(chosen)].sum())
            sums.extend([of_kind, *of_rest] for of_rest in arranged(rest, kind + 1))
        return sums

    return np.array(arranged(tuple(range(len(observations))), 0))


def _sums_of_all(y, kinds, members, n_kinds) -> np.ndarray:
    """Sum of the values under each condition in every schedule; `members` are those of a block."""
    sums = np.zeros((1, n_kinds))
    for m in members:
        block = _arrangement_sums(y[m], kinds[m], n_kinds)
        sums = (sums[:, None] + block[None]).reshape(-1, n_kinds)
    return sums


def _sums_of_draws(y, kinds, members, n_kinds, draws, rng) -> np.ndarray:
    """The same in schedules drawn at random."""
    sums = np.zeros((draws, n_kinds))
    for block in members:
        order = rng.permuted(np.broadcast_to(kinds[block], (draws, len(block))), axis=1)
        for kind in range(n_kinds):
            sums[:, kind] += (order == kind) @ y[block]
    return sums


def _n_arrangements(kinds: np.ndarray) -> int:
    total = math.factorial(len(kinds))
    for count in np.bincount(kinds):
        total //= math.factorial(int(count))
    return total


def _separation(sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Absolute mean difference for two conditions, sum of squares between for more."""
    means = sums / counts
    if len(counts) == 2:
        return np.abs(means[:, 0] - means[:, 1])
    centre = (sums.sum(axis=1) / counts.sum())[:, None]
    return (counts * (means - centre) ** 2).sum(axis=1)


def _sessions_by_block(
    observations, conditions, blocks, pair
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Values and numbers of the conditions compared, and which sessions each block holds."""
    y = _finite(observations, at_least=2, name="values")
    labels = list(conditions)
    strata = list(blocks) if blocks is not None else [0] * len(y)
    if not len(y) == len(labels) == len(strata):
        raise ValueError("values, conditions and blocks need one entry per session each")
    names = list(pair) if pair is not None else list(dict.fromkeys(labels))
    unknown = [str(name) for name in names if name not in labels]
    if unknown or len(names) < 2:
        raise ValueError(f"needs two or more conditions that occur; {', '.join(unknown)} do not")
    kept = [i for i, label in enumerate(labels) if label in names]
    kinds = np.array([names.index(labels[i]) for i in kept])
    _, strata = np.unique([str(strata[i]) for i in kept], return_inverse=True)
    members = [np.flatnonzero(strata == stratum) for stratum in range(strata.max() + 1)]
    return y[kept], kinds, members


def schedule_test(
    observations: Sequence[float],
    conditions: Sequence[Hashable],
    *,
    blocks: Sequence[Hashable] | None = None,
    pair: tuple[Hashable, Hashable] | None = None,
    rng: np.random.Generator | None = None,
    draws: int = 100_000,
) -> RandomisationTest:
    """Two-sided randomisation test for sessions allotted at random to conditions.

    One value and one condition per session. Without `blocks` sessions were drawn completely at
    random, otherwise within each block. `pair` compares two conditions by their mean difference,
    the schedule of the others held; without it all conditions are compared by the sum of squares
    between them. Up to a million schedules are counted; beyond, `draws` from `rng` with the
    observed one counted in. Source: Edgington and Onghena 2007, ch. 4-6. Raises ValueError when
    the schedule allows one arrangement only.
    """
    y, kinds, members = _sessions_by_block(observations, conditions, blocks, pair)
    n_kinds = int(kinds.max()) + 1
    counts = np.bincount(kinds, minlength=n_kinds)
    total = math.prod(_n_arrangements(kinds[block]) for block in members)
    if total < 2:
        raise ValueError(
            "the schedule allows one arrangement only: a test needs conditions repeated over "
            "sessions, or several blocks"
        )
    observed_sums = np.bincount(kinds, weights=y, minlength=n_kinds)[None]
    observed = float(_separation(observed_sums, counts)[0])
    size = float(np.abs(y).max()) ** (1 if n_kinds == 2 else 2) * (1 if n_kinds == 2 else len(y))
    if total <= LARGEST_ENUMERATION:
        sums = _sums_of_all(y, kinds, members, n_kinds)
        return _place_among_schedules(_separation(sums, counts), observed, size)
    if rng is None:
        raise ValueError(f"{total} schedules are too many to count: give rng to draw from them")
    sums = _sums_of_draws(y, kinds, members, n_kinds, draws, rng)
    drawn = _separation(np.vstack([observed_sums, sums]), counts)
    placed = _place_among_schedules(drawn, observed, size)
    return RandomisationTest(observed, placed.p, placed.count, placed.total, False, 1 / (draws + 1))
