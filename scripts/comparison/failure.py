"""Does saturation mark failure? Sets to failure against sets that were completed.

A set fails as the study defines it; a set stopped at its prescribed number is censored there. Three
answers stand side by side: how well the lowest saturation tells failed sets from others (area under
the curve: the probability that a failed set has the lower value; Hanley and McNeil 1982, Radiology
143:29-36), what the declared band and the best threshold catch, and by how much the hazard of
failing at the next repetition changes with saturation (Cox 1972, J R Stat Soc B 34:187-220; ties as
Efron 1977, J Am Stat Assoc 72:557-565). Each is given over all sets and within strata, because
conditions in which nobody can fail make any marker look good. Intervals come from resampling people
(percentiles), never from counting sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from comparison.jackknife import FEWEST_PEOPLE

RESAMPLES = 2000

# log hazard ratios per unit that are searched; beyond them a hazard has no finite estimate
WIDEST_LOG_HAZARD = 2.0
GRID = np.linspace(-WIDEST_LOG_HAZARD, WIDEST_LOG_HAZARD, 801)


@dataclass(frozen=True)
class Interval:
    """A number with the interval that resampling people gives it; both ends NaN where none is."""

    value: float
    low: float = np.nan
    high: float = np.nan


def label_codes(*labels: Sequence) -> np.ndarray:
    """One number for each combination of labels; shape (sets,)."""
    columns = [np.unique(np.asarray(label, dtype=str), return_inverse=True)[1] for label in labels]
    return np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)[1].ravel()


def draws_of_people(people: int, seed: int) -> np.ndarray:
    """How often each person is drawn in each resample; shape (resamples, people)."""
    draws = np.random.default_rng(seed).integers(people, size=(RESAMPLES, people))
    return np.stack([np.bincount(draw, minlength=people) for draw in draws]).astype(float)


def with_interval(of_study: float, resamples: np.ndarray, people: int) -> Interval:
    """The middle 95 % of the resamples that gave a number; none from too few people."""
    given = resamples[np.isfinite(resamples)]
    if people < FEWEST_PEOPLE or len(given) < 0.9 * len(resamples):
        return Interval(float(of_study))
    return Interval(float(of_study), *map(float, np.quantile(given, [0.025, 0.975])))


def area_under_curve(
    saturation: np.ndarray, failed: np.ndarray, person: np.ndarray, stratum: np.ndarray, seed: int
) -> Interval:
    """Probability that a failed set has the lower saturation of two sets of one stratum.

    Only pairs of a failed and another set of the same stratum are compared; ties count half. All
    arrays have the shape (sets,); `person` and `stratum` are codes. NaN without such a pair.
    """
    people = int(person.max()) + 1
    lower, pairs = np.zeros((people, people)), np.zeros((people, people))
    for n in np.flatnonzero(failed):
        short_of_failure = ~failed & (stratum == stratum[n])
        wins = (saturation[n] < saturation[short_of_failure]) + 0.5 * (
            saturation[n] == saturation[short_of_failure]
        )
        lower[person[n]] += np.bincount(person[short_of_failure], wins, minlength=people)
        pairs[person[n]] += np.bincount(person[short_of_failure], minlength=people)
    if not pairs.sum():
        return Interval(np.nan)
    drawn = draws_of_people(people, seed)
    within = all(len(np.unique(person[stratum == s])) == 1 for s in np.unique(stratum))

    def over_resamples(matrix):
        if within:
            # a person drawn twice is two people, who are not compared with each other
            return drawn @ np.diag(matrix)
        return ((drawn @ matrix) * drawn).sum(axis=1)

    with np.errstate(invalid="ignore"):
        resamples = over_resamples(lower) / over_resamples(pairs)
    return with_interval(lower.sum() / pairs.sum(), resamples, _people_with(pairs))


def _people_with(pairs: np.ndarray) -> int:
    """People who take part in a pair."""
    return int(((pairs.sum(axis=0) + pairs.sum(axis=1)) > 0).sum())


def share(hit: np.ndarray, among: np.ndarray, person: np.ndarray, seed: int) -> Interval:
    """Share of the sets `among` that are `hit`; both boolean, shape (sets,)."""
    people = int(person.max()) + 1
    hits = np.bincount(person, hit & among, minlength=people)
    sets = np.bincount(person, among, minlength=people)
    if not sets.sum():
        return Interval(np.nan)
    if hits.sum() in (0, sets.sum()):
        # where all sets are alike all resamples are, which is no error of nought
        return Interval(float(hits.sum() / sets.sum()))
    drawn = draws_of_people(people, seed)
    with np.errstate(invalid="ignore"):
        resamples = (drawn @ hits) / (drawn @ sets)
    return with_interval(hits.sum() / sets.sum(), resamples, int((sets > 0).sum()))


def best_threshold(saturation: np.ndarray, failed: np.ndarray) -> float:
    """Saturation below which sets are best called failed: largest sensitivity + specificity.

    Youden 1950, Cancer 3:32-35. Halfway between two observed values; NaN where all or none failed.
    """
    if failed.all() or not failed.any():
        return np.nan
    order = np.argsort(saturation)
    ordered, is_failed = saturation[order], failed[order]
    caught = np.cumsum(is_failed) / is_failed.sum()
    spared = 1 - np.cumsum(~is_failed) / (~is_failed).sum()
    between = ordered[:-1] < ordered[1:]
    if not between.any():
        return np.nan
    index = np.flatnonzero(between)[np.argmax((caught + spared)[:-1][between])]
    return float((ordered[index] + ordered[index + 1]) / 2)


def best_threshold_with_interval(
    saturation: np.ndarray, failed: np.ndarray, person: np.ndarray, seed: int
) -> Interval:
    """The best threshold, chosen again in every resample of people; arrays have shape (sets,)."""
    resamples = [
        best_threshold(np.repeat(saturation, times), np.repeat(failed, times))
        for times in draws_of_people(int(person.max()) + 1, seed).astype(int)[:, person]
    ]
    people = len(np.unique(person))
    return with_interval(best_threshold(saturation, failed), np.array(resamples), people)


def threshold_of_others(
    saturation: np.ndarray, failed: np.ndarray, person: np.ndarray
) -> np.ndarray:
    """For each set, the best threshold of the sets of all other people; shape (sets,).

    What a threshold catches in the people from whom it was chosen flatters it.
    """
    chosen = {p: best_threshold(saturation[person != p], failed[person != p]) for p in set(person)}
    return np.array([chosen[p] for p in person])


def hazard_ratio(
    saturation: np.ndarray,
    repetitions: np.ndarray,
    failed: np.ndarray,
    person: np.ndarray,
    stratum: np.ndarray,
    seed: int,
) -> Interval:
    """Ratio of the hazard of failing for one percentage point more of saturation.

    Partial likelihood in repetitions, stratified; a set that did not fail is censored at its last
    repetition. Every stratum must lie within one person. NaN where no failed set stands beside
    another at risk, or where the likelihood has no maximum (saturation separates the two).
    """
    people = int(person.max()) + 1
    curves = np.zeros((people, len(GRID)))
    for s in np.unique(stratum):
        sets = stratum == s
        curves[person[sets][0]] += _log_likelihood(
            saturation[sets], repetitions[sets], failed[sets]
        )
    informative = np.ptp(curves, axis=1) > 0
    best = _maximum(curves.sum(axis=0)[None])[0]
    if not informative.any() or not np.isfinite(best):
        return Interval(np.nan)
    resamples = np.exp(_maximum(draws_of_people(people, seed) @ curves))
    return with_interval(np.exp(best), resamples, int(informative.sum()))


def _log_likelihood(saturation, repetitions, failed):
    """Log partial likelihood of one stratum over the grid of log hazard ratios."""
    centred = saturation - saturation.mean()
    risk = np.exp(np.outer(centred, GRID))
    total = np.zeros(len(GRID))
    for repetition in np.unique(repetitions[failed]):
        ending = failed & (repetitions == repetition)
        at_risk = risk[repetitions >= repetition].sum(axis=0)
        tied, n = risk[ending].sum(axis=0), int(ending.sum())
        total += centred[ending].sum() * GRID
        total -= sum(np.log(at_risk - k / n * tied) for k in range(n))
    return total


def _maximum(curves):
    """Where each curve over the grid is highest, by a parabola; NaN at an edge or where flat."""
    top = np.argmax(curves, axis=1)
    inside = (top > 0) & (top < len(GRID) - 1) & (np.ptp(curves, axis=1) > 0)
    at = np.clip(top, 1, len(GRID) - 2)
    curve_numbers = np.arange(len(curves))
    before, here, after = (curves[curve_numbers, at + step] for step in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = 0.5 * (before - after) / (before - 2 * here + after)
    return np.where(inside, GRID[at] + shift * (GRID[1] - GRID[0]), np.nan)


def exact_mcnemar(first: np.ndarray, second: np.ndarray) -> tuple[int, int, float]:
    """Pairs in which only the first and only the second failed, and the exact two-sided p.

    McNemar 1947, Psychometrika 12:153-157, with the binomial distribution. `first` and `second` are
    boolean, shape (pairs,). p is 1 where no pair differs.
    """
    only_first, only_second = int((first & ~second).sum()), int((second & ~first).sum())
    differing = only_first + only_second
    if not differing:
        return 0, 0, 1.0
    tail = scipy.special.bdtr(min(only_first, only_second), differing, 0.5)
    return only_first, only_second, float(min(1.0, 2 * tail))
