"""Linear mixed models by (restricted) maximum likelihood, with small-sample tests.

The model is y = X beta + Z b + e, with a formula for X and random terms in the usual bar notation;
`comparison.mixed_likelihood` finds the estimates. Tests use Kenward and Roger 1997 (Biometrics
53:983) or Satterthwaite 1946 (Biometrics Bull 2:110) with the extension to several degrees of
freedom of Fai and Cornelius 1996 (J Stat Comput Simul 54:363).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import formulaic
import numpy as np
import pandas as pd
from formulaic.errors import FormulaicError
from scipy import linalg, special

from comparison.mixed_likelihood import (
    AGREEMENT_TOLERANCE,
    NO_RESIDUAL,
    SINGULAR_TOLERANCE,
    Design,
    ModelError,
    Profile,
    RandomTerm,
    Response,
    optimise,
)

__all__ = ["Fit", "Method", "ModelError", "fit", "split_random"]

Method = Literal["kenward-roger", "satterthwaite"]

LARGEST_GRID = 100_000

# Relative standard deviations of all random terms from which the optimiser sets out (convention).
TWO_STARTS = (1.0, 0.3)

# an interval that spans more than e^20 to either side says nothing
WIDEST_LOG_INTERVAL = 20.0

NOT_ESTIMABLE = (
    "not estimable: it depends on a cell without observations or cannot be told from another term"
)


def split_random(random: str) -> list[tuple[str, tuple[str, ...]]]:
    """Split "days | subject" into its formula and grouping variables.

    "a/b" behind the bar stands for two terms, one for `a` and one for `a:b`, as in lme4.
    """
    text = random.strip()
    if text.startswith("(") and text.endswith(")"):
        text = text[1:-1]
    if "||" in text:
        raise ModelError(
            f"random term '{random}': '||' is not read; write one term per independent effect, "
            "as in '1 | subject' and '0 + days | subject'"
        )
    effects, bar, grouping = text.partition("|")
    if not bar or not effects.strip() or not grouping.strip():
        raise ModelError(f"random term '{random}': expected 'effects | grouping', as in '1 | id'")
    nested = [re.split(r"\s*:\s*", part.strip()) for part in grouping.split("/")]
    return [
        (effects.strip(), tuple(itertools.chain.from_iterable(nested[: depth + 1])))
        for depth in range(len(nested))
    ]


def _group_codes(
    table: pd.DataFrame, variables: tuple[str, ...]
) -> tuple[np.ndarray, tuple[str, ...]]:
    codes = np.zeros(len(table), dtype=np.int64)
    labels = np.array([""], dtype=object)
    for variable in variables:
        column = table[variable]
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.cat.remove_unused_categories()
            own, names = column.cat.codes.to_numpy(), column.cat.categories
        else:
            own, names = pd.factorize(column, sort=True)
        combined, codes = np.unique(codes * len(names) + own, return_inverse=True)
        labels = np.array(
            [f"{labels[c // len(names)]}:{names[c % len(names)]}" for c in combined], dtype=object
        )
    return codes, tuple(label[1:] for label in labels)


def _random_terms(table: pd.DataFrame, random: Sequence[str]) -> list[RandomTerm]:
    terms = []
    for text in random:
        for effects, variables in split_random(text):
            if effects == "1":
                names, columns = ("Intercept",), np.ones((len(table), 1))
            else:
                matrix = _model_matrix(formulaic.Formula(effects), table)
                names = tuple(matrix.columns)
                columns = matrix.to_numpy(dtype=float)
            codes, levels = _group_codes(table, variables)
            terms.append(RandomTerm(":".join(variables), names, levels, codes, columns))
    return terms


def _model_matrix(formula: formulaic.Formula, table: pd.DataFrame) -> formulaic.ModelMatrix:
    try:
        with np.errstate(divide="ignore", invalid="ignore"):  # logs of zero are counted later
            return formula.get_model_matrix(table, na_action="ignore")
    except FormulaicError as error:
        raise ModelError(f"formula '{formula}': {_plain(error)}") from error


def _plain(error: Exception) -> str:
    first_line = str(error).splitlines()[0] if str(error) else type(error).__name__
    return re.sub(r"[\x1b⧛⧚]\[?[0-9;]*m?", "", first_line)


def _read_formula(fixed: str) -> formulaic.Formula:
    try:
        formula = formulaic.Formula(fixed)
    except FormulaicError as error:
        raise ModelError(f"formula '{fixed}': {_plain(error)}") from error
    if not hasattr(formula, "lhs"):
        raise ModelError(f"formula '{fixed}': name the outcome, as in 'y ~ condition'")
    return formula


def _check_columns(table: pd.DataFrame, names: Sequence[str]) -> None:
    absent = sorted(set(names) - set(table.columns))
    if absent:
        raise ModelError(
            f"the table has no column {', '.join(map(repr, absent))}; "
            f"its columns are {', '.join(map(str, table.columns))}"
        )
    problems = []
    for name in sorted(set(names)):
        column = table[name]
        missing = column.isna().to_numpy()
        if column.dtype.kind == "f":
            missing = missing | ~np.isfinite(column.to_numpy(dtype=float))
        if missing.any():
            problems.append(f"'{name}' in {int(missing.sum())} of {len(table)} rows")
    if problems:
        raise ModelError(
            f"missing or infinite values: {'; '.join(problems)}; leave such rows out before "
            "fitting and say how many"
        )


def _check_random(terms: Sequence[RandomTerm], n_rows: int) -> None:
    if not terms:
        raise ModelError("a mixed model needs at least one random term, as in '1 | participant'")
    for term in terms:
        n_levels, n_effects = len(term.levels), len(term.effects)
        if n_levels < 2:
            raise ModelError(
                f"random term '{term.name}' has {n_levels} level; its variance needs at least 2"
            )
        if n_levels * n_effects >= n_rows:
            raise ModelError(
                f"random term '{term.name}' has {n_levels} levels x {n_effects} effect(s) for "
                f"{n_rows} rows; it cannot be told from the residual: leave it out or keep the "
                "repeated rows"
            )
    names = [(term.name, effect) for term in terms for effect in term.effects]
    doubled = {f"{effect} | {name}" for name, effect in names if names.count((name, effect)) > 1}
    if doubled:
        raise ModelError(f"random effect declared twice: {', '.join(sorted(doubled))}")
    for one, other in itertools.combinations(terms, 2):
        together = len(np.unique(np.stack([one.codes, other.codes]), axis=1).T)
        same_rows = together == len(one.levels) == len(other.levels)
        if same_rows and set(one.effects) & set(other.effects):
            raise ModelError(
                f"random terms '{one.name}' and '{other.name}' group the rows in the same way; "
                "keep one of them"
            )


@dataclass(frozen=True)
class _KenwardRoger:
    """What the adjusted tests need, in whitened coordinates and units of the residual variance."""

    P: np.ndarray
    weights: np.ndarray
    covariance: np.ndarray


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted mixed model; tables come back as tidy DataFrames.

    `optimiser_agreement` is the distance in log likelihood between the best two of independent
    starts (None for a single start). Tables of tests share their columns: estimate, se, df,
    ci_low, ci_high, t, p, method, note. A number that cannot be estimated is missing and `note`
    says why.
    """

    formula: str
    random: tuple[str, ...]
    reml: bool
    optimiser_agreement: float | None
    converged: bool
    table: pd.DataFrame = field(repr=False)
    _design: Design = field(repr=False)
    _response: Response = field(repr=False)
    _profile: Profile = field(repr=False)
    _spec: formulaic.ModelSpec = field(repr=False)
    _grids: dict = field(default_factory=dict, repr=False)

    # ------------------------------------------------ facts of the fit

    @property
    def n_rows(self) -> int:
        """Number of rows fitted."""
        return self._design.n

    @property
    def n_levels(self) -> dict[str, int]:
        """Number of levels of each random term."""
        return {term.name: len(term.levels) for term in self._design.terms}

    @property
    def _error_df(self) -> int:
        return self._design.error_df(reml=self.reml)

    @property
    def sigma(self) -> float:
        """Residual standard deviation, in the outcome's unit."""
        return self._response.scale * float(np.sqrt(self._profile.at.residual_sum / self._error_df))

    @property
    def deviance(self) -> float:
        """-2 log likelihood (the restricted one under REML), constants included."""
        nd = self._error_df
        value = self._profile.at.deviance + nd * (1 + np.log(2 * np.pi / nd))
        value += 2 * nd * np.log(self._response.scale)
        if self.reml:
            value += 2 * np.log(np.abs(np.diag(self._design.R))).sum()
        return float(value)

    @property
    def log_likelihood(self) -> float:
        """Log likelihood, restricted under REML; comparable with lme4's and nlme's."""
        return -self.deviance / 2

    @property
    def theta(self) -> np.ndarray:
        """Relative covariance factors, one lower triangle after the other (columns first)."""
        return self._profile.at.theta

    @property
    def singular(self) -> bool:
        """Whether some variance, or some direction of a covariance matrix, is zero."""
        return bool((self.theta[self._design.on_diagonal] < SINGULAR_TOLERANCE).any())

    @property
    def aliased(self) -> list[str]:
        """Coefficients left out because the columns before them already determine them."""
        return [
            n for n, kept in zip(self._design.names, self._design.keep, strict=True) if not kept
        ]

    @property
    def notes(self) -> list[str]:
        """What a reader must know about this fit, as sentences."""
        notes = []
        if self.aliased:
            notes.append(f"not estimable and left out: {', '.join(self.aliased)}")
        if self.singular:
            parts = self.variance_components()
            zero = parts.loc[parts["singular"], "term"].drop_duplicates()
            notes.append(f"variance estimated as zero: {', '.join(zero)}")
        if not self.converged:
            notes.append("the optimiser did not converge")
        if (self.optimiser_agreement or 0.0) > AGREEMENT_TOLERANCE:
            notes.append(
                f"two starts ended {self.optimiser_agreement:.2g} apart in log likelihood; "
                "the better one is reported"
            )
        return notes

    # ------------------------------------------------ coefficients, contrasts, tests

    @cached_property
    def _to_whitened(self) -> np.ndarray:
        """Right factor that takes weights of the kept coefficients to whitened coordinates."""
        return linalg.solve_triangular(self._design.R, self._profile.at.whitener)

    @cached_property
    def _beta(self) -> np.ndarray:
        kept = np.linalg.solve(
            self._design.R, self._response.start + self._response.scale * self._profile.at.beta
        )
        beta = np.zeros(len(self._design.names))
        beta[self._design.keep] = kept
        return beta

    @cached_property
    def _satterthwaite_covariance(self) -> np.ndarray:
        """Asymptotic covariance of (theta, log sigma^2) from the observed information.

        Only directions with positive information count, which leaves variances at the boundary
        out, as lmerTest does (Kuznetsova, Brockhoff and Christensen 2017, J Stat Softw 82(13)).
        """
        profile, nd = self._profile, self._error_df
        # the profiled hessian has the residual variance taken out: put it back
        scaled = profile.quadratic @ profile.jacobian * nd / profile.at.residual_sum
        full = np.empty((len(self.theta) + 1,) * 2)
        full[:-1, :-1] = profile.hessian + np.outer(scaled, scaled) / nd
        full[:-1, -1] = full[-1, :-1] = scaled
        full[-1, -1] = nd
        values, vectors = np.linalg.eigh(full)
        positive = values > 1e-9 * values.max()
        vectors = vectors[:, positive]
        return 2 * (vectors / values[positive]) @ vectors.T

    @cached_property
    def _kenward_roger(self) -> _KenwardRoger:
        """Adjusted covariance and its ingredients (Kenward and Roger 1997, Biometrics 53:983).

        Products with the residual come from V = sum ratio_i G_i + I: what the other parts leave.
        """
        if not self.reml:
            raise ModelError("Kenward-Roger tests need a REML fit: use reml=True")
        profile, p = self._profile, self._design.p
        ratios = self._design.ratios(self.theta)
        r = len(ratios)
        P = np.concatenate([profile.P, (np.eye(p) - np.tensordot(ratios, profile.P, 1))[None]])
        Q = np.empty((r + 1, r + 1, p, p))
        for i in range(r):
            Q[i, :r] = profile.ED[i].T @ profile.CED
        Q[:r, r] = P[:r] - np.einsum("j,ijab->iab", ratios, Q[:r, :r])
        Q[r, :r] = Q[:r, r].transpose(0, 2, 1)
        Q[r, r] = P[r] - np.tensordot(ratios, Q[:r, r], 1)
        T = np.empty((r + 1, r + 1))
        T[:r, :r] = profile.products
        T[:r, r] = T[r, :r] = profile.traces - profile.products @ ratios
        T[r, r] = self.n_rows - ratios @ profile.traces - ratios @ T[:r, r]
        flat = P.reshape(r + 1, -1)
        expected = 0.5 * (T - 2 * np.trace(Q, axis1=2, axis2=3) + flat @ flat.T)
        size = np.sqrt(np.abs(np.diag(expected)))
        if not np.isfinite(expected).all() or not size.all():
            raise ModelError(NO_RESIDUAL)
        weights = np.linalg.pinv(expected / np.outer(size, size), rcond=1e-10, hermitian=True)
        weights = weights / np.outer(size, size)
        PP = np.einsum("iab,jbc->ijac", P, P)
        covariance = np.eye(p) + 2 * np.einsum("ij,ijab->ab", weights, Q - PP)
        return _KenwardRoger(P, weights, (covariance + covariance.T) / 2)

    def _single(self, L: np.ndarray, method: Method) -> tuple[np.ndarray, np.ndarray]:
        """Standard error and df of each row of L (whitened coordinates)."""
        length = np.sum(L**2, axis=1)
        variance = length * self.sigma**2
        if method == "satterthwaite":
            relative = np.einsum("ka,iab,kb->ki", L, self._profile.P, L) / length[:, None]
            g = np.column_stack([relative @ self._profile.jacobian, np.ones(len(L))])
            A = self._satterthwaite_covariance
        else:
            parts = self._kenward_roger
            g = np.einsum("ka,iab,kb->ki", L, parts.P, L) / length[:, None]
            A = parts.weights
            variance = np.einsum("ka,ab,kb->k", L, parts.covariance, L) * self.sigma**2
        with np.errstate(invalid="ignore"):  # an adjusted variance can turn negative: see `_rows`
            return np.sqrt(variance), 2 / np.einsum("ki,ij,kj->k", g, A, g)

    def _rows(
        self, weights: np.ndarray, method: Method, level: float, *, reduced: bool = False
    ) -> pd.DataFrame:
        """Test each row of weights on the full list of coefficients, if it is estimable.

        `reduced` takes the model without aliased columns at its word, where all is estimable.
        """
        method = _known_method(method)
        weights = np.atleast_2d(np.asarray(weights, dtype=float))
        estimable = self._estimable(weights) | reduced
        zero = ~weights.any(axis=1)
        good = estimable & ~zero
        L = weights[good][:, self._design.keep] @ self._to_whitened
        columns = ["estimate", "se", "df", "ci_low", "ci_high", "t", "p"]
        numbers = np.full((len(weights), len(columns)), np.nan)
        if good.any():
            se, df = self._single(L, method)
            estimate = weights[good] @ self._beta
            t = estimate / se
            half = special.stdtrit(df, 0.5 + level / 2) * se
            p = 2 * special.stdtr(df, -np.abs(t))
            numbers[good] = np.column_stack(
                [estimate, se, df, estimate - half, estimate + half, t, p]
            )
        out = pd.DataFrame(numbers, columns=columns)
        out["method"] = method
        out["note"] = np.select(
            [zero, ~estimable, ~np.isfinite(numbers).all(axis=1)],
            ["the weights are all zero", NOT_ESTIMABLE, "the adjusted variance is not positive"],
            default="",
        )
        return out

    def _estimable(self, weights: np.ndarray) -> np.ndarray:
        """Whether each row is a combination of the rows of the fixed design."""
        null = self._design.null_space
        if null.shape[1] == 0:
            return np.ones(len(weights), dtype=bool)
        size = np.linalg.norm(weights, axis=1) * np.linalg.norm(null, axis=0).max()
        return np.abs(weights @ null).max(axis=1) <= 1e-8 * np.maximum(size, 1e-300)

    def coefficients(
        self, *, method: Method = "kenward-roger", level: float = 0.95
    ) -> pd.DataFrame:
        """Fixed coefficients with their tests; aliased ones are left out, see `aliased`.

        With aliased coefficients the others are those of the model without them, and `note` marks
        the ones whose meaning depends on that.
        """
        weights = np.eye(len(self.names))[self._design.keep]
        out = self._rows(weights, method, level, reduced=True)
        out["note"] = np.where(self._estimable(weights), "", "given that aliased ones are zero")
        out.insert(0, "term", np.array(self.names, dtype=object)[self._design.keep])
        return out

    def covariance(self, *, method: Method = "kenward-roger") -> pd.DataFrame:
        """Covariance matrix of the kept coefficients, adjusted under Kenward-Roger."""
        names = [n for n, k in zip(self._design.names, self._design.keep, strict=True) if k]
        back = self._to_whitened
        middle = np.eye(self._design.p)
        if _known_method(method) == "kenward-roger":
            middle = self._kenward_roger.covariance
        return pd.DataFrame(
            self.sigma**2 * back @ middle @ back.T, index=names, columns=list(names)
        )

    def contrast(
        self,
        weights: np.ndarray | Mapping[str | tuple, float] | Sequence,
        *,
        method: Method = "kenward-roger",
        level: float = 0.95,
        label: str | Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Estimate and test linear combinations.

        `weights` is a vector or matrix over all coefficients (`names`), or a mapping whose keys
        are coefficient names, or cells written as tuples of levels in the order of `factors`
        (a shorter tuple averages the remaining factors with equal weights).
        """
        if isinstance(weights, Mapping):
            weights = self._from_mapping(weights)
        matrix = np.atleast_2d(np.asarray(weights, dtype=float))
        if matrix.shape[1] != len(self._design.names):
            raise ModelError(
                f"a contrast needs {len(self._design.names)} weights, one per coefficient "
                f"({', '.join(self._design.names)}); {matrix.shape[1]} were given"
            )
        out = self._rows(matrix, method, level)
        if label is None:
            labels = [f"contrast {i + 1}" for i in range(len(matrix))]
        else:
            labels = [label] if isinstance(label, str) else list(label)
        out.insert(0, "contrast", labels)
        return out

    def _from_mapping(self, weights: Mapping[str | tuple, float]) -> np.ndarray:
        vector = np.zeros(len(self._design.names))
        for key, weight in weights.items():
            if isinstance(key, tuple):
                if len(key) > len(self.factors):
                    raise ModelError(f"cell {key}: the model's factors are {list(self.factors)}")
                vector += weight * self.cell(**dict(zip(self.factors, key, strict=False)))
            elif key in self._design.names:
                vector[self._design.names.index(key)] += weight
            else:
                raise ModelError(
                    f"no coefficient '{key}'; there are {', '.join(self._design.names)}"
                )
        return vector

    # ------------------------------------------------ cells of the design

    @property
    def names(self) -> list[str]:
        """Names of all fixed coefficients, aliased ones included."""
        return list(self._design.names)

    @cached_property
    def factors(self) -> dict[str, list]:
        """Categorical variables of the fixed part and their levels, in the formula's order."""
        levels: dict[str, list] = {}
        for expression, (kind, state) in self._spec.encoder_state.items():
            if kind.value == "categorical":
                used = self._variables_of(expression)
                if len(used) == 1:
                    levels.setdefault(used[0], list(state["categories"]))
        return levels

    def _variables_of(self, expression: str) -> list[str]:
        for factor, variables in self._spec.factor_variables.items():
            if str(factor) == expression:
                return [str(v) for v in variables if str(v) in self.table.columns]
        return []

    @cached_property
    def covariates(self) -> dict[str, float]:
        """Numeric variables of the fixed part and their means over the rows."""
        names = [n for n in self.table.columns if n in self._spec.required_variables]
        return {n: float(self.table[n].mean()) for n in names if n not in self.factors}

    def _grid(self, covariates: Mapping[str, float]) -> tuple[pd.DataFrame, np.ndarray]:
        """All combinations of factor levels with the design row of each."""
        key = tuple(sorted(covariates.items()))
        if key not in self._grids:
            size = int(np.prod([len(levels) for levels in self.factors.values()], dtype=float))
            if size > LARGEST_GRID:
                raise ModelError(f"the factors have {size} cells, too many to average over")
            cells = pd.DataFrame(
                list(itertools.product(*self.factors.values())), columns=list(self.factors)
            )
            if not self.factors:
                cells = pd.DataFrame(index=[0])
            typed = cells.copy()
            for name in self.factors:
                typed[name] = typed[name].astype(self.table[name].dtype)
            for name, value in {**self.covariates, **covariates}.items():
                typed[name] = value
            rows = self._spec.get_model_matrix(typed).to_numpy(dtype=float)
            self._grids[key] = cells, rows
        return self._grids[key]

    def cell(self, **levels: object) -> np.ndarray:
        """Weights over the coefficients of the mean of a cell.

        Factors that are not named are averaged with equal weights over all their levels, whatever
        the numbers of rows; covariates that are not named stand at their mean.
        """
        covariates = {}
        chosen = {}
        for name, value in levels.items():
            if name in self.factors:
                if value not in self.factors[name]:
                    known = ", ".join(map(str, self.factors[name]))
                    raise ModelError(f"'{name}' has no level {value!r}; its levels are {known}")
                chosen[name] = value
            elif name in self.covariates:
                covariates[name] = float(value)
            else:
                known = ", ".join([*self.factors, *self.covariates])
                raise ModelError(f"no variable '{name}' in the fixed part; it has {known}")
        cells, rows = self._grid(covariates)
        match = np.ones(len(cells), dtype=bool)
        for name, value in chosen.items():
            match &= (cells[name] == value).to_numpy()
        return rows[match].mean(axis=0)

    def _require_factor(self, factor: str) -> list:
        if factor not in self.factors:
            raise ModelError(f"'{factor}' is not a factor of this model: {list(self.factors)}")
        return self.factors[factor]

    def _settings(self, over: str | None, at: Mapping | None) -> list[dict]:
        fixed = dict(at or {})
        if over is None:
            return [fixed]
        return [{**fixed, over: level} for level in self._require_factor(over)]

    def marginal_means(
        self,
        factor: str,
        *,
        over: str | None = None,
        at: Mapping | None = None,
        method: Method = "kenward-roger",
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Mean at each level of a factor (at each level of `over`).

        Cells of the other factors count equally, however many rows they have; covariates stand at
        their mean unless `at` says otherwise (Searle, Speed and Milliken 1980, Am Stat 34:216).
        """
        levels = self._require_factor(factor)
        settings = self._settings(over, at)
        weights = [self.cell(**{**s, factor: name}) for s in settings for name in levels]
        out = self._rows(np.array(weights), method, level)
        out.insert(0, factor, [name for _ in settings for name in levels])
        if over is not None:
            out.insert(1, over, [s[over] for s in settings for _ in levels])
        return out

    def contrasts(
        self,
        factor: str,
        pairs: Sequence[tuple] | None = None,
        *,
        over: str | None = None,
        at: Mapping | None = None,
        method: Method = "kenward-roger",
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Differences between levels of a factor, cells of the other factors weighing equally.

        `pairs` holds (a, b) for a - b; without it all pairs, the later level minus the earlier.
        `over` gives the differences at each level of another factor, `at` at named levels or
        covariate values. No adjustment for their number: see `comparison.multiplicity`.
        """
        pairs, settings, weights = self._differences(factor, pairs, over, at)
        out = self._rows(weights, method, level)
        out.insert(0, "contrast", [f"{a} - {b}" for _ in settings for a, b in pairs])
        if over is not None:
            out.insert(1, over, [s[over] for s in settings for _ in pairs])
        return out

    def contrast_correlations(
        self,
        factor: str,
        pairs: Sequence[tuple] | None = None,
        *,
        at: Mapping | None = None,
        method: Method = "kenward-roger",
    ) -> np.ndarray:
        """Correlations of the estimates of `contrasts`, for `multiplicity.dunnett_two`.

        Raises ModelError when one of them is not estimable.
        """
        _, _, weights = self._differences(factor, pairs, None, at)
        if not self._estimable(weights).all():
            raise ModelError(NOT_ESTIMABLE)
        kept = weights[:, self._design.keep]
        covariance = kept @ self.covariance(method=method).to_numpy() @ kept.T
        sd = np.sqrt(np.diag(covariance))
        return covariance / np.outer(sd, sd)

    def _differences(
        self, factor: str, pairs: Sequence[tuple] | None, over: str | None, at: Mapping | None
    ) -> tuple[list[tuple], list[dict], np.ndarray]:
        levels = self._require_factor(factor)
        if pairs is None:
            pairs = [(later, first) for first, later in itertools.combinations(levels, 2)]
        settings = self._settings(over, at)
        weights = [
            self.cell(**{**s, factor: a}) - self.cell(**{**s, factor: b})
            for s in settings
            for a, b in pairs
        ]
        return list(pairs), settings, np.array(weights)

    # ------------------------------------------------ tests with several degrees of freedom

    @property
    def terms(self) -> list[str]:
        """Terms of the fixed part, without the intercept."""
        return [str(t) for t in self._spec.terms if str(t) != "1"]

    def _term_weights(self, term: str) -> np.ndarray:
        """Differences that are zero under the hypothesis that a term does nothing (type III)."""
        asked = set(term.replace(" ", "").split(":"))
        found = [
            t for t in self._spec.terms if {str(f).replace(" ", "") for f in t.factors} == asked
        ]
        if not found:
            raise ModelError(f"no term '{term}' in the fixed part; it has {', '.join(self.terms)}")
        variables = [self._variables_of(str(factor)) for factor in found[0].factors]
        # a covariate inside a function, as in x + I(x**2), has no step that is its term alone
        inside = {
            name
            for factor, used in self._spec.factor_variables.items()
            for name in map(str, used)
            if name in self.covariates and str(factor) != name
        }
        if any(len(names) != 1 or names[0] in inside for names in variables):
            return np.eye(len(self.names))[self._spec.term_slices[found[0]]]
        choices = []
        for (name,) in variables:
            if name in self.factors:
                first, *others = self.factors[name]
                choices.append([[(name, one, 1), (name, first, -1)] for one in others])
            else:
                mean = self.covariates[name]
                choices.append([[(name, mean + 1, 1), (name, mean, -1)]])
        rows = []
        for differences in itertools.product(*choices):
            row = np.zeros(len(self.names))
            for corner in itertools.product(*differences):
                sign = int(np.prod([s for _, _, s in corner]))
                row += sign * self.cell(**{name: value for name, value, _ in corner})
            rows.append(row)
        return np.array(rows)

    def joint_test(
        self, term: str | np.ndarray, *, method: Method = "kenward-roger"
    ) -> pd.DataFrame:
        """F test that all effects of a term, or all rows of a weight matrix, are zero.

        A term is tested on equally weighted cell means at the mean of the covariates (type III),
        whatever the coding. Combinations that empty cells leave without an estimate are taken out
        and counted in `note`. Degrees of freedom by Kenward and Roger 1997, or by Fai and
        Cornelius 1996 with the principal axes of the weights (for a term: differences from its
        first level).
        """
        method = _known_method(method)
        name = term if isinstance(term, str) else "joint"
        weights = self._term_weights(term) if isinstance(term, str) else np.atleast_2d(term)
        asked = int(np.linalg.matrix_rank(weights))
        null = self._design.null_space
        if null.shape[1]:
            free = linalg.null_space((weights @ null).T, rcond=1e-9)
            weights = free.T @ weights
        L = weights[:, self._design.keep] @ self._to_whitened
        estimate = weights @ self._beta
        result = {"term": name, "F": np.nan, "df_num": 0, "df_den": np.nan, "p": np.nan}
        left, size, right = np.linalg.svd(L, full_matrices=False)
        q = int((size > 1e-9 * size.max(initial=0.0)).sum()) if size.size else 0
        note = ""
        if q:
            z = (left[:, :q].T @ estimate) / size[:q]
            directions = right[:q]
            solve = self._kr_f if method == "kenward-roger" else self._satterthwaite_f
            F, df = solve(directions, z)
            result |= {"F": F, "df_num": q, "df_den": df, "p": float(special.fdtrc(q, df, F))}
        if q < asked:
            note = f"{asked - q} of {asked} comparisons {NOT_ESTIMABLE}"
        return pd.DataFrame([result | {"method": method, "note": note}])

    def anova(self, *, method: Method = "kenward-roger") -> pd.DataFrame:
        """`joint_test` of every term."""
        return pd.concat([self.joint_test(t, method=method) for t in self.terms], ignore_index=True)

    def _kr_f(self, U: np.ndarray, z: np.ndarray) -> tuple[float, float]:
        """Scaled F and denominator df for orthonormal directions U with estimates z."""
        parts, q = self._kenward_roger, len(U)
        inner = np.einsum("ka,iab,lb->ikl", U, parts.P, U)
        traces = np.trace(inner, axis1=1, axis2=2)
        flat = inner.reshape(len(inner), -1)
        A1 = float(traces @ parts.weights @ traces)
        A2 = float(np.sum(parts.weights * (flat @ flat.T)))
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
        F = z @ np.linalg.solve(U @ parts.covariance @ U.T, z) / (q * self.sigma**2)
        return float(scale * F), float(df)

    def _satterthwaite_f(self, U: np.ndarray, z: np.ndarray) -> tuple[float, float]:
        """F and denominator df for orthonormal directions U with estimates z."""
        q = len(U)
        F = float(z @ z) / (q * self.sigma**2)
        _, df = self._single(U, "satterthwaite")
        if q == 1 or np.ptp(df) < 1e-8:
            return F, float(df.mean())
        above = df[df > 2]
        total = float(np.sum(above / (above - 2)))
        return F, 2 * total / (total - q) if total > q else 2.0

    # ------------------------------------------------ the random part, as estimated

    def variance_components(self, *, level: float = 0.95) -> pd.DataFrame:
        """Variances, covariances and the residual.

        Columns: term, effect, effect_2 (covariances only), variance (or covariance), sd (or
        correlation), singular, and for standard deviations a Wald interval on the log scale from
        the observed information (convention; Pinheiro and Bates 2000, section 2.4.3), sd_low and
        sd_high. A variance at zero has no such interval: `note` says so.
        """
        quantile = special.ndtri(0.5 + level / 2)
        errors, rows = self._log_sd_errors(), []
        for i, term in enumerate(self._design.terms):
            factor = self._design.factor(self.theta, i)
            S = self.sigma**2 * factor @ factor.T
            sds = np.sqrt(np.diag(S))
            singular = bool(np.diag(factor).min() < SINGULAR_TOLERANCE)
            for row, column in term.lower_triangle:
                entry = {
                    "term": term.name,
                    "effect": term.effects[column],
                    "effect_2": "" if row == column else term.effects[row],
                    "variance": S[row, column],
                    "singular": singular,
                }
                if row == column:
                    error = errors[self._design.parameters.index((i, row, column))]
                    entry |= _sd_interval(sds[row], quantile * error)
                elif sds[row] > 0 and sds[column] > 0:
                    entry |= {"sd": S[row, column] / (sds[row] * sds[column]), "note": ""}
                else:
                    entry["note"] = "no correlation: a variance is zero"
                rows.append(entry)
        residual = {"term": "residual", "effect": "", "effect_2": "", "singular": False}
        residual |= {"variance": self.sigma**2} | _sd_interval(self.sigma, quantile * errors[-1])
        columns = ["term", "effect", "effect_2", "variance", "sd", "singular"]
        return pd.DataFrame([*rows, residual], columns=[*columns, "sd_low", "sd_high", "note"])

    def _log_sd_errors(self) -> np.ndarray:
        """Standard errors of the logs of the standard deviations, residual last.

        Infinite for a variance at zero; entries of covariances are not used.
        """
        ratios, A = self._design.ratios(self.theta), self._satterthwaite_covariance
        errors = np.full(len(ratios) + 1, np.inf)
        for i in np.flatnonzero(self._design.on_diagonal & (ratios > SINGULAR_TOLERANCE**2)):
            slope = 0.5 * np.append(self._profile.jacobian[i] / ratios[i], 1.0)
            errors[i] = np.sqrt(slope @ A @ slope)
        errors[-1] = 0.5 * np.sqrt(A[-1, -1])
        return errors

    @cached_property
    def _blups(self) -> np.ndarray:
        rest = self._response.Zy - self._design.ZQ @ self._profile.at.beta
        return self._response.scale * (self._profile.at.K @ rest[..., None])[..., 0]

    def random_effects(self) -> pd.DataFrame:
        """Predicted random effects (BLUPs; Henderson 1975, Biometrics 31:423), one row each."""
        design, parts = self._design, []
        for i, term in enumerate(design.terms):
            for effect, slot in zip(term.effects, design.slots[i], strict=True):
                values = self._blups[design.level_block[i], slot.start + design.level_rank[i]]
                parts.append(
                    pd.DataFrame(
                        {"term": term.name, "level": term.levels, "effect": effect, "value": values}
                    )
                )
        return pd.concat(parts, ignore_index=True)

    @property
    def fitted(self) -> pd.Series:
        """Fitted values, random effects included, on the table's index."""
        design = self._design
        random = (design.Z @ self._blups[..., None])[..., 0][design.block, design.place]
        return pd.Series(design.X @ self._beta + random, index=self.table.index, name="fitted")

    @property
    def residuals(self) -> pd.Series:
        """Conditional residuals: outcome minus fitted, on the table's index."""
        return (self._response.y - self.fitted).rename("residual")

    # ------------------------------------------------ the same design, another outcome

    def refit(self, y: np.ndarray, *, starts: Sequence[float] = TWO_STARTS) -> Fit:
        """Fit another outcome on the same rows; the design's algebra is shared."""
        y = np.asarray(y, dtype=float)
        if y.shape != (self.n_rows,) or not np.isfinite(y).all():
            raise ModelError(f"refit needs {self.n_rows} finite values, one per row of the table")
        response = self._design.response(y)
        profile, converged, agreement = optimise(
            self._design, response, reml=self.reml, starts=starts
        )
        return replace(
            self,
            optimiser_agreement=agreement,
            converged=converged,
            _response=response,
            _profile=profile,
        )


def _sd_interval(sd: float, half_width: float) -> dict[str, object]:
    if not np.isfinite(half_width):
        return {"sd": sd, "note": "estimated at or near zero: no Wald interval"}
    if half_width > WIDEST_LOG_INTERVAL:
        return {"sd": sd, "note": "not limited by these values: no Wald interval"}
    low, high = sd * np.exp(-half_width), sd * np.exp(half_width)
    return {"sd": sd, "sd_low": low, "sd_high": high, "note": ""}


def _known_method(method: str) -> str:
    if method not in ("kenward-roger", "satterthwaite"):
        raise ModelError(f"method '{method}' is not one of kenward-roger, satterthwaite")
    return method


def fit(
    table: pd.DataFrame,
    fixed: str,
    random: Sequence[str],
    *,
    reml: bool = True,
    starts: Sequence[float] = TWO_STARTS,
) -> Fit:
    """Fit a linear mixed model to the rows of a table.

    `fixed` is a formula such as "y ~ condition * exercise + period"; `random` lists terms such as
    "1 | participant", "1 | participant:condition", "0 + condition | participant" (unstructured
    covariance) or "days | subject" (intercept and slope). Text and categorical columns are
    factors. `starts` are the relative standard deviations from which the optimiser sets out; two
    independent ones show whether the optimum is the same. Raises ModelError for missing columns
    or values, too few rows or levels, and outcomes without variation.
    """
    random = (random,) if isinstance(random, str) else tuple(random)
    formula = _read_formula(fixed)
    grouping = [v for text in random for _, group in split_random(text) for v in group]
    slopes = [str(v) for t in random for e, _ in split_random(t) for v in _slope_variables(e)]
    used = [*map(str, formula.required_variables), *slopes, *grouping]
    _check_columns(table, used)
    matrices = _model_matrix(formula, table)
    outcome = matrices.lhs.to_numpy(dtype=float)
    kinds = {kind.value for kind, _ in matrices.lhs.model_spec.encoder_state.values()}
    if outcome.shape[1] != 1 or kinds != {"numerical"}:
        raise ModelError(f"formula '{fixed}': the outcome must be one numeric column")
    terms = _random_terms(table, random)
    _check_random(terms, len(table))
    X = matrices.rhs.to_numpy(dtype=float)
    bad = ~np.isfinite(np.column_stack([outcome, X])).all(axis=1)
    if bad.any():
        raise ModelError(
            f"formula '{fixed}': {int(bad.sum())} rows become missing or infinite when the "
            "formula is worked out, as the log of zero does"
        )
    design = Design(X, matrices.rhs.columns, terms)
    response = design.response(outcome[:, 0])
    profile, converged, agreement = optimise(design, response, reml=reml, starts=starts)
    return Fit(
        formula=fixed,
        random=random,
        reml=reml,
        optimiser_agreement=agreement,
        converged=converged,
        table=table[sorted(set(used))].copy(),
        _design=design,
        _response=response,
        _profile=profile,
        _spec=matrices.rhs.model_spec,
    )


def _slope_variables(effects: str) -> set:
    if effects == "1":
        return set()
    try:
        return formulaic.Formula(effects).required_variables
    except FormulaicError as error:
        raise ModelError(f"random effects '{effects}': {_plain(error)}") from error
