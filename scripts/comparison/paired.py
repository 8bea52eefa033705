"""Tests of paired differences: t and exact sign-flip."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

# Up to this many differences all sign patterns are counted; 2^15 sums per half fit in memory.
LARGEST_EXACT = 30

# Beyond, patterns are drawn: with 20,000 the Monte Carlo error of a p of .05 is .0015.
DRAWS_AT_ONCE = 5_000

# Sums that differ by less than this share of the total size are ties made unequal by rounding.
TIE_TOLERANCE = 1e-10


def finite(observations: Sequence[float], *, at_least: int, name: str) -> np.ndarray:
    """Observations as numbers, (n,). Raises ValueError for missing or fewer than `at_least`."""
    numbers = np.asarray(observations, dtype=float)
    if numbers.ndim != 1 or not np.isfinite(numbers).all():
        raise ValueError(f"{name} must be a list of finite numbers; leave missing ones out")
    if len(numbers) < at_least:
        raise ValueError(f"{name} holds {len(numbers)} value(s); at least {at_least} are needed")
    return numbers


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


def paired_t(differences: Sequence[float]) -> PairedResult:
    """Mean difference with its own error and 95 % interval: the paired t test (Student 1908).

    `differences` holds one difference per participant, in the outcome's unit. In balanced data
    this equals a mixed model with an unstructured covariance between conditions. Raises
    ValueError for fewer than two differences.
    """
    differences = finite(differences, at_least=2, name="differences")
    n = len(differences)
    mean, sd = float(differences.mean()), float(differences.std(ddof=1))
    if np.ptp(differences) == 0:
        return PairedResult(
            n, mean, 0.0, 0.0, n - 1, mean, mean, None, None, "all differences are the same"
        )
    se = sd / np.sqrt(n)
    half = scipy.special.stdtrit(n - 1, 0.975) * se
    t = mean / se
    p = 2 * scipy.special.stdtr(n - 1, -abs(t))
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


def _all_signed_sums(differences: np.ndarray) -> np.ndarray:
    sums = np.zeros(1)
    for difference in differences:
        sums = np.concatenate([sums - difference, sums + difference])
    return sums


def sign_flip(
    differences: Sequence[float],
    *,
    rng: np.random.Generator | None = None,
    draws: int = 20_000,
) -> SignFlip:
    """Two-sided randomisation test of the mean difference by flipping signs.

    All 2^n patterns are counted for n up to 30 (Fisher 1935, The Design of Experiments, section
    21; halves are combined as in Pagano and Tritchler 1983, J Am Stat Assoc 78:435); beyond,
    `draws` patterns from `rng`, the observed one counted in (Phipson and Smyth 2010, Stat Appl
    Genet Mol Biol 9:39). `attainable_minimum` is the smallest p that so many participants can
    give. Raises ValueError for no differences, or for more than 30 without `rng`.
    """
    differences = finite(differences, at_least=1, name="differences")
    n = len(differences)
    observed = abs(differences.sum())
    slack = TIE_TOLERANCE * np.abs(differences).sum()
    if n <= LARGEST_EXACT:
        first = np.sort(_all_signed_sums(differences[: n // 2]))
        second = _all_signed_sums(differences[n // 2 :])
        above = len(first) - np.searchsorted(first, observed - slack - second, side="left")
        below = np.searchsorted(first, -observed + slack - second, side="right")
        total = 2**n
        # one sum can lie in both tails only when the observed mean is zero
        count = min(int(above.sum() + below.sum()), total)
        n_zero = int((np.abs(differences) <= slack).sum())
        minimum = min(2.0 ** (1 + n_zero - n), 1.0)
        return SignFlip(n, count / total, count, total, True, minimum)
    if rng is None:
        raise ValueError(f"{n} differences are too many to count: give rng for random patterns")
    count, total = 1, differences.sum()
    for start in range(0, draws, DRAWS_AT_ONCE):
        n_draws = min(DRAWS_AT_ONCE, draws - start)
        bits = np.frombuffer(rng.bytes(n_draws * -(-n // 8)), dtype=np.uint8)
        flipped = np.unpackbits(bits.reshape(n_draws, -1), axis=1, count=n)
        sums = np.abs(total - 2 * (flipped @ differences))
        count += int((sums >= observed - slack).sum())
    return SignFlip(n, count / (draws + 1), count, draws + 1, False, 1 / (draws + 1))
