"""What a study of a given size can detect, from the variances of this one.

In complete balanced data the contrast of two conditions averaged over E exercises has the variance
2 (session + residual / E) / N and, in the mixed model, (N - 1) (C - 1) degrees of freedom, less
those of the visits; its own paired error has N - 1. Power follows from the noncentral t.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pandas as pd
from scipy import special

from comparison.conditions import Comparison
from comparison.contrasts import as_ratio, differences_of, sd_of
from comparison.design import SESSION
from results.columns import columns_of

# halvings of an interval, more than double precision can show
HALVINGS = 60


def power(noncentrality: float, df: float, *, alpha: float) -> float:
    """Power of a two-sided t test, both tails counted (noncentral t; Cohen 1988).

    `noncentrality` is the true difference over its standard error.
    """
    size = abs(noncentrality)
    critical = float(special.stdtrit(df, 1 - alpha / 2))
    upper = 1 - special.nctdtr(df, size, critical)
    # the library gives no number for a far tail that is too small to be one
    return float(upper + np.nan_to_num(special.nctdtr(df, size, -critical)))


@cache
def detectable_noncentrality(df: float, *, power_wanted: float, alpha: float) -> float:
    """True difference, in standard errors, that is found with a power (noncentral t; Cohen 1988).

    Raises ValueError unless 0 < alpha < power_wanted < 1 and df > 0.
    """
    if not 0 < alpha < power_wanted < 1 or not df > 0:
        raise ValueError("needs 0 < alpha < power_wanted < 1 and df above 0")
    low, high = 0.0, 2.0
    while power(high, df, alpha=alpha) < power_wanted:
        high *= 2
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        if power(middle, df, alpha=alpha) < power_wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def pooled_error(
    *,
    participants: int,
    conditions: int,
    exercises: int,
    visits: int,
    session_variance: float,
    residual_variance: float,
) -> tuple[float, float]:
    """Standard error and df of a marginal contrast of the mixed model in balanced data.

    Variances in the squared unit of the outcome. `visits` is the number of visits in the model, 1
    where they are not (Searle, Casella and McCulloch 1992, Variance Components, section 4.7).
    """
    variance = 2 * (session_variance + residual_variance / exercises) / participants
    df = (participants - 1) * (conditions - 1) - (visits - 1)
    return float(np.sqrt(variance)), float(df)


def planning(
    comparison: Comparison,
    *,
    participants: Sequence[int],
    fewest_participants: int,
    power_wanted: float,
    alpha: float,
    smallest_effect: float | None,
) -> pd.DataFrame:
    """Detectable differences by number of participants, for each contrast and either error.

    Columns as in planning.tsv: `detectable` is found with `power_wanted` at `alpha`,
    `detectable_adjusted` at alpha over the number of contrasts, the first step of Holm. Variances
    of fewer than `fewest_participants` are too uncertain to plan with, and none is given. On ratio
    scales both are ratios above one. A design's power, from variances as this study fitted them;
    it says nothing about the difference that was seen.
    """
    n_contrasts = len(comparison.pairs)
    labels = {
        "outcome": comparison.outcome,
        "window": comparison.window,
        "scale": comparison.scale,
        "smallest_effect": smallest_effect,
    }
    sizes = sorted({*participants, comparison.n_participants} - {0, 1})
    variances, visits = variances_of(comparison)
    rows = []
    for pair in comparison.pairs:
        sd = sd_of(differences_of(*comparison.pairs_of_values(pair, "all"))) or 0.0
        for error in ("pooled", "paired"):
            row = labels | {"contrast": f"{pair[0]} - {pair[1]}", "error": error}
            unknown = variances is None if error == "pooled" else sd == 0
            too_few = comparison.n_participants < fewest_participants
            if unknown or too_few:
                why = "no variance could be estimated"
                if too_few:
                    why = f"fewer than {fewest_participants} participants to plan from"
                rows.append(row | {"note": why})
                continue
            for n in sizes:
                if error == "pooled":
                    se, df = pooled_error(
                        participants=n,
                        conditions=len(comparison.conditions),
                        exercises=comparison.y.shape[2],
                        visits=visits,
                        session_variance=variances[0],
                        residual_variance=variances[1],
                    )
                else:
                    se, df = sd / np.sqrt(n), float(n - 1)
                if df <= 0:
                    continue
                rows.append(
                    row
                    | {
                        "n_participants": n,
                        "this_study": n == comparison.n_participants,
                        "df": df,
                        "se": se,
                        "note": f"variances as {comparison.n_participants} participants gave them",
                    }
                    | _reach(
                        se, df, comparison.scale, power_wanted, alpha, n_contrasts, smallest_effect
                    )
                )
    return pd.DataFrame(rows, columns=columns_of("planning"))


def variances_of(comparison: Comparison) -> tuple[tuple[float, float] | None, int]:
    """Session and residual variance as fitted, None without a model, and the visits modelled."""
    if comparison.fit is None:
        return None, 1
    variances = {p["term"]: p["variance"] for p in comparison.fit.variance_components()}
    visits = len(np.unique(comparison.cells["visit"].to_numpy(str))) if comparison.with_visit else 1
    return (variances.get(SESSION, 0.0), variances["residual"]), visits


def _reach(se, df, scale, power_wanted, alpha, n_contrasts, smallest_effect) -> dict:
    """What one design detects, at the plain and at the adjusted level."""
    found = {}
    for suffix, level in (("", alpha), ("_adjusted", alpha / n_contrasts)):
        size = se * detectable_noncentrality(df, power_wanted=power_wanted, alpha=level)
        found[f"detectable{suffix}"] = as_ratio(size) if scale == "ratio" else size
        if smallest_effect is not None:
            wanted = abs(np.log(smallest_effect)) if scale == "ratio" else smallest_effect
            found[f"power_at_smallest_effect{suffix}"] = power(wanted / se, df, alpha=level)
    return found
