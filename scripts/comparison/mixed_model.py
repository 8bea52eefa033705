"""A linear mixed model with crossed random intercepts by restricted likelihood, and its tests.

y = X beta + the random intercepts of `comparison.design` + e. The residual variance and the fixed
coefficients are profiled out, which leaves relative standard deviations theta (Bates, Maechler,
Bolker and Walker 2015, J Stat Softw 67(1)). Participants with the same filled cells share one
covariance matrix, so that sums over participants are formed once and an evaluation costs as much
for a thousand people as for ten. Tests use Kenward and Roger 1997 (Biometrics 53:983) or
Satterthwaite 1946 (Biometrics Bull 2:110).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
import scipy

from comparison.design import Design, ModelError, refuse_unidentified

Method = Literal["kenward-roger", "satterthwaite"]

# Relative standard deviations of all random terms from which the search sets out (convention),
# and those that are tried when the first two disagree.
STARTS = (1.0, 0.3)
FURTHER_STARTS = (4.0, 0.05)

# A relative standard deviation below this counts as zero: the convention of lme4's isSingular.
SINGULAR_TOLERANCE = 1e-4

# Two optima closer than this in log likelihood count as the same.
AGREEMENT_TOLERANCE = 1e-6

MOST_STEPS = 200

# Changes of the deviance below this may be rounding.
ROUNDING = 1e-9

# relative standard deviation at which a search that has not ended is on its way to infinity
RUNAWAY = 1e4

# an interval that spans more than e^20 to either side says nothing
WIDEST_LOG_INTERVAL = 20.0

# a standard deviation this many times that of the residual is none that the values limit
WIDEST_RELATIVE_SD = 100.0

# of the root of the deviance, at the end of an interval
PROFILE_TOLERANCE = 1e-6

NO_RESIDUAL = (
    "the residual variance goes to zero beside a random term: the rows hold no repetition that "
    "could measure it"
)

NOT_ESTIMABLE = (
    "not estimable: it depends on a cell without observations or cannot be told from another term"
)


@dataclass(frozen=True, eq=False)
class Moments:
    """A design and an outcome, reduced to sums over participants of one pattern of filled cells.

    The outcome is its residual from least squares in units of `scale`, a power of two near its
    spread, which keeps digits where it is far from zero; `start` are the least squares
    coefficients. `grid` holds the orthonormal columns and the outcome by participant and cell,
    `products` their cross products by pattern and pair of cells.
    """

    design: Design
    y: np.ndarray
    scale: float
    start: np.ndarray
    grid: np.ndarray
    products: np.ndarray
    counts: np.ndarray
    n_rows: int

    @classmethod
    def of(cls, design: Design, y: np.ndarray) -> Moments:
        """From one finite value per row of the design."""
        n_rows, p = design.n_rows, design.n_coefficients
        start = design.orthonormal.T @ y
        rest = y - design.orthonormal @ start
        spread = float(np.sqrt(rest @ rest / (n_rows - p)))
        if np.ptp(y) == 0:
            raise ModelError(
                f"the outcome has the same value ({y[0]:g}) in all {n_rows} rows: there is no "
                "variation to model"
            )
        if spread <= 1e-12 * np.sqrt(y @ y / n_rows):
            raise ModelError(
                "the fixed effects reproduce the outcome exactly: no variation is left to model"
            )
        scale = float(2.0 ** np.round(np.log2(spread)))
        grid = design.on_grid(np.column_stack([design.orthonormal, rest / scale]))
        counts = np.bincount(design.pattern).astype(float)
        flat = grid.reshape(len(grid), -1)
        size = (design.n_cells, p + 1)
        products = np.stack([part.T @ part for part in _split(flat, design.pattern)])
        products = products.reshape(-1, *size, *size).transpose(0, 1, 3, 2, 4)
        return cls(
            design=design,
            y=y,
            scale=scale,
            start=start,
            grid=grid,
            products=np.ascontiguousarray(products).reshape(-1, (p + 1) ** 2),
            counts=counts,
            n_rows=n_rows,
        )

    @property
    def error_df(self) -> int:
        """What the residual sum of squares is divided by."""
        return self.n_rows - self.design.n_coefficients

    def sums(self, matrices: np.ndarray) -> np.ndarray:
        """Sum over participants of F'MF, F the columns and outcome of one, M by their pattern.

        `matrices` has the shape (..., patterns, cells, cells), the sums (..., columns, columns).
        """
        leading, width = matrices.shape[:-3], self.design.n_coefficients + 1
        flat = matrices.reshape(*leading, -1)
        return (flat @ self.products).reshape(*leading, width, width)

    def solve(self, theta: np.ndarray) -> Solution:
        """Estimate all else at theta; the deviance is -2 log likelihood but for constants."""
        design, p = self.design, self.design.n_coefficients
        both = design.patterns[:, :, None] & design.patterns[:, None, :]
        shared = np.tensordot(theta**2, design.structures[:-1], 1)
        covariance = np.eye(design.n_cells) + both * shared
        diagonal = np.arange(design.n_cells)
        roots = np.linalg.cholesky(covariance)[:, diagonal, diagonal]
        inverse = np.linalg.inv(covariance) * both
        sums = self.sums(inverse)
        root = np.linalg.cholesky(sums[:p, :p])
        whitener = np.linalg.inv(root).T
        half = whitener.T @ sums[:p, p]
        residual_sum = float(sums[p, p] - half @ half)
        if residual_sum <= 0:
            raise ModelError(NO_RESIDUAL)
        deviance = self.counts @ (2 * np.log(roots).sum(axis=1))
        deviance += self.error_df * np.log(residual_sum) + 2 * np.log(np.diag(root)).sum()
        return Solution(theta, float(deviance), residual_sum, whitener @ half, whitener, inverse)

    def parts(self, at: Solution, structures: np.ndarray) -> Parts:
        """First and second order sums of the covariance structures G_i at a solution.

        Traces and quadratic forms of W G_i and W G_i W G_j with W the inverse covariance (Searle,
        Casella and McCulloch 1992, Variance Components, ch. 6).
        """
        r, p = len(structures), self.design.n_coefficients
        first = at.inverse @ structures[:, None]
        single = first @ at.inverse
        i, j = np.triu_indices(r)
        double = first[i] @ single[j]
        of_one, of_two = self.sums(single), self.sums(double)
        traces = np.einsum("ipaa,p->i", first, self.counts)
        products = np.empty((r, r))
        products[i, j] = np.einsum("kpab,kpba,p->k", first[i], first[j], self.counts)
        products[j, i] = products[i, j]
        rest = np.append(-at.beta, 1.0)
        double_quadratic = np.empty((r, r))
        double_quadratic[i, j] = rest @ of_two @ rest
        double_quadratic[j, i] = double_quadratic[i, j]
        whitener = at.whitener
        Q = np.empty((r, r, p, p))
        Q[i, j] = whitener.T @ of_two[:, :p, :p] @ whitener
        Q[j, i] = Q[i, j].transpose(0, 2, 1)
        return Parts(
            P=whitener.T @ of_one[:, :p, :p] @ whitener,
            Q=Q,
            traces=traces,
            products=products,
            quadratic=rest @ of_one @ rest,
            double_quadratic=double_quadratic,
            slopes=(of_one[:, :p] @ rest) @ whitener,
        )

    def differentiate(self, at: Solution) -> Profile:
        """First and second derivatives of the deviance in theta; ratios are its squares."""
        parts = self.parts(at, self.design.structures[:-1])
        r = len(parts.P)
        flat = parts.P.reshape(r, -1)
        first = parts.traces - np.trace(parts.P, axis1=1, axis2=2)
        second = parts.products - 2 * np.trace(parts.Q, axis1=2, axis2=3) + flat @ flat.T
        variance = at.residual_sum / self.error_df
        score = first - parts.quadratic / variance
        curvature = 2 * (parts.double_quadratic - parts.slopes @ parts.slopes.T) / variance - second
        curvature -= np.outer(parts.quadratic, parts.quadratic) / (variance * at.residual_sum)
        slope = 2 * at.theta
        return Profile(
            at=at,
            P=parts.P,
            quadratic=parts.quadratic,
            gradient=score * slope,
            hessian=curvature * np.outer(slope, slope) + 2 * np.diag(score),
        )


@dataclass(frozen=True, eq=False)
class Solution:
    """Everything that is estimated once theta is given.

    `inverse` is the inverse covariance of a participant in units of the residual variance, by
    pattern, zero in empty cells. `beta` belongs to the orthonormal columns; `whitener` maps it to
    coordinates in which the covariance of the estimates is the identity times the residual
    variance.
    """

    theta: np.ndarray
    deviance: float
    residual_sum: float
    beta: np.ndarray
    whitener: np.ndarray
    inverse: np.ndarray


@dataclass(frozen=True, eq=False)
class Parts:
    """Sums that derivatives and adjusted tests share, W the inverse covariance, G_i a structure.

    `P`_i = X'W G_i W X and `Q`_ij = X'W G_i W G_j W X in whitened coordinates, `traces`_i =
    tr(W G_i), `products`_ij = tr(W G_i W G_j); with r the residual from the fixed part
    `quadratic`_i = r'W G_i W r, `double_quadratic`_ij = r'W G_i W G_j W r and `slopes`_i =
    X'W G_i W r in whitened coordinates.
    """

    P: np.ndarray
    Q: np.ndarray
    traces: np.ndarray
    products: np.ndarray
    quadratic: np.ndarray
    double_quadratic: np.ndarray
    slopes: np.ndarray


@dataclass(frozen=True, eq=False)
class Profile:
    """The profiled deviance at one theta with its exact derivatives."""

    at: Solution
    P: np.ndarray
    quadratic: np.ndarray
    gradient: np.ndarray
    hessian: np.ndarray


def fit(design: Design, y: np.ndarray) -> Fit:
    """Fit an outcome, one finite value per row of the design.

    Two independent starts show whether the optimum is the same. Raises ModelError for outcomes
    without variation and designs that cannot tell their parts.
    """
    refuse_unidentified(design.filled, design.terms)
    return _best_of_starts(Moments.of(design, np.asarray(y, dtype=float)), STARTS)


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted model. Estimates are in the unit of the outcome.

    `optimiser_agreement` is the distance in log likelihood between the best two of independent
    starts. A number that cannot be estimated is missing and its note says why.
    """

    moments: Moments
    profile: Profile
    converged: bool
    optimiser_agreement: float

    @property
    def design(self) -> Design:
        return self.moments.design

    @property
    def theta(self) -> np.ndarray:
        """Standard deviations of the random terms over that of the residual."""
        return self.profile.at.theta

    @property
    def sigma(self) -> float:
        """Residual standard deviation."""
        variance = self.profile.at.residual_sum / self.moments.error_df
        return self.moments.scale * float(np.sqrt(variance))

    @property
    def log_likelihood(self) -> float:
        """Restricted log likelihood, constants included; comparable with lme4's and nlme's."""
        nd = self.moments.error_df
        deviance = self.profile.at.deviance + nd * (1 + np.log(2 * np.pi / nd))
        deviance += 2 * nd * np.log(self.moments.scale)
        deviance += 2 * np.log(np.abs(np.diag(self.design.triangle))).sum()
        return -float(deviance) / 2

    @property
    def singular(self) -> bool:
        """Whether some variance is zero."""
        return bool((self.theta < SINGULAR_TOLERANCE).any())

    @property
    def aliased(self) -> list[str]:
        """Coefficients left out because the columns before them already determine them."""
        return [n for n, kept in zip(self.design.names, self.design.kept, strict=True) if not kept]

    @property
    def notes(self) -> list[str]:
        """What a reader must know about this fit, as sentences."""
        notes = []
        if self.aliased:
            notes.append(f"not estimable and left out: {', '.join(self.aliased)}")
        if self.singular:
            zero = np.array(self.design.terms)[self.theta < SINGULAR_TOLERANCE]
            notes.append(f"variance estimated as zero: {', '.join(zero)}")
        if not self.converged:
            notes.append("the optimiser did not converge")
        if self.optimiser_agreement > AGREEMENT_TOLERANCE:
            notes.append(
                f"two starts ended {self.optimiser_agreement:.2g} apart in log likelihood; "
                "the better one is reported"
            )
        return notes

    # ------------------------------------------------ coefficients, contrasts, tests

    @cached_property
    def beta(self) -> np.ndarray:
        """Fixed coefficients, zero for those left out."""
        moments = self.moments
        beta = np.zeros(len(self.design.names))
        beta[self.design.kept] = np.linalg.solve(
            self.design.triangle, moments.start + moments.scale * self.profile.at.beta
        )
        return beta

    @cached_property
    def _to_whitened(self) -> np.ndarray:
        """Right factor that takes weights of the kept coefficients to whitened coordinates."""
        return np.linalg.solve(self.design.triangle, self.profile.at.whitener)

    @cached_property
    def _satterthwaite_covariance(self) -> np.ndarray:
        """Asymptotic covariance of (theta, log residual variance) from the observed information.

        Only directions with positive information count, which leaves variances at the boundary
        out, as lmerTest does (Kuznetsova, Brockhoff and Christensen 2017, J Stat Softw 82(13)).
        """
        profile, nd = self.profile, self.moments.error_df
        # the profiled hessian has the residual variance taken out: put it back
        scaled = profile.quadratic * 2 * self.theta * nd / profile.at.residual_sum
        full = np.empty((len(self.theta) + 1,) * 2)
        full[:-1, :-1] = profile.hessian + np.outer(scaled, scaled) / nd
        full[:-1, -1] = full[-1, :-1] = scaled
        full[-1, -1] = nd
        eigenvalues, eigenvectors = np.linalg.eigh(full)
        positive = eigenvalues > 1e-9 * eigenvalues.max()
        eigenvectors = eigenvectors[:, positive]
        return 2 * (eigenvectors / eigenvalues[positive]) @ eigenvectors.T

    @cached_property
    def _kenward_roger(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """P_i, covariance of the variances, adjusted covariance of the coefficients.

        In whitened coordinates and units of the residual variance (Kenward and Roger 1997).
        """
        parts = self.moments.parts(self.profile.at, self.design.structures)
        P, r = parts.P, len(parts.P)
        flat = P.reshape(r, -1)
        trace = np.trace(parts.Q, axis1=2, axis2=3)
        expected = 0.5 * (parts.products - 2 * trace + flat @ flat.T)
        size = np.sqrt(np.abs(np.diag(expected)))
        if not np.isfinite(expected).all() or not size.all():
            raise ModelError(NO_RESIDUAL)
        weights = np.linalg.pinv(expected / np.outer(size, size), rcond=1e-10, hermitian=True)
        weights = weights / np.outer(size, size)
        PP = np.einsum("iab,jbc->ijac", P, P)
        covariance = np.eye(P.shape[1]) + 2 * np.einsum("ij,ijab->ab", weights, parts.Q - PP)
        return P, weights, (covariance + covariance.T) / 2

    def _se_and_df(self, L: np.ndarray, method: Method) -> tuple[np.ndarray, np.ndarray]:
        """Standard error and df of each row of L (whitened coordinates)."""
        length = np.sum(L**2, axis=1)
        if method == "satterthwaite":
            variance = length
            relative = np.einsum("ka,iab,kb->ki", L, self.profile.P, L) / length[:, None]
            slopes = np.column_stack([relative * 2 * self.theta, np.ones(len(L))])
            weights = self._satterthwaite_covariance
        else:
            P, weights, covariance = self._kenward_roger
            slopes = np.einsum("ka,iab,kb->ki", L, P, L) / length[:, None]
            variance = np.einsum("ka,ab,kb->k", L, covariance, L)
        with np.errstate(invalid="ignore"):  # an adjusted variance can turn negative: see `tests`
            se = np.sqrt(variance * self.sigma**2)
            return se, 2 / np.einsum("ki,ij,kj->k", slopes, weights, slopes)

    def tests(
        self,
        weights: np.ndarray,
        *,
        method: Method = "kenward-roger",
        reduced: bool = False,
    ) -> list[dict[str, float | str]]:
        """Estimate and test each row of weights over all coefficients.

        Each result holds estimate, se, df, ci_low, ci_high, t, p and note. `reduced` takes the
        model without aliased coefficients at its word, where all is estimable.
        """
        estimable = self.design.estimable(weights) | reduced
        zero = ~weights.any(axis=1)
        good = estimable & ~zero
        columns = ("estimate", "se", "df", "ci_low", "ci_high", "t", "p")
        numbers = np.full((len(weights), len(columns)), np.nan)
        if good.any():
            L = weights[good][:, self.design.kept] @ self._to_whitened
            se, df = self._se_and_df(L, method)
            estimate = weights[good] @ self.beta
            # what is left of a difference of nothing is arithmetic, and differs by machine
            estimate = np.where(np.abs(estimate) > ROUNDING * se, estimate, 0.0)
            t = estimate / se
            half = scipy.special.stdtrit(df, 0.975) * se
            p = 2 * scipy.special.stdtr(df, -np.abs(t))
            numbers[good] = np.column_stack(
                [estimate, se, df, estimate - half, estimate + half, t, p]
            )
        notes = np.select(
            [zero, ~estimable, ~np.isfinite(numbers).all(axis=1)],
            ["the weights are all zero", NOT_ESTIMABLE, "the adjusted variance is not positive"],
            default="",
        )
        return [
            dict(zip(columns, map(float, row), strict=True)) | {"note": str(note)}
            for row, note in zip(numbers, notes, strict=True)
        ]

    def coefficients(self) -> list[dict[str, float | str]]:
        """Fixed coefficients with their tests after Kenward and Roger, those left out missing.

        With aliased coefficients the others are those of the model without them, and the note
        marks the ones whose meaning depends on that.
        """
        weights = np.eye(len(self.design.names))[self.design.kept]
        names = np.array(self.design.names)[self.design.kept]
        notes = np.where(self.design.estimable(weights), "", "given that aliased ones are zero")
        tested = self.tests(weights, reduced=True)
        return [
            {"term": str(name)} | test | {"note": str(note)}
            for name, test, note in zip(names, tested, notes, strict=True)
        ]

    def joint_test(self, weights: np.ndarray) -> dict[str, float | str]:
        """F test that all rows of weights are zero, after Kenward and Roger 1997.

        Gives F, df_num, df, p and note. Combinations that empty cells leave without an estimate
        are taken out and counted in the note.
        """
        asked = int(np.linalg.matrix_rank(weights))
        if self.design.unseen.shape[1]:
            weights = _null_space((weights @ self.design.unseen).T).T @ weights
        joint = {"F": np.nan, "df_num": 0.0, "df": np.nan, "p": np.nan, "note": ""}
        L = weights[:, self.design.kept] @ self._to_whitened
        directions, size, right = np.linalg.svd(L, full_matrices=False)
        q = int((size > 1e-9 * size.max(initial=0.0)).sum())
        if q:
            z = (directions[:, :q].T @ (weights @ self.beta)) / size[:q]
            F, df = self._scaled_f(right[:q], z)
            p = float(scipy.special.fdtrc(q, df, F))
            joint |= {"F": F, "df_num": float(q), "df": df, "p": p}
        if q < asked:
            joint["note"] = f"{asked - q} of {asked} comparisons {NOT_ESTIMABLE}"
        return joint

    def _scaled_f(self, U: np.ndarray, z: np.ndarray) -> tuple[float, float]:
        """Scaled F and denominator df for orthonormal directions U with estimates z."""
        P, weights, covariance = self._kenward_roger
        q = len(U)
        inner = np.einsum("ka,iab,lb->ikl", U, P, U)
        traces = np.trace(inner, axis1=1, axis2=2)
        flat = inner.reshape(len(inner), -1)
        A1 = float(traces @ weights @ traces)
        A2 = float(np.sum(weights * (flat @ flat.T)))
        B = (A1 + 6 * A2) / (2 * q)
        g = ((q + 1) * A1 - (q + 4) * A2) / ((q + 2) * A2)
        base = 3 * q + 2 * (1 - g)
        V0 = 1 + g / base * B
        V1 = 1 - (q - g) / base * B
        V2 = 1 - (q + 2 - g) / base * B
        V0 = 0.0 if abs(V0) < 1e-10 else V0
        E = 1 - A2 / q
        ratio = 1.0 if abs(E) < 1e-14 and abs(V1) < 1e-14 else E / V1
        rho = ratio**2 * V0 / V2 / q
        df = 4 + (q + 2) / (q * rho - 1)
        scale = 1.0 if abs(df - 2) < 1e-2 else df * E / (df - 2)
        F = z @ np.linalg.solve(U @ covariance @ U.T, z) / (q * self.sigma**2)
        return float(scale * F), float(df)

    # ------------------------------------------------ the random part, as estimated

    def variance_components(self) -> list[dict[str, object]]:
        """Variance of every random term and of the residual, each with its 95 % interval.

        Holds term, variance, sd, sd_low, sd_high, singular and note. The interval of a standard
        deviation is a Wald interval on the log scale from the observed information (convention;
        Pinheiro and Bates 2000, section 2.4.3). That of a variance at zero begins there and ends
        where the profiled likelihood has fallen by half the quantile of chi-square (Venzon and
        Moolgavkar 1988, Appl Stat 37:87-94).
        """
        quantile = scipy.special.ndtri(0.975)
        relative = np.append(self.theta, 1.0)
        errors = self._log_sd_errors()
        return [
            {
                "term": term,
                "variance": (self.sigma * size) ** 2,
                "singular": bool(size < SINGULAR_TOLERANCE),
                **(
                    self._interval_from_zero(n, quantile**2)
                    if size < SINGULAR_TOLERANCE
                    else _sd_interval(self.sigma * size, quantile * error)
                ),
            }
            for n, (term, size, error) in enumerate(
                zip((*self.design.terms, "residual"), relative, errors, strict=True)
            )
        ]

    def _interval_from_zero(self, term: int, fall: float) -> dict[str, object]:
        """Interval of a standard deviation estimated as zero; `fall` is that of the deviance.

        The relative standard deviation is moved by Newton's method on the root of the fall, which
        is nearly a line; all else is fitted again each time.
        """
        best = self.profile.at.deviance
        unlimited = {"sd": 0.0, "sd_low": 0.0, "sd_high": np.nan, "note": "no upper limit"}
        theta = self.theta.copy()
        curvature = self.profile.hessian[term, term]
        theta[term] = np.sqrt(2 * fall / curvature) if curvature > 0 else STARTS[-1]
        for _ in range(MOST_STEPS):
            if not theta[term] < WIDEST_RELATIVE_SD:
                return unlimited
            try:
                now = _newton(self.moments, theta, fixed=term)[0]
            except (np.linalg.LinAlgError, ModelError):
                return unlimited
            root, slope = np.sqrt(max(now.at.deviance - best, 0.0)), now.gradient[term]
            theta = now.at.theta.copy()
            if abs(root - np.sqrt(fall)) < PROFILE_TOLERANCE:
                variance = now.at.residual_sum / self.moments.error_df
                sigma = self.moments.scale * float(np.sqrt(variance))
                high = sigma * float(theta[term])
                return {"sd": 0.0, "sd_low": 0.0, "sd_high": high, "note": ""}
            # doubled or halved at most, where the fall is no line yet
            step = 2 * root * (np.sqrt(fall) - root) / slope if slope > 0 else np.inf
            theta[term] = np.clip(theta[term] + step, theta[term] / 2, 2 * theta[term])
        return unlimited

    def _log_sd_errors(self) -> np.ndarray:
        """Standard errors of the logs of the standard deviations, residual last.

        Infinite for a variance at zero.
        """
        A = self._satterthwaite_covariance
        errors = np.full(len(self.theta) + 1, np.inf)
        for i in np.flatnonzero(self.theta > SINGULAR_TOLERANCE):
            slope = np.zeros(len(errors))
            slope[i], slope[-1] = 1 / self.theta[i], 0.5
            errors[i] = np.sqrt(slope @ A @ slope)
        errors[-1] = 0.5 * np.sqrt(A[-1, -1])
        return errors

    @cached_property
    def _residual_grid(self) -> np.ndarray:
        """Conditional residuals, (participants, cells), in units of the moments' scale."""
        rest = self.moments.grid @ np.append(-self.profile.at.beta, 1.0)
        return np.einsum("nij,nj->ni", self.profile.at.inverse[self.design.pattern], rest)

    @property
    def residuals(self) -> np.ndarray:
        """Outcome minus fitted value, random effects included, one per row."""
        return self.moments.scale * self._residual_grid[self.design.person, self.design.cell]

    @property
    def fitted(self) -> np.ndarray:
        """Fitted values, random effects included, one per row."""
        return self.moments.y - self.residuals

    def random_effects(self) -> list[dict[str, object]]:
        """Predicted random effects (BLUPs; Henderson 1975, Biometrics 31:423): term, level, value.

        A level is named by its participant and, behind a colon, its condition or exercise.
        """
        return [
            {
                "term": term,
                "level": self.design.level_name(term, person, group),
                "value": self.moments.scale * size**2 * self._residual_grid[person, group].sum(),
            }
            for term, size in zip(self.design.terms, self.theta, strict=True)
            for person, group in self.design.levels_of(term)
        ]


def _split(grid: np.ndarray, pattern: np.ndarray) -> list[np.ndarray]:
    """Rows by pattern, patterns in order."""
    order = np.argsort(pattern, kind="stable")
    return np.split(grid[order], np.cumsum(np.bincount(pattern))[:-1])


def _null_space(matrix: np.ndarray) -> np.ndarray:
    """Orthonormal columns that a matrix maps to zero."""
    _, sizes, right = np.linalg.svd(matrix)
    rank = int((sizes > 1e-9 * sizes.max(initial=0.0)).sum())
    return right[rank:].T


def _sd_interval(sd: float, half_width: float) -> dict[str, object]:
    unlimited = {"sd": sd, "sd_low": np.nan, "sd_high": np.nan}
    if not np.isfinite(half_width):
        return unlimited | {"note": "estimated at or near zero: no Wald interval"}
    if half_width > WIDEST_LOG_INTERVAL:
        return unlimited | {"note": "not limited by these values: no Wald interval"}
    low, high = sd * np.exp(-half_width), sd * np.exp(half_width)
    return {"sd": sd, "sd_low": low, "sd_high": high, "note": ""}


# ---------------------------------------------------- the maximum of the likelihood


def _best_of_starts(moments: Moments, starts: Sequence[float | np.ndarray]) -> Fit:
    """Best of independent starts, given as relative standard deviations."""
    n_terms = len(moments.design.terms)

    def descend(start: float | np.ndarray) -> tuple[Profile, bool]:
        return _newton(moments, np.broadcast_to(start, n_terms).astype(float))

    def by_deviance(end: tuple[Profile, bool]) -> float:
        return end[0].at.deviance

    def distance() -> float:
        return (by_deviance(ends[1]) - by_deviance(ends[0])) / 2 if len(ends) > 1 else 0.0

    try:
        ends = sorted(map(descend, starts), key=by_deviance)
    except np.linalg.LinAlgError:
        raise ModelError(NO_RESIDUAL) from None
    if distance() > AGREEMENT_TOLERANCE:
        ends = sorted([*ends, *map(descend, FURTHER_STARTS)], key=by_deviance)
    best, converged = ends[0]
    if not converged and np.abs(best.at.theta).max() > RUNAWAY:
        raise ModelError(NO_RESIDUAL)
    return Fit(moments, _with_exact_zeros(moments, best), converged, distance())


def _newton(
    moments: Moments, theta: np.ndarray, *, fixed: int | None = None
) -> tuple[Profile, bool]:
    """Newton's method with absolute curvature and step reduction; says whether it converged.

    A `fixed` relative standard deviation stays where it is.

    In standard deviations a variance of zero is an ordinary stationary point, so no bounds are
    needed; absolute curvature leads away from saddle points (Nocedal and Wright 2006, Numerical
    Optimization, section 3.4).
    """
    now = moments.differentiate(moments.solve(theta))
    for _ in range(MOST_STEPS):
        free = np.arange(len(theta)) != (-1 if fixed is None else fixed)
        if not free.any():
            return now, True
        eigenvalues, eigenvectors = np.linalg.eigh(now.hessian[np.ix_(free, free)])
        size = np.maximum(np.abs(eigenvalues), 1e-8 * max(1.0, np.abs(eigenvalues).max()))
        gradient = now.gradient[free]
        slope = eigenvectors.T @ gradient
        expected_gain = float(slope @ (slope / size))
        step = np.zeros(len(theta))
        step[free] = -eigenvectors @ (slope / size)
        longest = 2 * max(0.5, np.abs(now.at.theta).max())
        step *= longest / max(np.abs(step).max(), longest)
        slope_along_step = float(gradient @ step[free])
        for fraction in 0.25 ** np.arange(14):
            try:
                trial = moments.solve(now.at.theta + fraction * step)
            except np.linalg.LinAlgError:
                # too far out for the arithmetic: a shorter step
                continue
            enough = 1e-3 * fraction * slope_along_step
            if trial.deviance <= now.at.deviance + enough + ROUNDING:
                now = moments.differentiate(trial)
                break
        else:
            return now, expected_gain < AGREEMENT_TOLERANCE
        if np.abs(trial.theta).max() > 1e6:
            raise ModelError(NO_RESIDUAL)
        if expected_gain < 1e-12:
            return now, True
    return now, False


def _with_exact_zeros(moments: Moments, profile: Profile) -> Profile:
    """Signs made positive, and relative standard deviations near zero set to zero if as good."""
    theta = np.abs(profile.at.theta)
    snapped = moments.solve(np.where(theta < SINGULAR_TOLERANCE, 0.0, theta))
    if snapped.deviance > profile.at.deviance + ROUNDING:
        snapped = moments.solve(theta)
    return moments.differentiate(snapped)
