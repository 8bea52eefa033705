"""Every outcome compared between conditions, as rows of the result tables."""

from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from comparison.conditions import SECONDARY, Comparison, rows_without_result, smallest_effect_in
from comparison.sensitivity import (
    baseline_adjusted,
    extremes,
    leave_one_out,
    tabled,
    work_matched,
    worst_case,
)
from engine.listings import header, names_in


@cache
def declared(constant):
    """SCALE, EVIDENCE or REST of every outcome, read without importing what measures it."""
    absent = {"EVIDENCE": None, "REST": None}
    return {name: (absent | header("outcomes", name))[constant] for name in names_in("outcomes")}


def rows_of(table, outcomes):
    """Rows that belong to one of the (outcome, window) pairs."""
    keys = zip(table["outcome"], table["window"], strict=True)
    return table[np.array([key in outcomes for key in keys], dtype=bool)]


def comparisons_of(table, conditions, only=None):
    """A comparison for every outcome and window with values in two conditions, or for those named.

    `table` comes from `usable`.
    """
    scales, layouts, found = declared("SCALE"), {}, {}
    for key, rows in table.groupby(["outcome", "window"], sort=True):
        if rows["condition"].nunique() > 1 and (only is None or key in only):
            found[key] = Comparison.of_rows(
                rows,
                outcome=key[0],
                window=key[1],
                scale=scales[key[0]],
                conditions=conditions,
                layouts=layouts,
            )
    return {key: own for key, own in found.items() if len(own.conditions) > 1}


def contrasts_of(comparison, primary, settings, seed):
    """Contrasts of one outcome; only those of primary outcomes are adjusted, read and claimed."""
    is_primary = (comparison.outcome, comparison.window) in primary
    sizes = settings.smallest_effect
    found = comparison.contrasts(
        error=settings.error,
        adjustment=settings.adjustment if is_primary else "none",
        confidence=settings.confidence,
        fewest_participants=settings.fewest_participants,
        largest_sd_ratio=settings.largest_sd_ratio,
        session_schedule=settings.session_schedule,
        seed=seed,
        smallest_effect=smallest_effect_in(sizes, comparison.outcome, comparison.window),
    )
    if not is_primary:
        found = found.assign(reading=SECONDARY)
    return found.assign(primary=is_primary, evidence=declared("EVIDENCE")[comparison.outcome])


def other_results(comparison, main, table, confidence, fewest_participants):
    """Rows of sensitivity.tsv of one primary outcome."""
    rest = declared("REST")[comparison.outcome]
    at_rest = (rest, comparison.window) if rest else (comparison.outcome, "baseline")
    baseline = rows_of(table, [at_rest])
    repetitions = rows_of(table, [("reps_done", "set")])
    marginal = main[main["exercise"] == "all"]
    paired = set(marginal.loc[marginal["deciding"] == "paired", "contrast"])
    rows = [
        *leave_one_out(comparison, confidence=confidence, paired=paired),
        *baseline_adjusted(comparison, baseline, confidence=confidence),
        *work_matched(comparison, repetitions, confidence=confidence),
        *worst_case(comparison, confidence=confidence),
    ]
    return tabled(
        comparison,
        rows,
        marginal,
        fewest_participants=fewest_participants,
    )


def with_extremes(found, rows):
    """Marginal contrasts with their range when one participant is left out."""
    of_contrast = extremes(rows)
    extra = [
        of_contrast.get(row.contrast, {}) if row.exercise == "all" else {}
        for row in found.itertuples()
    ]
    return found.join(pd.DataFrame(extra, index=found.index))


def without_result(found, usable_values, primary, conditions):
    """Rows that say why contrasts of primary outcomes are absent, where anything was compared."""
    tables = []
    for outcome, window in primary:
        own = rows_of(found, [(outcome, window)])
        there = set(rows_of(usable_values, [(outcome, window)])["condition"])
        pairs = [(b, a) for a, b in combinations(conditions, 2) if not {a, b} <= there]
        alike = found[found["window"] == window]
        reasons = [
            "; ".join(
                why_absent(
                    own[own["condition"] == name],
                    name,
                    done=(found["condition"] == name).any(),
                    window_there=(alike["condition"] == name).any(),
                )
                for name in pair[::-1]
                if name not in there
            )
            for pair in pairs
        ]
        if pairs:
            tables.append(
                rows_without_result(
                    outcome,
                    window,
                    scale=declared("SCALE")[outcome],
                    pairs=pairs,
                    reasons=reasons,
                ).assign(primary=True, evidence=declared("EVIDENCE")[outcome])
            )
    return tables


def why_absent(rows, condition, *, done, window_there):
    """Why an outcome has no usable value in a condition.

    `rows` are those of the outcome in the window and condition; `done` says whether anything was
    done in the condition, `window_there` whether it offers the window to other outcomes.
    """
    reasons = rows["reason"].dropna()
    if not done:
        return f"{condition} was not done"
    if rows.empty and window_there:
        return f"is not measured in this window in {condition}"
    if rows.empty:
        return f"{condition} has no such window"
    if rows["value"].notna().any():
        return f"no value above zero in {condition}, as a ratio needs"
    return f"no value in {condition}" + (f" ({reasons.mode().iloc[0]})" if len(reasons) else "")


def diagnostics_of(comparison):
    """Residuals, fitted values and random effects of a fit, with their normal quantiles.

    On the scale of the analysis. Quantiles at (rank - 3/8) / (n + 1/4) (Blom 1958, Statistical
    Estimates and Transformed Beta Variables).
    """
    if comparison.fit is None:
        return pd.DataFrame()
    labels = {"outcome": comparison.outcome, "window": comparison.window}
    residuals = comparison.cells[["participant", "condition", "exercise"]].astype(str)
    residuals = residuals.rename(columns={"participant": "participant_id"}).assign(
        part="residual",
        fitted=comparison.fit.fitted.to_numpy(),
        value=comparison.fit.residuals.to_numpy(),
    )
    effects = comparison.fit.random_effects()
    of_level = effects["level"].str.partition(":")
    for name in ("condition", "exercise"):
        effects[name] = of_level[2].where(effects["term"] == f"participant:{name}")
    effects = effects.assign(part="random effect", participant_id=of_level[0])
    both = pd.concat([residuals, effects], ignore_index=True)
    rank = both.groupby(["part", "term"], dropna=False)["value"].rank(method="first")
    size = both.groupby(["part", "term"], dropna=False)["value"].transform("size")
    return both.assign(quantile=special.ndtri((rank - 0.375) / (size + 0.25)), **labels)
