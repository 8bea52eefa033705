"""What a study may claim: one condition against all others, or every difference, at a stated error.

"Differs from both controls" is true only where each difference is: an intersection-union test, each
part at the full level (Berger 1982, Technometrics 24:295-300). All differences between conditions
are tested by Shaffer's steps, which count how many of them can still be zero at once (Shaffer 1986,
J Am Stat Assoc 81:826-831). Over several primary outcomes claims are tested in the order that the
study declares, until one fails, or by Holm's steps (Holm 1979, Scand J Stat 6:65-70).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np


@cache
def zeros_possible(conditions: int) -> frozenset[int]:
    """How many differences between this many conditions can be zero at once.

    Conditions that are equal form groups; a group of size m has m (m - 1) / 2 zero differences.
    """
    if conditions < 2:
        return frozenset({0})
    return frozenset(
        m * (m - 1) // 2 + rest
        for m in range(1, conditions + 1)
        for rest in zeros_possible(conditions - m)
    )


def shaffer_steps(conditions: int) -> list[int]:
    """By how much the p-value of each step is multiplied, smallest p-value first.

    Three conditions give 3, 1, 1: once one difference is shown, at most one can still be zero.
    """
    n = conditions * (conditions - 1) // 2
    possible = zeros_possible(conditions)
    return [max(z for z in possible if z <= n - step) for step in range(n)]


def stepwise(p: Sequence[float], steps: Sequence[int]) -> np.ndarray:
    """Adjusted p-values in the order of `p`: multiplied step by step, never falling, at most 1."""
    p = np.asarray(p, dtype=float)
    order = np.argsort(p, kind="stable")
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(np.maximum.accumulate(p[order] * steps), 1.0)
    return adjusted


def shaffer(p: Sequence[float], conditions: int) -> np.ndarray:
    """Adjusted p-values of all differences between conditions."""
    return stepwise(p, shaffer_steps(conditions))


def level_of_interval(p: Sequence[float], steps: Sequence[int], alpha: float) -> np.ndarray:
    """The error at which each interval agrees with its stepwise verdict, in the order of `p`.

    A difference is tested at alpha / steps[k] in its step k, and not at all after a step that
    failed. Its interval at that error, or at that of the failed step, excludes zero exactly where
    the difference is shown.
    """
    p = np.asarray(p, dtype=float)
    order = np.argsort(p, kind="stable")
    levels, failed = np.empty(len(p)), None
    for step, n in enumerate(order):
        levels[n] = alpha / steps[step] if failed is None else failed
        if failed is None and p[n] >= levels[n]:
            failed = levels[n]
    return levels


def in_order(p: Sequence[float]) -> np.ndarray:
    """p-values of claims tested in a declared order: none is shown after one that was not."""
    return np.maximum.accumulate(np.asarray(p, dtype=float))
