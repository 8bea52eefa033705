"""Contrasts of conditions from differences within people, with an error clustered by person.

The cells of an outcome (mean of the bouts of a person, condition and exercise) are fitted by least
squares: a level of its own for every person in every exercise, so that only differences within a
person and exercise count; condition by exercise; the visit, where its order varied; covariates.
The error of a contrast comes from the people (cluster-robust, CR2: Bell and McCaffrey 2002, Survey
Methodology 28:169-181), its degrees of freedom are Satterthwaite's for that error (Pustejovsky and
Tipton 2018, Journal of Business & Economic Statistics 36:672-683). No variance is assumed to be
equal or shared. With complete data and no visit in the model a contrast is the paired t test of
the means of each person.

Several contrasts are tested together by the sum of their squares over the sum of their variances,
with the degrees of freedom of Box 1954 (Ann Math Stat 25:484-498) corrected for few people as by
Huynh and Feldt 1976 (J Educ Stat 1:69-82). With complete data and no visit this is the F test of a
repeated-measures analysis of variance with their epsilon. A Hotelling test needs many more people
than contrasts: with eight people and four exercises it has a quarter of the power.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
import scipy

# a direction of the design is empty, and a weight is rounding, below this
EMPTY = 1e-9

# an error below this part of the values' own size is rounding
ROUNDING = 1e-12


@dataclass(frozen=True)
class Contrast:
    """One contrast on the scale of the analysis: estimate, its standard error, and the test.

    `n_pairs` counts the people who hold both sides of it in one exercise at least.
    """

    estimate: float
    se: float
    df: float
    n_pairs: int

    @property
    def t(self) -> float:
        return self.estimate / self.se

    @property
    def p(self) -> float:
        """Two-sided."""
        return float(2 * scipy.special.stdtr(self.df, -abs(self.t)))

    def interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Lower and upper limit, from the t distribution with `df` degrees of freedom."""
        half = self.se * scipy.special.stdtrit(self.df, (1 + confidence) / 2)
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True)
class JointTest:
    """Test that several contrasts are all zero.

    `epsilon`, from 1 over their number to 1, says how far their errors are from equal and
    unrelated; both degrees of freedom are multiplied by it.
    """

    F: float
    df_num: float
    df: float
    epsilon: float

    @property
    def p(self) -> float:
        return float(scipy.special.fdtrc(self.df_num, self.df, self.F))


@dataclass(frozen=True, eq=False)
class _LeastSquares:
    """Least squares within groups of cells, with what CR2 needs of each person.

    `columns` (cells, coefficients) are the design; `person` and `group` number the cells' person
    and the person and exercise whose mean is taken out.
    """

    columns: np.ndarray
    person: np.ndarray
    group: np.ndarray

    @cached_property
    def design(self) -> np.ndarray:
        sums = np.zeros((self.group.max() + 1, self.columns.shape[1]))
        np.add.at(sums, self.group, self.columns)
        return self.columns - (sums / np.bincount(self.group)[:, None])[self.group]

    @cached_property
    def bread(self) -> np.ndarray:
        return np.linalg.pinv(self.design.T @ self.design, rcond=EMPTY, hermitian=True)

    @cached_property
    def rank(self) -> int:
        return int(np.linalg.matrix_rank(self.design))

    @cached_property
    def starts(self) -> np.ndarray:
        """First cell of each person; cells stand person by person."""
        return np.unique(self.person, return_index=True)[1]

    @cached_property
    def people(self) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
        """Cells of each person, the root that CR2 multiplies by, and what the fit takes whole."""
        people = []
        for person in np.unique(self.person):
            cells = np.flatnonzero(self.person == person)
            same = self.group[cells][:, None] == self.group[cells]
            centring = np.eye(len(cells)) - same / same.sum(axis=0)
            part = self.design[cells]
            eigenvalues, eigenvectors = np.linalg.eigh(centring - part @ self.bread @ part.T)
            kept = eigenvalues > EMPTY
            root = (eigenvectors[:, kept] / np.sqrt(eigenvalues[kept])) @ eigenvectors[:, kept].T
            people.append((cells, root, centring - eigenvectors[:, kept] @ eigenvectors[:, kept].T))
        return people

    def weights(self, wanted: np.ndarray) -> np.ndarray:
        """What each cell adds to the estimate of a contrast of the first coefficients."""
        target = np.zeros(len(self.bread))
        target[: len(wanted)] = wanted
        return self.design @ (self.bread @ target)

    def determines(self, wanted: np.ndarray) -> bool:
        """Whether the cells determine a contrast, and every share of it leaves a residual."""
        target = np.zeros(len(self.bread))
        target[: len(wanted)] = wanted
        weights = self.weights(wanted)
        if np.abs(self.design.T @ weights - target).max() > 1e-6:
            return False
        whole = max(np.linalg.norm(taken @ weights[cells]) for cells, _, taken in self.people)
        return whole < 1e-6 * np.linalg.norm(weights)

    def shares(self, wanted: np.ndarray) -> np.ndarray:
        """By what each cell's residual enters its person's part of the error; (cells,)."""
        weights = self.weights(wanted)
        return np.concatenate([root @ weights[cells] for cells, root, _ in self.people])

    def degrees_of_freedom(self, shares: np.ndarray) -> float:
        """Satterthwaite's, from the covariance of the people's parts under equal variances.

        `shares` (contrasts, cells): those of the sum of the variances of several contrasts.
        """
        of_cells = shares.T
        products = np.add.reduceat(of_cells[:, :, None] * of_cells[:, None], self.starts)
        through = np.add.reduceat(of_cells[:, :, None] * self.design[:, None], self.starts)
        flat = through.reshape(-1, through.shape[2])
        explained = self.bread @ (flat.T @ flat)
        trace = np.trace(products, axis1=1, axis2=2).sum() - np.trace(explained)
        crossed = np.einsum("nij,nja,ab,nib->", products, through, self.bread, through)
        squares = np.sum(products**2) - 2 * crossed + np.trace(explained @ explained)
        return float(trace**2 / squares)


@dataclass(frozen=True, eq=False)
class Estimator:
    """A contrast as sums over cells: the same for every outcome with values in the same cells.

    `weights` (cells,) gives the estimate. Each person's part of the error is the sum of `shares`
    (cells,) times residuals over the cells of the person; cells stand person by person.
    """

    weights: np.ndarray
    shares: np.ndarray
    fit: _LeastSquares
    df: float
    n_pairs: int

    def of(self, y: np.ndarray) -> Contrast | None:
        """The contrast of `y` (cells,); None where they leave nothing to estimate an error."""
        se = float(self.error(y))
        if se <= ROUNDING * np.abs(y).max():
            return None
        return Contrast(float(y @ self.weights), se, self.df, self.n_pairs)

    def error(self, y: np.ndarray) -> np.ndarray:
        """Standard error of the estimate from `y` (..., cells)."""
        fitted = (y @ self.fit.design) @ self.fit.bread @ self.fit.design.T
        parts = np.add.reduceat((y - fitted) * self.shares, self.fit.starts, axis=-1)
        return np.linalg.norm(parts, axis=-1)


@dataclass(frozen=True, eq=False)
class JointEstimator:
    """Several contrasts tested together, for every outcome with values in the same cells.

    `weights` and `shares` (contrasts, cells) as of a single Estimator; `df` is that of the sum of
    the variances.
    """

    weights: np.ndarray
    shares: np.ndarray
    fit: _LeastSquares
    df: float

    def of(self, y: np.ndarray) -> JointTest | None:
        """The test on `y` (cells,); None where they leave nothing to estimate an error."""
        fitted = (y @ self.fit.design) @ self.fit.bread @ self.fit.design.T
        parts = np.add.reduceat((y - fitted) * self.shares, self.fit.starts, axis=-1)
        covariance = parts @ parts.T
        total, n = np.trace(covariance), len(self.shares)
        if total <= (ROUNDING * np.abs(y).max()) ** 2:
            return None
        epsilon = total**2 / np.sum(covariance**2) / n
        freely = self.df / n
        if n > 1 and freely > n * epsilon:
            corrected = ((freely + 1) * n * epsilon - 2) / (n * (freely - n * epsilon))
            epsilon = float(np.clip(corrected, epsilon, 1.0))
        else:
            epsilon = 1.0
        estimates = self.weights @ y
        F = float(estimates @ estimates / total)
        return JointTest(F, epsilon * n, epsilon * self.df, epsilon)


@dataclass(frozen=True, eq=False)
class Steps:
    """What tells the levels of a factor apart: each from the first, and all together.

    None where the cells do not determine it.
    """

    single: list[Estimator | None]
    together: JointEstimator | None


@dataclass(frozen=True, eq=False)
class WithinPerson:
    """The layout of an outcome: which cells are filled, at which visit, with which covariates.

    `filled` and `visits` have the shape (people, conditions, exercises), `covariates` each that
    shape too.
    """

    filled: np.ndarray
    visits: np.ndarray
    covariates: tuple[np.ndarray, ...] = ()

    @cached_property
    def cells(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Person, condition and exercise of the cells that stand beside another of their person."""
        known = self.filled & ~np.any([np.isnan(c) for c in self.covariates], axis=0)
        return np.nonzero(known & (known.sum(axis=1, keepdims=True) > 1))

    @cached_property
    def visit_in_model(self) -> bool:
        """Whether the visit is known, can be told from the condition, and costs no error.

        Few sessions in unlucky orders leave a difference that only one person's visits determine;
        its error would then be too small, and the visit stays out.
        """
        visit = self.visits[self.cells]
        if not len(visit) or np.isnan(visit).any():
            return False
        without, with_visit = self._fits[False], self._fits[True]
        if with_visit.rank == without.rank:
            return False
        pairs = [difference_weights(self.filled.shape[1:], *pair).ravel() for pair in self._pairs]
        return all(with_visit.determines(pair) or not without.determines(pair) for pair in pairs)

    def estimator(self, wanted: np.ndarray) -> Estimator | None:
        """A weighted sum of conditions by exercises; None where its error cannot be estimated.

        `wanted` has the shape (conditions, exercises) and sums to zero in every exercise.
        """
        return self._estimator(wanted.ravel(), self.pairs(wanted))

    def _estimator(self, flat: np.ndarray, n_pairs: int) -> Estimator | None:
        if not len(self.cells[0]):
            return None
        fit = self._fits[self.visit_in_model]
        if not fit.determines(flat):
            return None
        shares = fit.shares(flat)
        return Estimator(
            weights=fit.weights(flat),
            shares=shares,
            fit=fit,
            df=fit.degrees_of_freedom(shares[None]),
            n_pairs=n_pairs,
        )

    def joint(self, wanted: np.ndarray) -> JointEstimator | None:
        """Several contrasts together; None where the error of one cannot be estimated.

        `wanted` has the shape (contrasts, conditions, exercises); its contrasts are of length 1 and
        at right angles, and each sums to zero in every exercise.
        """
        return self._joint(wanted.reshape(len(wanted), -1))

    def of_visits(self) -> Steps:
        """The step from the first visit to each other one, where the visit is in the model."""
        n = len(np.unique(self.visits[self.cells]))
        return self._steps(self._n_cells, np.eye(n)[:, 1:])

    def of_covariates(self, first: int = 0) -> Steps:
        """The step from covariate `first` to each one behind it."""
        n_visits = len(np.unique(self.visits[self.cells])) if self.visit_in_model else 1
        before = self._n_cells + n_visits - 1 + first
        return self._steps(before, np.eye(len(self.covariates) - first))

    @property
    def _n_cells(self) -> int:
        return int(np.prod(self.filled.shape[1:]))

    def _steps(self, before: int, levels: np.ndarray) -> Steps:
        """Steps between levels (levels, their coefficients), which stand behind other columns."""
        levels = np.hstack([np.zeros((len(levels), before)), levels])
        single = [self._estimator(level - levels[0], len(self.filled)) for level in levels[1:]]
        return Steps(single, self._joint(orthonormal(len(levels)) @ levels))

    def _joint(self, flat: np.ndarray) -> JointEstimator | None:
        if not len(self.cells[0]):
            return None
        fit = self._fits[self.visit_in_model]
        if not all(fit.determines(single) for single in flat):
            return None
        shares = np.array([fit.shares(single) for single in flat])
        weights = np.array([fit.weights(single) for single in flat])
        return JointEstimator(weights, shares, fit, fit.degrees_of_freedom(shares))

    @property
    def _pairs(self) -> list[tuple[int, int]]:
        return [(b, a) for a, b in combinations(range(self.filled.shape[1]), 2)]

    @cached_property
    def _fits(self) -> dict[bool, _LeastSquares]:
        """The fit without and with the visit."""
        person, condition, exercise = self.cells
        group = np.unique(person * self.filled.shape[2] + exercise, return_inverse=True)[1]
        of_condition = np.ravel_multi_index((condition, exercise), self.filled.shape[1:])
        cell_means = of_condition[:, None] == np.arange(np.prod(self.filled.shape[1:]))
        visit = self.visits[self.cells]
        visits = visit[:, None] == np.unique(visit)[1:]
        covariates = [covariate[self.cells][:, None] for covariate in self.covariates]
        return {
            False: _LeastSquares(np.hstack([cell_means, *covariates]).astype(float), person, group),
            True: _LeastSquares(
                np.hstack([cell_means, visits, *covariates]).astype(float), person, group
            ),
        }

    def pairs(self, wanted: np.ndarray) -> int:
        """People who hold cells on both sides of a contrast within one exercise."""
        known = np.zeros(self.filled.shape, dtype=bool)
        known[self.cells] = True
        both = (known & (wanted > 0)).any(axis=1) & (known & (wanted < 0)).any(axis=1)
        return int(both.any(axis=1).sum())


def orthonormal(n: int) -> np.ndarray:
    """Contrasts of n levels of length 1 and at right angles, (n - 1, n)."""
    levels = np.column_stack([np.ones(n), np.eye(n)[:, : n - 1]])
    return np.linalg.qr(levels)[0][:, 1:].T


def between_conditions(shape: tuple[int, int], exercises: Sequence[int]) -> np.ndarray:
    """Contrasts that are zero where all conditions are equal in the mean of the exercises named."""
    wanted = np.zeros((shape[0] - 1, *shape))
    wanted[:, :, exercises] = orthonormal(shape[0])[:, :, None] / np.sqrt(len(exercises))
    return wanted


def condition_by_exercise(shape: tuple[int, int], exercises: Sequence[int]) -> np.ndarray:
    """Contrasts that are zero where conditions differ alike in all exercises named."""
    of_both = np.einsum("ac,be->abce", orthonormal(shape[0]), orthonormal(len(exercises)))
    wanted = np.zeros((of_both.shape[0] * of_both.shape[1], *shape))
    wanted[:, :, exercises] = of_both.reshape(len(wanted), shape[0], len(exercises))
    return wanted


def difference_weights(
    shape: tuple[int, int], condition: int, reference: int, exercise: int | None = None
) -> np.ndarray:
    """Condition minus reference in one exercise, or as the mean over all with equal weights."""
    weights = np.zeros(shape)
    exercises = slice(None) if exercise is None else exercise
    share = 1 / shape[1] if exercise is None else 1.0
    weights[condition, exercises] = share
    weights[reference, exercises] = -share
    return weights
