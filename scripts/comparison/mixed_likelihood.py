"""The likelihood of a linear mixed model, and its maximum.

The residual variance and the fixed coefficients are profiled out, which leaves the relative
covariance factors theta (Bates, Maechler, Bolker and Walker 2015, J Stat Softw 67(1)). All algebra
runs on blocks of rows that share no random effect, so a study of many participants costs little
more than one participant. First and second derivatives are exact.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

# A relative standard deviation below this counts as zero: the convention of lme4's isSingular.
SINGULAR_TOLERANCE = 1e-4

# A column is aliased when this little of its length is left after the columns before it:
# the convention of R's qr().
ALIAS_TOLERANCE = 1e-7

# Two optima closer than this in log likelihood count as the same.
AGREEMENT_TOLERANCE = 1e-6

# Relative standard deviations that are tried when the first starts disagree.
FURTHER_STARTS = (4.0, 0.05)

MOST_STEPS = 200

# Changes of the deviance below this may be rounding.
ROUNDING = 1e-9

# relative standard deviation at which a search that has not ended is on its way to infinity
RUNAWAY = 1e4

NO_RESIDUAL = (
    "the residual variance goes to zero beside a random term: the rows hold no repetition that "
    "could measure it"
)


class ModelError(ValueError):
    """A model that cannot be fitted, or a question that it cannot answer, in words to act on."""


@dataclass(frozen=True)
class RandomTerm:
    """One random term: which columns vary between the levels of which grouping.

    `columns` has one row per table row and one column per effect; `codes` numbers the level of
    each row.
    """

    name: str
    effects: tuple[str, ...]
    levels: tuple[str, ...]
    codes: np.ndarray
    columns: np.ndarray

    @property
    def lower_triangle(self) -> list[tuple[int, int]]:
        """(row, column) of the free elements of the covariance factor, column by column."""
        k = len(self.effects)
        return [(row, column) for column in range(k) for row in range(column, k)]


def independent_columns(matrix: np.ndarray) -> np.ndarray:
    """Which columns are not a combination of the columns before them (boolean, one per column)."""
    length = np.linalg.norm(matrix, axis=0)
    scaled = matrix / np.where(length > 0, length, 1.0)
    if matrix.shape[0] >= matrix.shape[1]:
        diagonal = np.abs(np.diag(np.linalg.qr(scaled, mode="r")))
        if diagonal.min(initial=1.0) > ALIAS_TOLERANCE:
            return np.ones(matrix.shape[1], dtype=bool)
    basis = np.zeros((matrix.shape[0], 0))
    keep = np.zeros(matrix.shape[1], dtype=bool)
    for j in range(matrix.shape[1]):
        rest = scaled[:, j]
        for _ in range(2):  # once more removes what rounding left of the first projection
            rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > ALIAS_TOLERANCE:
            keep[j] = True
            basis = np.column_stack([basis, rest / size])
    return keep


@dataclass(frozen=True)
class Solution:
    """Everything that is estimated once theta is given.

    With V the covariance of the outcome in units of the residual variance, one block of rows
    after the other: `K` holds V^-1 = I - Z K Z', `C` = Z'V^-1 Z, `D` = Z'V^-1 X with X whitened,
    `e` = Z'V^-1 (y - X beta). `beta` belongs to the orthonormal design; `whitener` maps it to
    coordinates in which the covariance of the estimates is the identity times sigma^2.
    """

    theta: np.ndarray
    deviance: float
    residual_sum: float
    beta: np.ndarray
    whitener: np.ndarray
    K: np.ndarray
    C: np.ndarray
    D: np.ndarray
    e: np.ndarray


@dataclass(frozen=True)
class Profile:
    """The profiled deviance at one theta with exact derivatives, and their parts.

    Ratios are variances and covariances divided by the residual variance, V = sum ratio_i G_i + I.
    `gradient` and `hessian` are in theta. The parts, with E_i the selection of ratio i
    (G_i = Z E_i Z'): `P`_i = X'V^-1 G_i V^-1 X in whitened coordinates; `ED`_i = E_i D and
    `CED`_i = C E_i D, blocks stacked; `traces`_i = tr(V^-1 G_i); `products`_ij =
    tr(V^-1 G_i V^-1 G_j); `quadratic`_i = r'V^-1 G_i V^-1 r with r = y - X beta.
    """

    at: Solution
    gradient: np.ndarray
    hessian: np.ndarray
    jacobian: np.ndarray
    P: np.ndarray
    ED: np.ndarray
    CED: np.ndarray
    traces: np.ndarray
    products: np.ndarray
    quadratic: np.ndarray


@dataclass(frozen=True)
class Response:
    """One outcome, reduced to what the likelihood needs.

    `start` are least squares coefficients; the rest is about the residual from them, in units of
    `scale`: its products with the random design, the fixed design and itself.
    """

    y: np.ndarray
    scale: float
    start: np.ndarray
    Zy: np.ndarray
    Qy: np.ndarray
    yy: float


def _places(
    offsets: np.ndarray, block_of_level: np.ndarray, n_blocks: int
) -> tuple[np.ndarray, list[int]]:
    """Place of each level among its term's levels in the same block, and each term's widest."""
    rank = np.empty(offsets[-1], dtype=np.int64)
    widths = []
    for lower, upper in itertools.pairwise(offsets):
        seen = np.zeros(n_blocks, dtype=np.int64)
        for level in range(lower, upper):
            rank[level] = seen[block_of_level[level]]
            seen[block_of_level[level]] += 1
        widths.append(int(seen.max()))
    return rank, widths


class Design:
    """Fixed and random design of one table, in blocks of rows that share no random effect."""

    def __init__(self, X: np.ndarray, names: Sequence[str], terms: Sequence[RandomTerm]) -> None:
        self.n = X.shape[0]
        self.names = list(names)
        self.terms = list(terms)
        self.X = X
        self.keep = independent_columns(X)
        self.p = int(self.keep.sum())
        if self.n <= self.p:
            raise ModelError(
                f"{self.n} rows for {self.p} fixed coefficients: at least {self.p + 1} rows are "
                "needed; use fewer terms or more rows"
            )
        kept = X[:, self.keep]
        self.Q, self.R = np.linalg.qr(kept)
        aliased = X[:, ~self.keep]
        combination = np.linalg.lstsq(kept, aliased, rcond=None)[0]
        # Directions of the coefficient space that leave every fitted value unchanged.
        self.null_space = np.zeros((X.shape[1], aliased.shape[1]))
        self.null_space[self.keep] = -combination
        self.null_space[~self.keep] = np.eye(aliased.shape[1])
        self._lay_out_blocks()
        self._lay_out_parameters()

    def _lay_out_blocks(self) -> None:
        offsets = np.cumsum([0] + [len(t.levels) for t in self.terms])
        level_of_row = np.stack([t.codes + o for t, o in zip(self.terms, offsets, strict=False)])
        first = np.broadcast_to(level_of_row[0], level_of_row.shape)
        graph = coo_array(
            (np.ones(first.size), (first.ravel(), level_of_row.ravel())), shape=(offsets[-1],) * 2
        )
        n_blocks, block_of_level = connected_components(graph, directed=False)
        rank, widths = _places(offsets, block_of_level, n_blocks)
        effects = np.array([len(t.effects) for t in self.terms])
        one_block = int(np.diff(offsets) @ effects)
        if n_blocks * int(np.array(widths) @ effects) ** 2 > one_block**2:
            n_blocks, block_of_level = 1, np.zeros(offsets[-1], dtype=np.int64)
            rank, widths = _places(offsets, block_of_level, n_blocks)
        self.slots: list[list[slice]] = []  # for each term and effect, its columns in a block
        width = 0
        for term, levels in zip(self.terms, widths, strict=True):
            self.slots.append(
                [
                    slice(width + j * levels, width + (j + 1) * levels)
                    for j in range(len(term.effects))
                ]
            )
            width += levels * len(term.effects)
        self.block = block_of_level[level_of_row[0]]
        self.place = np.empty(self.n, dtype=np.int64)
        for block in range(n_blocks):
            rows = np.flatnonzero(self.block == block)
            self.place[rows] = np.arange(len(rows))
        self.level_block = [block_of_level[lo:hi] for lo, hi in itertools.pairwise(offsets)]
        self.level_rank = [rank[lo:hi] for lo, hi in itertools.pairwise(offsets)]
        self.Z = np.zeros((n_blocks, int(self.place.max()) + 1, width))
        for i, term in enumerate(self.terms):
            for j, slot in enumerate(self.slots[i]):
                at = slot.start + self.level_rank[i][term.codes]
                self.Z[self.block, self.place, at] = term.columns[:, j]
        self.Zt = np.ascontiguousarray(self.Z.transpose(0, 2, 1))
        self.S = self.Zt @ self.Z
        self.ZQ = self.Zt @ self.in_blocks(self.Q)
        self.QQ = self.Q.T @ self.Q

    def _lay_out_parameters(self) -> None:
        self.parameters = [
            (i, row, column)
            for i, term in enumerate(self.terms)
            for row, column in term.lower_triangle
        ]
        n = len(self.parameters)
        place = {key: at for at, key in enumerate(self.parameters)}
        # ratio_i = theta' B_i theta: covariance elements are quadratic in the factor's elements
        self.quadratic_forms = np.zeros((n, n, n))
        self.pairs: list[list[tuple[slice, slice]]] = []
        for at, (i, row, column) in enumerate(self.parameters):
            for shared in range(column + 1):
                a, b = place[i, row, shared], place[i, column, shared]
                self.quadratic_forms[at, a, b] += 0.5
                self.quadratic_forms[at, b, a] += 0.5
            a, b = self.slots[i][row], self.slots[i][column]
            self.pairs.append([(a, b)] if row == column else [(a, b), (b, a)])
        self.on_diagonal = np.array([row == column for _, row, column in self.parameters])
        self.scalar_terms = all(len(t.effects) == 1 for t in self.terms)

    def in_blocks(self, rows: np.ndarray) -> np.ndarray:
        """Lay the rows of a vector or matrix out as (block, row in block, ...), padded with 0."""
        blocked = np.zeros(self.Z.shape[:2] + rows.shape[1:])
        blocked[self.block, self.place] = rows
        return blocked

    def response(self, y: np.ndarray) -> Response:
        """Reduce an outcome to its residual from least squares, which keeps digits when y is far
        from zero, in units of a power of two near its spread."""
        start = self.Q.T @ y
        rest = y - self.Q @ start
        spread = float(np.sqrt(rest @ rest / (self.n - self.p)))
        if np.ptp(y) == 0:
            raise ModelError(
                f"the outcome has the same value ({y[0]:g}) in all {self.n} rows: there is no "
                "variation to model"
            )
        if spread <= 1e-12 * np.sqrt(y @ y / self.n):
            raise ModelError(
                "the fixed effects reproduce the outcome exactly: no variation is left to model"
            )
        scale = float(2.0 ** np.round(np.log2(spread)))
        rest = rest / scale
        Zy = (self.Zt @ self.in_blocks(rest)[..., None])[..., 0]
        return Response(y, scale, start, Zy, self.Q.T @ rest, float(rest @ rest))

    def factor(self, theta: np.ndarray, term: int) -> np.ndarray:
        """Lower triangular relative covariance factor of one term."""
        k = len(self.terms[term].effects)
        factor = np.zeros((k, k))
        for value, (i, row, column) in zip(theta, self.parameters, strict=True):
            if i == term:
                factor[row, column] = value
        return factor

    def _spread_factor(self, theta: np.ndarray) -> np.ndarray:
        """The factor of all random effects of a block: a diagonal (vector) or a matrix."""
        width = self.Z.shape[2]
        if self.scalar_terms:
            diagonal = np.empty(width)
            for value, (slot,) in zip(theta, self.slots, strict=True):
                diagonal[slot] = value
            return diagonal
        full = np.zeros((width, width))
        for value, (i, row, column) in zip(theta, self.parameters, strict=True):
            a, b = self.slots[i][row], self.slots[i][column]
            full[np.arange(a.start, a.stop), np.arange(b.start, b.stop)] = value
        return full

    def ratios(self, theta: np.ndarray) -> np.ndarray:
        """Variances and covariances divided by the residual variance."""
        return np.einsum("iab,a,b->i", self.quadratic_forms, theta, theta)

    def error_df(self, *, reml: bool) -> int:
        """What the residual sum of squares is divided by."""
        return self.n - self.p if reml else self.n

    def solve(self, theta: np.ndarray, response: Response, *, reml: bool) -> Solution:
        """Estimate all else at theta; the deviance is -2 log likelihood but for constants."""
        S, Zy = self.S, response.Zy
        diagonal = np.arange(S.shape[1])
        spread = self._spread_factor(theta)
        outer = spread[:, None] * spread if spread.ndim == 1 else None
        M = S * outer if outer is not None else spread.T @ S @ spread
        M[:, diagonal, diagonal] += 1.0
        log_determinant = 2 * np.log(np.linalg.cholesky(M)[:, diagonal, diagonal]).sum()
        inverse = np.linalg.inv(M)
        K = inverse * outer if outer is not None else spread @ inverse @ spread.T
        SK = S @ K
        KZQ = (K @ self.ZQ).reshape(-1, self.p)
        KZy = (K @ Zy[..., None])[..., 0]
        cholesky = np.linalg.cholesky(self.QQ - self.ZQ.reshape(-1, self.p).T @ KZQ)
        whitener = np.linalg.inv(cholesky).T
        half = whitener.T @ (response.Qy - KZQ.T @ Zy.ravel())
        residual_sum = response.yy - float(Zy.ravel() @ KZy.ravel()) - float(half @ half)
        if residual_sum <= 0:
            raise ModelError(NO_RESIDUAL)
        D = self.ZQ - SK @ self.ZQ
        beta = whitener @ half
        deviance = log_determinant + self.error_df(reml=reml) * np.log(residual_sum)
        if reml:
            deviance += 2 * np.log(np.diag(cholesky)).sum()
        return Solution(
            theta=theta,
            deviance=float(deviance),
            residual_sum=residual_sum,
            beta=beta,
            whitener=whitener,
            K=K,
            C=S - SK @ S,
            D=D @ whitener,
            e=Zy - (S @ KZy[..., None])[..., 0] - D @ beta,
        )

    def differentiate(self, at: Solution, *, reml: bool) -> Profile:
        """First and second derivatives of the deviance in theta.

        In the ratios the derivatives are traces and quadratic forms of P G_i and P G_i P G_j
        (Searle, Casella and McCulloch 1992, Variance Components, ch. 6), formed here from the
        small matrices of `Solution`; ratios are quadratic in theta, which gives the rest.
        """
        r, (blocks, width, p) = len(self.parameters), at.D.shape
        ED = np.zeros((r, blocks, width, p))
        Ee = np.zeros((r, blocks, width))
        EC = np.zeros((r, blocks, width, width))
        for i, pairs in enumerate(self.pairs):
            for a, b in pairs:
                ED[i, :, a] = at.D[:, b]
                Ee[i, :, a] = at.e[:, b]
                EC[i, :, a] = at.C[:, b]
        CED = (at.C @ ED).reshape(r, -1, p)
        CEe = (at.C @ Ee[..., None]).reshape(r, -1)
        ED, Ee = ED.reshape(r, -1, p), Ee.reshape(r, -1)
        D = at.D.reshape(-1, p)
        P = D.T @ ED
        traces = np.trace(EC, axis1=2, axis2=3).sum(axis=1)
        products = EC.reshape(r, -1) @ EC.transpose(0, 1, 3, 2).reshape(r, -1).T
        quadratic = Ee @ at.e.ravel()
        first, second = traces, products
        if reml:
            flat = P.reshape(r, -1)
            first = traces - np.trace(P, axis1=1, axis2=2)
            second = products - 2 * ED.reshape(r, -1) @ CED.reshape(r, -1).T + flat @ flat.T
        variance = at.residual_sum / self.error_df(reml=reml)
        De = Ee @ D
        score = first - quadratic / variance
        curvature = 2 * (Ee @ CEe.T - De @ De.T) / variance - second
        curvature -= np.outer(quadratic, quadratic) / (variance * at.residual_sum)
        jacobian = 2 * self.quadratic_forms @ at.theta
        return Profile(
            at=at,
            gradient=score @ jacobian,
            hessian=jacobian.T @ curvature @ jacobian
            + 2 * np.tensordot(score, self.quadratic_forms, 1),
            jacobian=jacobian,
            P=P,
            ED=ED,
            CED=CED,
            traces=traces,
            products=products,
            quadratic=quadratic,
        )


def _descend(
    design: Design, response: Response, theta: np.ndarray, *, reml: bool
) -> tuple[Profile, bool]:
    """Newton's method with absolute curvature and step reduction; says whether it converged.

    In the covariance factor a zero variance is an ordinary stationary point, so no bounds are
    needed; absolute curvature leads away from saddle points (Nocedal and Wright 2006, Numerical
    Optimization, section 3.4).
    """
    now = design.differentiate(design.solve(theta, response, reml=reml), reml=reml)
    for _ in range(MOST_STEPS):
        values, vectors = np.linalg.eigh(now.hessian)
        size = np.maximum(np.abs(values), 1e-8 * max(1.0, np.abs(values).max()))
        slope = vectors.T @ now.gradient
        expected_gain = float(slope @ (slope / size))
        step = -vectors @ (slope / size)
        longest = 2 * max(0.5, np.abs(now.at.theta).max())
        step *= longest / max(np.abs(step).max(), longest)
        slope_along_step = float(now.gradient @ step)
        for fraction in 0.25 ** np.arange(14):
            try:
                trial = design.solve(now.at.theta + fraction * step, response, reml=reml)
            except np.linalg.LinAlgError:
                # too far out for the arithmetic: a shorter step
                continue
            enough = 1e-3 * fraction * slope_along_step
            if trial.deviance <= now.at.deviance + enough + ROUNDING:
                now = design.differentiate(trial, reml=reml)
                break
        else:
            return now, expected_gain < AGREEMENT_TOLERANCE
        if np.abs(trial.theta).max() > 1e6:
            raise ModelError(NO_RESIDUAL)
        if expected_gain < 1e-12:
            return now, True
    return now, False


def _canonical(design: Design, theta: np.ndarray) -> np.ndarray:
    """The same covariances from factors whose diagonals are not negative."""
    sign = {
        (i, column): np.sign(value) or 1.0
        for value, (i, row, column) in zip(theta, design.parameters, strict=True)
        if row == column
    }
    return theta * np.array([sign[i, column] for i, _, column in design.parameters])


def _snapped(design: Design, found: Profile, response: Response, *, reml: bool) -> Profile:
    """Signs made positive, and relative standard deviations near zero set to zero if as good."""
    theta = _canonical(design, found.at.theta)
    small = design.on_diagonal & (theta < SINGULAR_TOLERANCE)
    snapped = design.solve(np.where(small, 0.0, theta), response, reml=reml)
    if snapped.deviance > found.at.deviance + ROUNDING:
        snapped = design.solve(theta, response, reml=reml)
    return design.differentiate(snapped, reml=reml)


def optimise(
    design: Design, response: Response, *, reml: bool, starts: Sequence[float]
) -> tuple[Profile, bool, float | None]:
    """Best of independent starts, whether it converged, and how far apart the best two ended.

    `starts` are relative standard deviations; the distance is in log likelihood, None for a
    single start.
    """

    def descend(start: float) -> tuple[Profile, bool]:
        theta = np.where(design.on_diagonal, start, 0.0)
        return _descend(design, response, theta, reml=reml)

    def distance() -> float | None:
        if len(found) == 1:
            return None
        return (found[1][0].at.deviance - found[0][0].at.deviance) / 2

    try:
        found = sorted(map(descend, starts), key=lambda end: end[0].at.deviance)
    except np.linalg.LinAlgError:
        raise ModelError(NO_RESIDUAL) from None
    if (distance() or 0.0) > AGREEMENT_TOLERANCE:
        found = sorted([*found, *map(descend, FURTHER_STARTS)], key=lambda end: end[0].at.deviance)
    best, converged = found[0]
    if not converged and np.abs(best.at.theta).max() > RUNAWAY:
        raise ModelError(NO_RESIDUAL)
    return _snapped(design, best, response, reml=reml), converged, distance()
