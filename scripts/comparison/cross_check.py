"""The same model fitted by another library, and how far the two agree.

statsmodels is used for estimates only: its tests know no small-sample degrees of freedom, and no
one of its optimisers is safe everywhere, so that the best of several is taken.
"""

from __future__ import annotations

import warnings

import numpy as np

from comparison.conditions import Comparison

OPTIMISERS = ("powell", "lbfgs", "bfgs")

METHOD = f"statsmodels MixedLM, best of {', '.join(OPTIMISERS)}"

# agreement below this is arithmetic and no finding
DIGITS = 6


def second_fit(comparison: Comparison) -> list[dict]:
    """Rows for models.tsv: our log likelihood minus the other, and the largest change of a contrast
    in standard errors, both rounded to six decimals. Empty without a model."""
    fit = comparison.fit
    if fit is None:
        return []
    import formulaic
    from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

    cells = comparison.cells
    kept = np.array([name not in fit.aliased for name in fit.names])
    X = formulaic.Formula(comparison.fixed).get_model_matrix(cells).to_numpy(float)[:, kept]
    groups = cells["participant"].to_numpy()
    model = MixedLM(
        cells["y"].to_numpy(),
        X,
        groups,
        exog_re=np.ones((len(cells), 1)),
        exog_vc=_variance_parts(VCSpec, cells, groups) if comparison.by_exercise else None,
    )
    best, failed = None, []
    for optimiser in OPTIMISERS:
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                found = model.fit(reml=True, method=[optimiser])
        except (np.linalg.LinAlgError, ValueError):
            failed.append(optimiser)
            continue
        if np.isfinite(found.llf) and (best is None or found.llf > best.llf):
            best = found
    if best is None:
        return [{"term": "second fit", "method": METHOD, "note": "no optimiser found a fit"}]
    weights = np.array([comparison.weights(pair, "all")[kept] for pair in comparison.pairs])
    ours = comparison.pooled(confidence=0.95)
    shifts = [
        abs(float(row @ best.fe_params) - ours[pair, "all"]["estimate"]) / ours[pair, "all"]["se"]
        for pair, row in zip(comparison.pairs, weights, strict=True)
        if (pair, "all") in ours
    ]
    note = f"failed: {', '.join(failed)}" if failed else ""
    facts = {
        "second fit: our log likelihood minus the other": fit.log_likelihood - best.llf,
        "second fit: largest change of a contrast, in standard errors": max(shifts, default=np.nan),
    }
    return [
        {"term": term, "estimate": round(float(v), DIGITS), "method": METHOD, "note": note}
        for term, v in facts.items()
    ]


def _variance_parts(VCSpec, cells, groups):
    """Indicator matrices of participant:condition and participant:exercise, person by person."""
    matrices, columns = [], []
    for name in ("condition", "exercise"):
        own_matrices, own_columns = [], []
        for person in np.unique(groups):
            levels = cells.loc[groups == person, name].astype(str).to_numpy()
            names = sorted(set(levels))
            own_matrices.append((levels[:, None] == np.array(names)).astype(float))
            own_columns.append([f"{name} {level}" for level in names])
        matrices.append(own_matrices)
        columns.append(own_columns)
    return VCSpec(["condition", "exercise"], columns, matrices)
