"""A fitted model written down: rows of models.tsv and of diagnostics.tsv."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import scipy

from comparison.conditions import MODEL, Comparison
from comparison.mixed_model import Fit

# differences of likelihoods below this are arithmetic and no finding
LIKELIHOOD_DIGITS = 6

MEAN_COLUMNS = ("estimate", "se", "df", "ci_low", "ci_high", "note")


def model_table(comparison: Comparison) -> pd.DataFrame:
    """Coefficients, means, F tests, variance components and facts of the fit, one below the other.

    Columns as in models.tsv. F tests are of equally weighted cell means (type III), after
    Kenward and Roger 1997.
    """
    labels = {
        "outcome": comparison.outcome,
        "window": comparison.window,
        "formula": comparison.formula,
    }
    fit = comparison.fit
    if fit is None:
        note = "; ".join([*comparison.notes, *comparison.notes_of_model])
        return pd.DataFrame([labels | {"term": "fit", "note": note}])
    terms = [row | {"method": MODEL} for row in [*fit.coefficients(), *_means(comparison)]]
    for term, weights in hypotheses(fit.design.cell_means).items():
        terms.append({"term": f"F test of {term}", "method": MODEL} | _f_test(fit, weights))
    terms += [row | {"method": "REML"} for row in [*_variances(fit), *_facts(comparison)]]
    return pd.DataFrame(terms).assign(**labels)


def _means(comparison: Comparison) -> list[dict]:
    """Estimated mean of each condition, exercises weighing equally, and of each cell.

    Visits weigh equally (Searle, Speed and Milliken 1980, Am Stat 34:216). On the scale of the
    analysis.
    """
    cells = comparison.fit.design.cell_means
    names = [f"mean of {name}" for name in comparison.conditions]
    weights = [cells.mean(axis=1)]
    if comparison.by_exercise:
        pairs = product(comparison.conditions, comparison.exercises)
        names += [f"mean of {condition} in {exercise}" for condition, exercise in pairs]
        weights.append(cells.reshape(-1, cells.shape[2]))
    tests = comparison.fit.tests(np.vstack(weights))
    return [
        {"term": name} | {column: test[column] for column in MEAN_COLUMNS}
        for name, test in zip(names, tests, strict=True)
    ]


def hypotheses(cell_means: np.ndarray) -> dict[str, np.ndarray]:
    """Weights of the differences that are zero when a term does nothing.

    `cell_means` has the shape (conditions, exercises, coefficients).
    """
    between_conditions = cell_means[1:] - cell_means[:1]
    weights = {"condition": between_conditions.mean(axis=1)}
    if cell_means.shape[1] > 1:
        weights["exercise"] = (cell_means[:, 1:] - cell_means[:, :1]).mean(axis=0)
        interaction = between_conditions[:, 1:] - between_conditions[:, :1]
        weights["condition:exercise"] = interaction.reshape(-1, cell_means.shape[2])
    return weights


def _f_test(fit: Fit, weights: np.ndarray) -> dict:
    few = {"note": "too few participants for its degrees of freedom"}
    try:
        test = fit.joint_test(weights)
    except ZeroDivisionError:
        # with the fewest participants the scaling of the F has a zero below the line
        return few
    if test["df_num"] and not (test["F"] >= 0 and test["p"] >= 0):
        return few
    return test


def _variances(fit: Fit) -> list[dict]:
    # every random effect is an intercept; the residual is none
    return [
        {
            "term": f"variance of {part['term']}"
            + (" Intercept" if part["term"] in fit.design.terms else ""),
            "estimate": part["variance"],
            "ci_low": part["sd_low"] ** 2,
            "ci_high": part["sd_high"] ** 2,
            "note": "; ".join(
                filter(None, ["estimated as zero" if part["singular"] else "", part["note"]])
            ),
        }
        for part in fit.variance_components()
    ]


def _facts(comparison: Comparison) -> list[dict]:
    fit = comparison.fit
    facts = {
        "log likelihood": fit.log_likelihood,
        "optimiser agreement": round(fit.optimiser_agreement, LIKELIHOOD_DIGITS),
        "rows": float(fit.design.n_rows),
        "participants": float(comparison.n_participants),
        "singular": float(fit.singular),
    }
    return [{"term": name, "estimate": figure} for name, figure in facts.items()]


def diagnostic_table(comparison: Comparison) -> pd.DataFrame:
    """Residuals, fitted values and random effects of a fit, with their normal quantiles.

    Columns as in diagnostics.tsv, on the scale of the analysis. Quantiles at (rank - 3/8) /
    (n + 1/4) (Blom 1958, Statistical Estimates and Transformed Beta Variables).
    """
    fit = comparison.fit
    if fit is None:
        return pd.DataFrame()
    residuals = comparison.cells[["participant", "condition", "exercise"]].astype(str)
    residuals = residuals.rename(columns={"participant": "participant_id"}).assign(
        part="residual", fitted=fit.fitted, value=fit.residuals
    )
    effects = pd.DataFrame(fit.random_effects())
    of_level = effects["level"].str.partition(":")
    for name in ("condition", "exercise"):
        effects[name] = of_level[2].where(effects["term"] == f"participant:{name}")
    effects = effects.assign(part="random effect", participant_id=of_level[0])
    both = pd.concat([residuals, effects], ignore_index=True)
    of_part = both.groupby(["part", "term"], dropna=False)["value"]
    rank = of_part.rank(method="first")
    quantile = scipy.special.ndtri((rank - 0.375) / (of_part.transform("size") + 0.25))
    return both.drop(columns="level").assign(
        quantile=quantile, outcome=comparison.outcome, window=comparison.window
    )
