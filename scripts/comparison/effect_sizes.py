"""Effect sizes of paired differences with exact intervals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import scipy

from comparison.paired import finite


def hedges_correction(df: float) -> float:
    """Factor that removes the small-sample bias of a standardised difference, exact form.

    Source: Hedges 1981, J Educ Stat 6:107.
    """
    return float(
        np.exp(scipy.special.gammaln(df / 2) - scipy.special.gammaln((df - 1) / 2))
        / np.sqrt(df / 2)
    )


def noncentrality_interval(t: float, df: float) -> tuple[float, float]:
    """95 % interval for the noncentrality of a t statistic (Steiger and Fouladi 1997)."""

    def solve(probability: float) -> float:
        def gap(noncentrality: float) -> float:
            below = float(scipy.special.nctdtr(df, noncentrality, t))
            if np.isnan(below):
                raise ValueError(f"no noncentral t distribution for {t:g} with {df:g} df")
            return below - probability

        width = 1.0 + 3.0 * (1 + abs(t) / np.sqrt(2 * df))
        low, high = t - width, t + width
        while gap(low) < 0:
            low -= width
        while gap(high) > 0:
            high += width
        # halved until the two ends are neighbouring numbers: the gap falls throughout
        while low < (middle := (low + high) / 2) < high:
            low, high = (middle, high) if gap(middle) > 0 else (low, middle)
        return middle

    return solve(0.975), solve(0.025)


def effect_sizes(condition: Sequence[float], reference: Sequence[float]) -> dict[str, float]:
    """Standardised differences, condition minus reference, one value per participant in each.

    By name as in effect_sizes.tsv, with `_low` and `_high` of each, and the correlation. d_z = mean
    difference / SD of the differences, interval from the noncentral t; d_av = mean difference /
    square root of the mean of the two variances (Cumming 2012, Understanding the New Statistics,
    ch. 11), its interval that of d_z in the other unit (Algina and Keselman 2003, Educ Psychol Meas
    63:537). g are the same times Hedges' exact correction for n - 1 df. Raises ValueError when
    lengths differ, n < 3 or a spread is zero.
    """
    first = finite(condition, at_least=3, name="condition")
    second = finite(reference, at_least=3, name="reference")
    if len(first) != len(second):
        raise ValueError("condition and reference need one value per participant each")
    differences = first - second
    n = len(differences)
    sd = differences.std(ddof=1)
    average_sd = np.sqrt((first.var(ddof=1) + second.var(ddof=1)) / 2)
    if np.ptp(differences) == 0 or np.ptp(first) == 0 or np.ptp(second) == 0:
        raise ValueError("a standardised difference needs variation in both conditions")
    d_z = differences.mean() / sd
    try:
        low, high = noncentrality_interval(d_z * np.sqrt(n), n - 1)
        low, high = low / np.sqrt(n), high / np.sqrt(n)
    except ValueError as error:
        raise ValueError(
            "no interval can be computed for a difference so large against its spread"
        ) from error
    hedges, unit = hedges_correction(n - 1), sd / average_sd
    z = np.array([d_z, low, high])
    av = np.array([differences.mean() / average_sd, low * unit, high * unit])
    sizes = {"correlation": float(np.corrcoef(first, second)[0, 1])}
    for name, numbers in (("d_z", z), ("g_z", hedges * z), ("d_av", av), ("g_av", hedges * av)):
        columns = (name, f"{name}_low", f"{name}_high")
        sizes |= dict(zip(columns, map(float, numbers), strict=True))
    return sizes


def interpret_interval(
    ci_low: float, ci_high: float, *, smallest_effect: float
) -> Literal["different", "equivalent", "inconclusive"]:
    """Interpret a confidence interval against a smallest effect of interest (all in one unit).

    "equivalent": the whole interval lies within -smallest_effect and +smallest_effect, so any
    effect is smaller than one of interest (two one-sided tests, Schuirmann 1987, J Pharmacokinet
    Biopharm 15:657; a 90 % interval tests at .05); "different": otherwise, when the interval
    leaves out zero; "inconclusive": it holds both zero and an effect of interest (Lakens, Scheel
    and Isager 2018, Adv Methods Pract Psychol Sci 1:259).
    """
    if not smallest_effect > 0 or not ci_low <= ci_high:
        raise ValueError("needs a positive smallest effect and ci_low <= ci_high")
    if ci_low > -smallest_effect and ci_high < smallest_effect:
        return "equivalent"
    if ci_low > 0 or ci_high < 0:
        return "different"
    return "inconclusive"
