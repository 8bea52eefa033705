"""Error of a statistic from the people: leave one person out at a time.

The statistic is computed again without each person; its variance is (n - 1) / n times the sum of
squares about their mean (Tukey 1958; Efron and Tibshirani 1993, chapter 11), its t distribution has
n - 1 degrees of freedom. Sets and sessions of one person never count as independent.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

# fewer people give no interval: their resamples are a handful of different studies
FEWEST_PEOPLE = 4


def why_no_interval(people: int, what: str = "interval") -> str:
    """Why so few people give none; empty for FEWEST_PEOPLE and more."""
    if people >= FEWEST_PEOPLE:
        return ""
    who = "one person" if people == 1 else f"fewer than {FEWEST_PEOPLE} people"
    return f"{who}: no {what}"


@dataclass(frozen=True)
class Jackknifed:
    """A statistic with its interval and two-sided p against zero; NaN where people are too few."""

    value: float
    se: float
    df: int
    low: float
    high: float
    p: float


def jackknife(
    statistic: Callable[[np.ndarray], float],
    person: np.ndarray,
    *,
    back: Callable[[float], float] = float,
    confidence: float = 0.95,
) -> Jackknifed:
    """`statistic(kept)` takes a boolean mask of rows; `back` returns it to its printed scale.

    Estimate and interval are on the printed scale, the error on that of the statistic.
    """
    of_all = statistic(np.ones(len(person), dtype=bool))
    labels = np.unique(person)
    df = len(labels) - 1
    if len(labels) < FEWEST_PEOPLE or not np.isfinite(of_all):
        return Jackknifed(back(of_all), np.nan, df, np.nan, np.nan, np.nan)
    without = np.array([statistic(person != label) for label in labels])
    se = float(np.sqrt(df / len(labels) * np.sum((without - without.mean()) ** 2)))
    if not np.isfinite(se) or se == 0:
        return Jackknifed(back(of_all), np.nan, df, np.nan, np.nan, np.nan)
    half = se * scipy.special.stdtrit(df, (1 + confidence) / 2)
    p = float(2 * scipy.special.stdtr(df, -abs(of_all / se)))
    return Jackknifed(back(of_all), se, df, back(of_all - half), back(of_all + half), p)
