"""Reliability and agreement of repeated measurements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from comparison.paired import _differences


@dataclass(frozen=True)
class IntraclassCorrelation:
    """One intraclass correlation with its F test and interval."""

    kind: str
    icc: float
    ci_low: float
    ci_high: float
    F: float
    df_num: int
    df_den: int
    p: float


def intraclass_correlations(
    ratings: np.ndarray, *, level: float = 0.95
) -> dict[str, IntraclassCorrelation]:
    """The six intraclass correlations of Shrout and Fleiss 1979 (Psychol Bull 86:420).

    `ratings` has one row per target and one column per rater (or repeat), complete. Keys are
    "1,1", "2,1", "3,1" for one rating and "1,k", "2,k", "3,k" for the mean of all k. Raises
    ValueError for missing values, fewer than two rows or columns, or no variation.
    """
    x = np.asarray(ratings, dtype=float)
    if x.ndim != 2 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError("ratings must be a complete table of at least 2 targets x 2 raters")
    n, k = x.shape
    targets, raters = x.mean(axis=1), x.mean(axis=0)
    bms = k * targets.var(ddof=1)
    jms = n * raters.var(ddof=1)
    wms = ((x - targets[:, None]) ** 2).sum() / (n * (k - 1))
    residual = x - targets[:, None] - raters + x.mean()
    ems = (residual**2).sum() / ((n - 1) * (k - 1))
    if wms == 0 or ems <= 1e-20 * max(bms, jms):
        raise ValueError("the ratings leave no error variance: the intervals are not defined")
    upper = 0.5 + level / 2
    one_way = (n - 1, n * (k - 1))
    two_way = (n - 1, (n - 1) * (k - 1))
    f1, f3 = bms / wms, bms / ems
    low1, high1 = f1 / special.fdtri(*one_way, upper), f1 * special.fdtri(*one_way[::-1], upper)
    low3, high3 = f3 / special.fdtri(*two_way, upper), f3 * special.fdtri(*two_way[::-1], upper)
    icc2 = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
    # Satterthwaite df of the denominator of ICC(2,1), Shrout and Fleiss 1979, p. 425
    fj = jms / ems
    common = k * icc2 * fj + n * (1 + (k - 1) * icc2) - k * icc2
    df = (k - 1) * (n - 1) * common**2
    df /= (n - 1) * k**2 * icc2**2 * fj**2 + (n * (1 + (k - 1) * icc2) - k * icc2) ** 2
    f_low, f_high = special.fdtri(n - 1, df, upper), special.fdtri(df, n - 1, upper)
    rest = k * jms + (k * n - k - n) * ems
    low2 = n * (bms - f_low * ems) / (f_low * rest + n * bms)
    high2 = n * (f_high * bms - ems) / (rest + n * f_high * bms)

    def averaged(single: float) -> float:
        return k * single / (1 + (k - 1) * single)

    single = {
        "1,1": ((bms - wms) / (bms + (k - 1) * wms), _bounds(low1, high1, k), f1, one_way),
        "2,1": (icc2, (low2, high2), f3, two_way),
        "3,1": ((bms - ems) / (bms + (k - 1) * ems), _bounds(low3, high3, k), f3, two_way),
    }
    mean = {
        "1,k": ((bms - wms) / bms, (1 - 1 / low1, 1 - 1 / high1), f1, one_way),
        "2,k": (
            (bms - ems) / (bms + (jms - ems) / n),
            (averaged(low2), averaged(high2)),
            f3,
            two_way,
        ),
        "3,k": ((bms - ems) / bms, (1 - 1 / low3, 1 - 1 / high3), f3, two_way),
    }
    return {
        kind: IntraclassCorrelation(
            kind,
            float(icc),
            float(low),
            float(high),
            float(F),
            df_pair[0],
            df_pair[1],
            float(special.fdtrc(*df_pair, F)),
        )
        for kind, (icc, (low, high), F, df_pair) in {**single, **mean}.items()
    }


def _bounds(low: float, high: float, k: int) -> tuple[float, float]:
    return (low - 1) / (low + k - 1), (high - 1) / (high + k - 1)


@dataclass(frozen=True)
class Agreement:
    """Bias and limits of agreement of two methods, in the methods' unit."""

    n: int
    bias: float
    sd: float
    lower_limit: float
    upper_limit: float
    se_bias: float
    se_limit: float
    bias_low: float
    bias_high: float
    lower_limit_low: float
    lower_limit_high: float
    upper_limit_low: float
    upper_limit_high: float


def bland_altman(
    first: Sequence[float], second: Sequence[float], *, level: float = 0.95, sds: float = 1.96
) -> Agreement:
    """Agreement of two methods, first minus second, one pair per participant.

    Limits are bias -+ `sds` SD of the differences; the standard error of a limit is sqrt(3 / n) SD
    (Bland and Altman 1986, Lancet i:307). Raises ValueError when lengths differ or n < 3.
    """
    a, b = _differences(first, at_least=3), _differences(second, at_least=3)
    if len(a) != len(b):
        raise ValueError("both methods need one value per participant")
    d = a - b
    n, bias, sd = len(d), float(d.mean()), float(d.std(ddof=1))
    quantile = special.stdtrit(n - 1, 0.5 + level / 2)
    se_bias, se_limit = sd / np.sqrt(n), sd * np.sqrt(3 / n)
    low, high = bias - sds * sd, bias + sds * sd
    return Agreement(
        n,
        bias,
        sd,
        low,
        high,
        float(se_bias),
        float(se_limit),
        float(bias - quantile * se_bias),
        float(bias + quantile * se_bias),
        float(low - quantile * se_limit),
        float(low + quantile * se_limit),
        float(high - quantile * se_limit),
        float(high + quantile * se_limit),
    )
