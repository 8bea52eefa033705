"""What a study of a given size can detect, from the errors of this one.

The error of a contrast comes from the people, so that with other people of the same kind it changes
with the root of their number. Power of one contrast follows from the noncentral t, that of a
planned claim from simulated studies (`comparison.claim_power`).
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pandas as pd
import scipy

from comparison.claim_power import (
    Design,
    Variation,
    all_orders,
    detectable,
    needed_effects,
    people_by_order,
    power_for,
)
from comparison.conditions import Comparison
from comparison.contrasts import as_ratio
from comparison.planned_claims import Tested
from comparison.within_person import Contrast
from results.columns import columns_of
from study.settings import DIFFERS

# simulated studies for each number of participants: the Monte Carlo error of a power of .8 is .013
DRAWS = 1_000

# halvings of an interval, more than double precision can show
HALVINGS = 60


def power(noncentrality: float, df: float, *, alpha: float) -> float:
    """Power of a two-sided t test, both tails counted (noncentral t; Cohen 1988).

    `noncentrality` is the true difference over its standard error.
    """
    size = abs(noncentrality)
    critical = float(scipy.special.stdtrit(df, 1 - alpha / 2))
    upper = 1 - scipy.special.nctdtr(df, size, critical)
    # the library gives no number for a far tail that is too small to be one
    return float(upper + np.nan_to_num(scipy.special.nctdtr(df, size, -critical)))


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


def planning_table(
    comparison: Comparison,
    *,
    participants: Sequence[int],
    fewest_participants: int,
    power_wanted: float,
    alpha: float,
    smallest_effect: float | None,
) -> pd.DataFrame:
    """Detectable differences by number of participants, for each contrast.

    Columns as in planning.tsv: `detectable` is found with `power_wanted` at `alpha`, the level of
    each part of a planned claim; `detectable_adjusted` at alpha over the number of contrasts, the
    first of Shaffer's steps. The error is that of this study's own contrast. With fewer pairs than
    `fewest_participants` it is too uncertain to plan with, and none is given. On ratio scales both
    are ratios above one. It says nothing about the difference that was seen.
    """
    labels = comparison.labels | {"smallest_effect": smallest_effect}
    sizes = sorted({*participants, comparison.n_participants} - {0, 1})
    planned = []
    for pair in comparison.pairs:
        row = labels | {"contrast": f"{pair[0]} - {pair[1]}"}
        contrast, _ = comparison.within_person(pair, "all")
        if contrast is None or contrast.n_pairs < fewest_participants:
            why = f"fewer than {fewest_participants} pairs to plan from"
            if comparison.n_participants >= fewest_participants and contrast is None:
                why = "no error could be estimated"
            planned.append(row | {"note": why})
            continue
        for n in sizes:
            se, df = planned_error(contrast, n)
            if df <= 0:
                continue
            reach = _reach(
                *(se, df, comparison.scale, power_wanted, alpha),
                *(len(comparison.pairs), smallest_effect),
            )
            study = {"n_participants": n, "this_study": n == comparison.n_participants}
            note = f"error as {contrast.n_pairs} pairs gave it"
            planned.append(row | study | {"df": df, "se": se, "note": note} | reach)
    return pd.DataFrame(planned, columns=columns_of("planning"))


def claim_planning(
    comparison: Comparison,
    claim: Tested,
    *,
    participants: Sequence[int],
    fewest_participants: int,
    power_wanted: float,
    alpha: float,
    steps: int,
    smallest_effect: float | None,
    seed: int,
) -> pd.DataFrame:
    """What a planned claim can show by number of participants; columns as in planning.tsv.

    `steps` is the number of claims over which the error is kept: the adjusted columns stand at the
    first of Holm's steps. The spread of differences is that of this study's own contrasts; visits
    are complete, in balanced orders where this study has several.
    """
    labels = comparison.labels | {"claim": claim.text, "smallest_effect": smallest_effect}
    variation, why = variation_of(comparison, fewest_participants)
    if variation is None:
        return pd.DataFrame([labels | {"note": why}], columns=columns_of("planning"))
    n_conditions = len(comparison.conditions)
    condition = n_conditions - 1
    if claim.planned.condition in comparison.conditions:
        condition = comparison.conditions.index(claim.planned.condition)
    in_orders = all_orders(n_conditions) if comparison.layout.visit_in_model else ()
    simulation = {
        "condition": condition,
        "alphas": (alpha, alpha / steps),
        "every_difference": claim.planned.claim != DIFFERS,
        "fewest_pairs": fewest_participants,
        "draws": DRAWS,
        "seed": seed,
    }
    design = Design(n_conditions, in_orders)
    sizes = []
    for n in sorted({*participants, comparison.n_participants} - {0, 1}):
        needed = {
            assured: needed_effects(n, design, variation, assured=assured, **simulation)
            for assured in ((False, True) if smallest_effect is not None else (False,))
        }
        note = f"spread as {variation.df + 1:.0f} pairs gave it; complete visits" + (
            f", {people_by_order(n, in_orders)}" if in_orders else ", visit not in the model"
        )
        size = {"n_participants": n, "this_study": n == comparison.n_participants, "note": note}
        reach = _reach_of_claim(needed, comparison.scale, power_wanted, smallest_effect)
        sizes.append(labels | size | reach)
    return pd.DataFrame(sizes, columns=columns_of("planning"))


def _reach_of_claim(needed, scale, power_wanted, smallest_effect) -> dict:
    """What simulated studies of one size show; `needed` by whether their spread was drawn too."""
    reached = {}
    for suffix, at_level in zip(("", "_adjusted"), needed[False], strict=True):
        size = detectable(at_level, power_wanted)
        size = None if np.isinf(size) else size
        reached[f"detectable{suffix}"] = as_ratio(size) if scale == "ratio" else size
        if smallest_effect is not None:
            wanted = on_scale(smallest_effect, scale)
            reached[f"power_at_smallest_effect{suffix}"] = power_for(at_level, wanted)
    if smallest_effect is not None:
        reached["assurance"] = power_for(needed[True][0], wanted)
    return reached


def variation_of(comparison: Comparison, fewest_participants: int) -> tuple[Variation | None, str]:
    """How differences vary, from the errors of all contrasts; None and why where one has none."""
    n = len(comparison.conditions)
    sd, pairs = np.zeros((n, n)), []
    for pair in comparison.pairs:
        contrast, _ = comparison.within_person(pair, "all")
        if contrast is None:
            return None, "no error of a difference could be estimated"
        first, second = (comparison.conditions.index(name) for name in pair)
        sd[first, second] = sd[second, first] = contrast.se * np.sqrt(contrast.n_pairs)
        pairs.append(contrast.n_pairs)
    if min(pairs) < fewest_participants:
        return None, f"fewer than {fewest_participants} pairs to plan from"
    return Variation(sd, min(pairs) - 1.0), ""


def on_scale(smallest_effect: float, scale: str) -> float:
    """The size of an effect on the scale of the analysis."""
    return abs(np.log(smallest_effect)) if scale == "ratio" else smallest_effect


def planned_error(contrast: Contrast, participants: int) -> tuple[float, float]:
    """Standard error and df of a contrast with so many people, from those with which it was found.

    The error falls with the root of the people, its degrees of freedom grow by one with each, and
    what the visit costs stays as it was.
    """
    se = contrast.se * np.sqrt(contrast.n_pairs / participants)
    return float(se), float(contrast.df + participants - contrast.n_pairs)


def _reach(se, df, scale, power_wanted, alpha, n_contrasts, smallest_effect) -> dict:
    """What one design detects, at the plain and at the adjusted level."""
    reached = {}
    for suffix, level in (("", alpha), ("_adjusted", alpha / n_contrasts)):
        size = se * detectable_noncentrality(df, power_wanted=power_wanted, alpha=level)
        reached[f"detectable{suffix}"] = as_ratio(size) if scale == "ratio" else size
        if smallest_effect is not None:
            wanted = on_scale(smallest_effect, scale)
            reached[f"power_at_smallest_effect{suffix}"] = power(wanted / se, df, alpha=level)
    return reached
