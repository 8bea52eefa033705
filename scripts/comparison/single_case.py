"""One participant: overlap between conditions, and tests that re-draw the schedule.

With one session per condition no test is possible: the condition cannot be told from the day. The
randomisation tests here need conditions repeated over sessions and the schedule drawn at random,
and they re-draw it exactly as it was drawn (Edgington and Onghena 2007, Randomization Tests).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from comparison.paired import finite

LARGEST_ENUMERATION = 1_000_000

# schedules drawn where there are more
DRAWS = 100_000

# Statistics closer than this share of the largest value are ties made unequal by rounding.
TIE_TOLERANCE = 1e-10


def non_overlap(reference: Sequence[float], condition: Sequence[float]) -> float:
    """Non-overlap of all pairs, P(condition > reference) + P(tie) / 2.

    Parker and Vannest 2009, Behav Ther 40:357. Raises ValueError for empty or missing values.
    """
    first = finite(reference, at_least=1, name="reference")
    second = finite(condition, at_least=1, name="condition")
    difference = second[None, :] - first[:, None]
    return float(((difference > 0) + 0.5 * (difference == 0)).mean())


@dataclass(frozen=True)
class RandomisationTest:
    """A randomisation test: the p-value, and of how many schedules.

    `exact` says whether all were counted; `attainable_minimum` is the smallest p that any of them
    could have given with these values.
    """

    p: float
    total: int
    exact: bool
    attainable_minimum: float


def _sums_of_all(y, is_first, blocks) -> np.ndarray:
    """Sum of the values under the first condition in every schedule."""
    sums = np.zeros(1)
    for block in blocks:
        chosen = combinations(y[block].tolist(), int(is_first[block].sum()))
        sums = np.add.outer(sums, [sum(one_choice) for one_choice in chosen]).ravel()
    return sums


def _sums_of_draws(y, is_first, blocks, rng) -> np.ndarray:
    """The same in schedules drawn at random."""
    sums = np.zeros(DRAWS)
    for block in blocks:
        drawn = rng.permuted(np.broadcast_to(is_first[block], (DRAWS, len(block))), axis=1)
        sums += drawn @ y[block]
    return sums


def schedule_test(
    observations: Sequence[float],
    conditions: Sequence[Hashable],
    pair: tuple[Hashable, Hashable],
    *,
    blocks: Sequence[Hashable] | None = None,
    rng: np.random.Generator,
) -> RandomisationTest:
    """Two-sided randomisation test of the mean difference of two conditions, allotted at random.

    One value and one condition of the pair per session. Without `blocks` sessions were drawn
    completely at random, otherwise within each block. Up to a million schedules are counted;
    beyond, DRAWS from `rng` with the observed one counted in. Source: Edgington and Onghena 2007,
    ch. 4-6. Raises ValueError when the schedule allows one arrangement only.
    """
    y = finite(observations, at_least=2, name="values")
    is_first = np.array([condition == pair[0] for condition in conditions])
    labels = np.array([str(block) for block in blocks or [0] * len(y)])
    members = [np.flatnonzero(labels == label) for label in np.unique(labels)]
    total = math.prod(math.comb(len(block), int(is_first[block].sum())) for block in members)
    if total < 2:
        raise ValueError(
            "the schedule allows one arrangement only: a test needs conditions repeated over "
            "sessions, or several blocks"
        )
    n_first = int(is_first.sum())

    def difference(first_sum):
        return np.abs(first_sum / n_first - (y.sum() - first_sum) / (len(y) - n_first))

    observed, exact = y[is_first].sum(), total <= LARGEST_ENUMERATION
    if exact:
        differences = difference(_sums_of_all(y, is_first, members))
    else:
        drawn = _sums_of_draws(y, is_first, members, rng)
        differences = difference(np.append(observed, drawn))
    slack = TIE_TOLERANCE * max(float(np.abs(y).max()), 1e-300)
    p = float((differences >= difference(observed) - slack).mean())
    best = float((differences >= differences.max() - slack).mean())
    n = len(differences)
    return RandomisationTest(p, n, exact, best if exact else 1 / n)
