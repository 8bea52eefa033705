"""Primary outcomes compared again without the sets whose pressure does not count."""

import pandas as pd

from comparison.alternatives import beside_main, changed_values, contrasts_again

ALTERNATIVE = "pressures_that_count"

SAYS = "without sets whose pressure does not count"

VISIT = ["participant_id", "session_id"]


def without_outside(outcomes, safety):
    """Outcomes without those of sets outside, and without what follows such a set in its visit.

    outcomes, safety : result tables of these names

    A set is outside where `pressure_counts` is no. Baselines come before any cuff and stay.
    """
    outside = safety[(safety["scope"] == "set") & (safety["pressure_counts"] == "no")]

    def among(columns):
        keys = pd.MultiIndex.from_frame(outside[columns])
        return pd.MultiIndex.from_frame(outcomes[columns]).isin(keys)

    of_set, at_rest = (outcomes["trial_type"] == kind for kind in ("set", "baseline"))
    left_out = of_set & among([*VISIT, "event_id"]) | ~of_set & ~at_rest & among(VISIT)
    return outcomes[~left_out]


def rows_without_outside(outcomes, safety, contrasts, settings):
    """Rows of alternatives.tsv without those sets; none where every pressure counts.

    outcomes : rows of the primary outcomes; contrasts : their rows of contrasts.tsv
    """
    sets = safety[(safety["scope"] == "set") & safety["verdict"].notna()]
    n_outside = int((sets["pressure_counts"] == "no").sum())
    if not n_outside:
        return pd.DataFrame()
    primary = settings.study.primary
    table = without_outside(outcomes, safety)
    compared = contrasts_again(table, primary, settings) if len(table) else pd.DataFrame()
    compared_rows = beside_main(
        compared, contrasts, changed_values(outcomes, table).fillna(0), primary
    )
    moved = [
        bool(n) for n in compared_rows.get("n_values_changed", pd.Series(dtype=float)).fillna(0)
    ]
    return compared_rows.assign(
        alternative=ALTERNATIVE,
        says=SAYS,
        differs=f"{n_outside} of {len(sets)} sets with a cuff left out, and what follows them in "
        "their visit: see verdict in safety.tsv",
        concerns=["yes" if any_moved else "no" for any_moved in moved],
    )
