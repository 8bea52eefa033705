"""Differences within participants: tests, effect sizes, power, agreement.

Each function takes one number per participant (or a participants x raters table) and gives back
plain numbers in a small record.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

# Up to this many differences all sign patterns are counted; 2^15 sums per half fit in memory.
LARGEST_EXACT = 30
# Sums that differ by less than this share of the total size are ties made unequal by rounding.
TIE_TOLERANCE = 1e-10


def _differences(values: Sequence[float], *, at_least: int) -> np.ndarray:
    differences = np.asarray(values, dtype=float)
    if differences.ndim != 1 or not np.isfinite(differences).all():
        raise ValueError("differences must be a list of finite numbers; leave missing pairs out")
    if len(differences) < at_least:
        raise ValueError(f"{len(differences)} difference(s); at least {at_least} are needed")
    return differences


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    from scipy.optimize import brentq  # 0.1 s to load, and most callers never solve

    return float(brentq(function, low, high, xtol=1e-11))


# ---------------------------------------------------------------- tests


@dataclass(frozen=True)
class PairedResult:
    """A paired comparison; `p` and `t` are None, with a reason, when all differences are equal."""

    n: int
    mean: float
    sd: float
    se: float
    df: int
    ci_low: float
    ci_high: float
    t: float | None
    p: float | None
    reason: str


def paired_t(differences: Sequence[float], *, level: float = 0.95) -> PairedResult:
    """Mean difference with its contrast-specific error: the paired t test (Student 1908).

    `differences` holds one difference per participant, in the outcome's unit. In balanced data
    this equals a mixed model with an unstructured covariance between conditions. Raises
    ValueError for fewer than two differences.
    """
    values = _differences(differences, at_least=2)
    n = len(values)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    if np.ptp(values) == 0:
        return PairedResult(
            n, mean, 0.0, 0.0, n - 1, mean, mean, None, None, "all differences are the same"
        )
    se = sd / np.sqrt(n)
    half = special.stdtrit(n - 1, 0.5 + level / 2) * se
    t = mean / se
    p = 2 * special.stdtr(n - 1, -abs(t))
    return PairedResult(
        n, mean, sd, float(se), n - 1, mean - half, mean + half, float(t), float(p), ""
    )


@dataclass(frozen=True)
class SignFlip:
    """A sign-flip test: how many of how many arrangements are at least as extreme."""

    n: int
    p: float
    count: int
    total: int
    exact: bool
    attainable_minimum: float


def _all_signed_sums(values: np.ndarray) -> np.ndarray:
    sums = np.zeros(1)
    for value in values:
        sums = np.concatenate([sums - value, sums + value])
    return sums


def sign_flip(
    differences: Sequence[float],
    *,
    rng: np.random.Generator | None = None,
    draws: int = 100_000,
) -> SignFlip:
    """Two-sided randomisation test of the mean difference by flipping signs.

    All 2^n patterns are counted for n up to 30 (Fisher 1935, The Design of Experiments, section
    21; halves are combined as in Pagano and Tritchler 1983, J Am Stat Assoc 78:435); beyond,
    `draws` patterns from `rng`, the observed one counted in (Phipson and Smyth 2010, Stat Appl
    Genet Mol Biol 9:39). `attainable_minimum` is the smallest p that so many participants can
    give. Raises ValueError for no differences, or for more than 30 without `rng`.
    """
    values = _differences(differences, at_least=1)
    n = len(values)
    observed = abs(values.sum())
    slack = TIE_TOLERANCE * np.abs(values).sum()
    if n <= LARGEST_EXACT:
        first = np.sort(_all_signed_sums(values[: n // 2]))
        second = _all_signed_sums(values[n // 2 :])
        above = len(first) - np.searchsorted(first, observed - slack - second, side="left")
        below = np.searchsorted(first, -observed + slack - second, side="right")
        total = 2**n
        # one sum can lie in both tails only when the observed mean is zero
        count = min(int(above.sum() + below.sum()), total)
        n_zero = int((np.abs(values) <= slack).sum())
        minimum = min(2.0 ** (1 + n_zero - n), 1.0)
        return SignFlip(n, count / total, count, total, True, minimum)
    if rng is None:
        raise ValueError(f"{n} differences are too many to count: give rng for random patterns")
    count = 1
    for start in range(0, draws, 10_000):
        signs = rng.choice([-1.0, 1.0], size=(min(10_000, draws - start), n))
        count += int((np.abs(signs @ values) >= observed - slack).sum())
    return SignFlip(n, count / (draws + 1), count, draws + 1, False, 1 / (draws + 1))


# ---------------------------------------------------------------- effect sizes and power


def hedges_correction(df: float) -> float:
    """Factor that removes the small-sample bias of a standardised difference, exact form.

    Source: Hedges 1981, J Educ Stat 6:107.
    """
    return float(np.exp(special.gammaln(df / 2) - special.gammaln((df - 1) / 2)) / np.sqrt(df / 2))


@dataclass(frozen=True)
class EffectSize:
    """Standardised mean differences; d_z per SD of differences, d_av per average SD."""

    d_z: float
    d_z_low: float
    d_z_high: float
    g_z: float
    g_z_low: float
    g_z_high: float
    d_av: float
    g_av: float
    correlation: float


def noncentrality_interval(t: float, df: float, *, level: float = 0.95) -> tuple[float, float]:
    """Interval for the noncentrality of a t statistic (Steiger and Fouladi 1997)."""

    def solve(probability: float) -> float:
        def gap(noncentrality: float) -> float:
            return float(special.nctdtr(df, noncentrality, t)) - probability

        width = 1.0 + 3.0 * (1 + abs(t) / np.sqrt(2 * df))
        low, high = t - width, t + width
        while gap(low) < 0:
            low -= width
        while gap(high) > 0:
            high += width
        return _root(gap, low, high)

    return solve(0.5 + level / 2), solve(0.5 - level / 2)


def effect_sizes(
    condition: Sequence[float], reference: Sequence[float], *, level: float = 0.95
) -> EffectSize:
    """Standardised differences, condition minus reference, one value per participant in each.

    d_z = mean difference / SD of the differences, interval from the noncentral t; d_av = mean
    difference / square root of the mean of the two variances (Cumming 2012, Understanding the New
    Statistics, ch. 11). g are the same times Hedges' exact correction for n - 1 df. Raises
    ValueError when lengths differ, n < 3 or a spread is zero.
    """
    first = _differences(condition, at_least=3)
    second = _differences(reference, at_least=3)
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
        low, high = noncentrality_interval(d_z * np.sqrt(n), n - 1, level=level)
        low, high = low / np.sqrt(n), high / np.sqrt(n)
    except ValueError as error:
        raise ValueError(
            "no interval can be computed for a difference so large against its spread"
        ) from error
    J = hedges_correction(n - 1)
    d_av = differences.mean() / average_sd
    return EffectSize(
        d_z=float(d_z),
        d_z_low=low,
        d_z_high=high,
        g_z=float(J * d_z),
        g_z_low=J * low,
        g_z_high=J * high,
        d_av=float(d_av),
        g_av=float(J * d_av),
        correlation=float(np.corrcoef(first, second)[0, 1]),
    )


def paired_power(d_z: float, n: float, *, alpha: float = 0.05) -> float:
    """Power of the two-sided paired t test for n participants (noncentral t; Cohen 1988)."""
    if n <= 1 or not 0 < alpha < 1:
        raise ValueError("power needs n above 1 and alpha between 0 and 1")
    noncentrality = abs(d_z) * np.sqrt(n)
    critical = special.stdtrit(n - 1, 1 - alpha / 2)
    lower = special.nctdtr(n - 1, noncentrality, -critical)
    return float(1 - special.nctdtr(n - 1, noncentrality, critical) + lower)


def paired_sample_size(d_z: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Participants needed for a power, as a real number: round up (noncentral t; Cohen 1988)."""
    if d_z == 0 or not alpha < power < 1:
        raise ValueError("a sample size needs d_z other than 0 and alpha < power < 1")
    if paired_power(d_z, 2.0, alpha=alpha) >= power:
        return 2.0
    upper = 4.0
    while paired_power(d_z, upper, alpha=alpha) < power:
        upper *= 2
    return _root(lambda n: paired_power(d_z, n, alpha=alpha) - power, 2.0, upper)


def detectable_d_z(n: int, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Smallest d_z that n participants detect with a power (noncentral t; Cohen 1988)."""
    if n < 2 or not alpha < power < 1:
        raise ValueError("a detectable difference needs n of 2 or more and alpha < power < 1")
    upper = 1.0
    while paired_power(upper, n, alpha=alpha) < power:
        upper *= 2
    return _root(lambda d: paired_power(d, n, alpha=alpha) - power, 0.0, upper)


def read_interval(
    ci_low: float, ci_high: float, *, smallest_effect: float
) -> Literal["different", "equivalent", "inconclusive"]:
    """Read a confidence interval against a smallest effect of interest (all in one unit).

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


# ---------------------------------------------------------------- reliability and agreement


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


@dataclass(frozen=True)
class RepeatedCorrelation:
    """The association within participants of two repeated measures."""

    r: float
    ci_low: float
    ci_high: float
    df: int
    F: float
    p: float
    slope: float


def repeated_measures_correlation(
    x: Sequence[float], y: Sequence[float], participant: Sequence, *, level: float = 0.95
) -> RepeatedCorrelation:
    """Correlation of x and y within participants, one row per measurement.

    Parallel lines, one intercept per participant (Bakdash and Marusich 2017, Front Psychol 8:456;
    Bland and Altman 1995, BMJ 310:446); the interval uses Fisher's z with standard error
    1 / sqrt(df - 1). Raises ValueError for missing values, lengths that differ, no variation
    within participants, or too few rows.
    """
    a, b = _differences(x, at_least=3), _differences(y, at_least=3)
    labels, codes = np.unique(np.asarray(participant), return_inverse=True)
    if not len(a) == len(b) == len(codes):
        raise ValueError("x, y and participant need the same number of rows")
    df = len(a) - len(labels) - 1
    if df < 2:
        raise ValueError(f"{len(a)} rows of {len(labels)} participants leave {df} df; 2 are needed")
    counts = np.bincount(codes)
    dx = a - (np.bincount(codes, a) / counts)[codes]
    dy = b - (np.bincount(codes, b) / counts)[codes]
    sxx, syy, sxy = dx @ dx, dy @ dy, dx @ dy
    if sxx <= 1e-24 * (a @ a) or syy <= 1e-24 * (b @ b):
        raise ValueError("x or y does not vary within participants")
    r = float(np.clip(sxy / np.sqrt(sxx * syy), -1, 1))
    F = np.inf if abs(r) == 1 else df * r**2 / (1 - r**2)
    if abs(r) == 1:
        low = high = r
    else:
        half = special.ndtri(0.5 + level / 2) / np.sqrt(df - 1)
        low, high = np.tanh(np.arctanh(r) + np.array([-half, half]))
    return RepeatedCorrelation(
        r, float(low), float(high), df, float(F), float(special.fdtrc(1, df, F)), float(sxy / sxx)
    )
