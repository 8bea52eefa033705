"""A row for meta-analysis of every contrast, with effect sizes named by what they are divided by.

Everything comes from the participants' own values, over the exercises done in both conditions and
without the visit: what a reader needs to take the study into a meta-analysis.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from comparison.conditions import Comparison
from comparison.contrasts import differences_of
from comparison.effect_sizes import effect_sizes
from comparison.individual_responses import Spread
from comparison.paired import paired_t
from results.columns import columns_of


def effect_size_table(
    comparison: Comparison,
    spreads: Mapping[tuple[str, str], Spread],
    *,
    by_exercise: bool,
) -> pd.DataFrame:
    """Effect sizes of every contrast over the exercises, `by_exercise` within each as well.

    `spreads` are the spreads of true responses by contrast. Columns as in effect_sizes.tsv, all on
    the scale of the analysis.
    """
    contrasts = []
    for exercise in comparison.levels if by_exercise else ["all"]:
        for pair in comparison.pairs:
            row = effect_size_row(*comparison.pairs_of_values(pair, exercise))
            row |= {"exercise": exercise, "contrast": f"{pair[0]} - {pair[1]}"}
            if exercise == "all" and pair in spreads:
                row |= response_columns(spreads[pair], row["note"])
            contrasts.append(row)
    table = pd.DataFrame(contrasts).assign(**comparison.labels)
    return table.reindex(columns=columns_of("effect_sizes"))


def effect_size_row(condition: np.ndarray, reference: np.ndarray) -> dict:
    """Numbers of one contrast from a value of each person in both conditions."""
    n = len(condition)
    row = {"n_pairs": n, "note": ""}
    if not n:
        return row | {"note": "nobody has values in both"}
    row |= {"condition_mean": condition.mean(), "reference_mean": reference.mean()}
    differences = differences_of(condition, reference)
    row |= {"difference": float(differences.mean())}
    if n < 3:
        return row | {"note": "fewer than 3 pairs: no spread and no effect size"}
    row |= {"condition_sd": condition.std(ddof=1), "reference_sd": reference.std(ddof=1)}
    test = paired_t(differences)
    row |= {"sd_of_differences": test.sd}
    if test.p is not None:
        row |= {"difference_low": test.ci_low, "difference_high": test.ci_high}
    try:
        return row | effect_sizes(condition, reference)
    except ValueError as reason:
        return row | {"note": str(reason)}


def response_columns(spread: Spread, note: str) -> dict:
    """The spread of true responses as columns of effect_sizes.tsv."""
    return {
        "individual_sd": spread.sd,
        "individual_sd_low": spread.low,
        "individual_sd_high": spread.high,
        "bout_sd": spread.bout_sd,
        "note": "; ".join(dict.fromkeys(filter(None, [note, spread.note]))),
    }
