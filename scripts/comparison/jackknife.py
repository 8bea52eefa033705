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
    """A statistic with its 95 % interval and two-sided p against zero, NaN from too few people."""

    value: float
    df: int
    low: float = np.nan
    high: float = np.nan
    p: float = np.nan

    def columns(self, name: str, back: Callable[[float], float] = float) -> dict[str, float]:
        """Columns of a result table; `back` takes value and interval to the printed scale."""
        limits = {name: self.value, "ci_low": self.low, "ci_high": self.high}
        printed = {column: back(number) for column, number in limits.items()}
        return printed | {"df": self.df, "p": self.p}


def jackknife(
    statistic: Callable[[np.ndarray], float],
    person: np.ndarray,
    *,
    back: Callable[[float], float] = float,
) -> Jackknifed:
    """`statistic(kept)` takes a boolean mask of rows; `back` returns it to its printed scale.

    Estimate and interval are on the printed scale, the error on that of the statistic.
    """
    of_all = statistic(np.ones(len(person), dtype=bool))
    labels = np.unique(person)
    df = len(labels) - 1
    if len(labels) < FEWEST_PEOPLE or not np.isfinite(of_all):
        return Jackknifed(back(of_all), df)
    without = np.array([statistic(person != label) for label in labels])
    se = float(np.sqrt(df / len(labels) * np.sum((without - without.mean()) ** 2)))
    if not np.isfinite(se) or se == 0:
        return Jackknifed(back(of_all), df)
    half = se * scipy.special.stdtrit(df, 0.975)
    p = float(2 * scipy.special.stdtr(df, -abs(of_all / se)))
    return Jackknifed(back(of_all), df, back(of_all - half), back(of_all + half), p)
