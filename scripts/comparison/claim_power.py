"""Power of a planned claim, by simulated studies that the analysis of claims decides.

A simulated study has one mean for each person and condition; conditions were done at visits in
balanced orders, people may leave. Its claim is decided as in the workflow: differences within
people, the visit where its order varied, CR2 errors, every part of the claim at the full level.
Where the spread of differences is only known from some people, that uncertainty can be drawn as
well: the power is then an assurance (O'Hagan, Stevens and Campbell 2005, Pharm Stat 4:187-201).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import scipy

from comparison.within_person import WithinPerson, difference_weights

DRAWS = 2_000

# layouts of people who left; each serves a share of the draws
LAYOUTS = 25

# with more conditions not every order is used, but every shift of one
MOST_IN_ALL_ORDERS = 4


@dataclass(frozen=True)
class Variation:
    """How differences between conditions vary between people, on the scale of the analysis.

    sd : standard deviations of the differences, (conditions, conditions), zero on the diagonal
    df : degrees of freedom on which they rest; None takes them as known
    """

    sd: np.ndarray
    df: float | None = None

    @classmethod
    def equal(cls, sd: float, conditions: int, df: float | None = None) -> Variation:
        """The same standard deviation for every difference."""
        return cls(sd * (1 - np.eye(conditions)), df)

    @property
    def covariance(self) -> np.ndarray:
        """Covariance of the conditions about the person's mean, nearest to the given spreads.

        Differences fix it up to what all conditions of a person share (Gower 1966, Biometrika
        53:325).
        """
        n = len(self.sd)
        centring = np.eye(n) - 1 / n
        eigenvalues, eigenvectors = np.linalg.eigh(-0.5 * centring @ self.sd**2 @ centring)
        return (eigenvectors * np.maximum(eigenvalues, 0.0)) @ eigenvectors.T


@dataclass(frozen=True)
class Design:
    """How a study is done: orders as tuples of conditions, the share of people who leave.

    Without `orders` the visit is not in the model. Who leaves does so after a visit drawn at
    random and does not come back.
    """

    conditions: int
    orders: tuple[tuple[int, ...], ...] = ()
    drop_out: float = 0.0

    def layouts(self, people: int, rng: np.random.Generator) -> list[WithinPerson]:
        """Which conditions people did at which visit; several where some of them leave."""
        n = self.conditions
        orders = self.orders or (tuple(range(n)),)
        of_person = np.array([orders[p % len(orders)] for p in range(people)])
        visits = np.argsort(of_person, axis=1)
        drawn = []
        for _ in range(LAYOUTS if self.drop_out else 1):
            leaves = rng.random(people) < self.drop_out
            stays_for = np.where(leaves, rng.integers(1, n, people) if n > 1 else 1, n)
            filled = visits < stays_for[:, None]
            drawn.append(WithinPerson(filled[..., None], visits[..., None].astype(float)))
        return drawn


def all_orders(conditions: int) -> tuple[tuple[int, ...], ...]:
    """Every order of the conditions; of many conditions the shifts of one order."""
    if conditions <= MOST_IN_ALL_ORDERS:
        return tuple(permutations(range(conditions)))
    return tuple(
        tuple((first + n) % conditions for n in range(conditions)) for first in range(conditions)
    )


def needed_effects(
    people: int,
    design: Design,
    variation: Variation,
    *,
    condition: int,
    alphas: Sequence[float],
    every_difference: bool = False,
    fewest_pairs: int = 2,
    assured: bool = False,
    draws: int = DRAWS,
    seed: int = 1,
) -> np.ndarray:
    """The smallest true difference with which each study shows its claim, (alphas, draws).

    `condition` lies that far from all others, on one side. The claim that it differs from all
    others needs each of these differences at the level; with `every_difference` it is shown as soon
    as one is, at the level over all differences (the first of Shaffer's steps). Where too few
    people are left it is infinite. `assured` draws the covariance itself as its degrees of freedom
    allow.
    """
    rng = np.random.default_rng(seed)
    layouts = design.layouts(people, rng)
    shares = np.array_split(np.arange(draws), len(layouts))
    noise = rng.standard_normal((draws, people, design.conditions - 1))
    roots = covariance_roots(variation, draws if assured else 1, rng)
    noise = noise @ roots.transpose(0, 2, 1)
    compared_conditions = [
        compared for compared in range(design.conditions) if compared != condition
    ]
    n_differences = design.conditions * (design.conditions - 1) // 2
    levels = np.array(alphas) / (n_differences if every_difference else 1)
    needed = np.empty((len(levels), draws))
    for layout, share in zip(layouts, shares, strict=True):
        parts = [
            _needed_difference(layout, noise[share], condition, compared, levels, fewest_pairs)
            for compared in compared_conditions
        ]
        whole = np.min(parts, axis=0) if every_difference else np.max(parts, axis=0)
        needed[:, share] = whole
    return needed


def _needed_difference(layout, noise, condition, compared, levels, fewest_pairs) -> np.ndarray:
    """Of each study the true difference from which one comparison is shown, (levels, draws)."""
    shape = layout.filled.shape[1:]
    estimator = layout.estimator(difference_weights(shape, condition, compared))
    if estimator is None or estimator.n_pairs < fewest_pairs:
        return np.full((len(levels), len(noise)), np.inf)
    cells = noise[:, layout.cells[0], layout.cells[1]]
    critical = scipy.special.stdtrit(estimator.df, 1 - levels / 2)
    return critical[:, None] * estimator.error(cells) - cells @ estimator.weights


def covariance_roots(variation: Variation, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Roots of the covariance of the conditions, (draws, conditions, conditions - 1).

    Of several draws each has its own covariance, inverse Wishart about the given one with its
    degrees of freedom (Bartlett 1933 for the draw).
    """
    covariance = variation.covariance
    n = len(covariance)
    basis = np.linalg.qr(np.hstack([np.ones((n, 1)), np.eye(n)[:, : n - 1]]))[0][:, 1:]
    of_differences = basis.T @ covariance @ basis
    size = np.trace(of_differences) / (n - 1)
    root = np.linalg.cholesky(of_differences + 1e-12 * (size or 1.0) * np.eye(n - 1))
    if draws == 1 or variation.df is None:
        return (basis @ root)[None]
    df = max(variation.df, n - 1.0)
    triangle = np.tril(rng.standard_normal((draws, n - 1, n - 1)), -1)
    for k in range(n - 1):
        triangle[:, k, k] = np.sqrt(rng.chisquare(df - k, draws))
    # a root of the inverse of a Wishart matrix with mean df times the inverse covariance
    inverse = np.linalg.inv(triangle).transpose(0, 2, 1)
    return np.sqrt(df) * (basis @ root @ inverse)


def power_for(needed: np.ndarray, effect: float) -> float:
    """Share of the simulated studies that show the claim with a true difference."""
    return float(np.mean(needed <= abs(effect)))


def detectable(needed: np.ndarray, power: float) -> float:
    """The true difference with which a share of the simulated studies shows the claim."""
    return float(np.quantile(needed, power, method="higher"))


def people_by_order(people: int, orders: Sequence) -> str:
    """How many people do each order: `2 in each of 6 orders`, `1 or 2 in each of 6 orders`."""
    if not orders:
        return "one order"
    fewest, more = divmod(people, len(orders))
    each = f"{fewest} or {fewest + 1}" if more else f"{fewest}"
    return f"{each} in each of {len(orders)} orders"
