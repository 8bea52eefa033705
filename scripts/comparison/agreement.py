"""Agreement and association of repeated measurements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from comparison.paired import _differences


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
