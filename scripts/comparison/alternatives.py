"""Primary outcomes compared again under other settings, beside the main analysis."""

import pandas as pd

from comparison.conditions import comparable_rows
from comparison.flagged_shares import shares_of, with_shares
from comparison.outcome_tables import (
    Plan,
    claims_of,
    comparisons_of,
    declared,
    outcome_contrasts,
    rest_of,
    rows_of_outcomes,
)
from comparison.planned_claims import shown_pairs
from measuring.measured_again import Change
from results.columns import columns_of
from results.tables import number, stack
from results.words import words_of
from study.settings_files import changed_settings, under_alternative

KEYS = ["participant_id", "session_id", "event_id", "window", "outcome"]

MAIN = "main analysis"

# of a contrast under an alternative
TAKEN = (
    *("estimate", "ci_low", "ci_high", "p", "p_adjusted", "claim", "n_participants", "n_pairs"),
    *("flagged_pct", "withheld_pct"),
)


def outcomes_asked(settings):
    """Outcomes and windows that an alternative measures again: the primary ones, and their value at
    rest where the plan adjusts for it."""
    primary, adjusted = settings.study.primary, settings.plan.baseline_adjusted
    at_rest = [rest_of(key) for key in primary if key[0] in adjusted and key[1] != "baseline"]
    return list(dict.fromkeys([*primary, *at_rest]))


def changes_asked(settings):
    """The `Change` of every alternative that the settings ask for, by name, in order."""
    asked = settings.try_alternatives.alternatives
    return {
        name: Change(settings, under_alternative(settings, name), asked[name].edits == "used")
        for name in sorted(asked)
        if asked[name]
    }


def alternative_rows(name, change, outcomes, remeasured, contrasts, settings):
    """Rows of alternatives.tsv of one alternative; arguments as in `rows_under`."""
    says = settings.try_alternatives.alternatives[name].says or words_of(name)
    contrasts_under = rows_under(change, outcomes, remeasured, contrasts, settings.study.primary)
    return contrasts_under.assign(alternative=name, says=says)


def main_rows(contrasts):
    """The rows of the main analysis, which stand first.

    `contrasts` has the columns of contrasts.tsv.
    """
    marginal = contrasts[contrasts["exercise"] == "all"]
    marginal = marginal.assign(alternative=MAIN, says=MAIN, main_estimate=marginal["estimate"])
    return marginal[marginal.columns.intersection(columns_of("alternatives"), sort=False)]


def rows_under(change, outcomes, remeasured, contrasts, primary):
    """The contrasts of the primary outcomes under one alternative, beside the main analysis.

    `change` is a `measuring.measured_again.Change`, `outcomes` are the rows of the primary
    outcomes, `remeasured` those that were measured again, `contrasts` as in `main_rows`.
    """
    if change.is_main:
        # the main setting is not run again
        table, compared = outcomes, contrasts[contrasts["exercise"] == "all"]
        concerns = dict.fromkeys(primary, "main setting")
    else:
        table = with_remeasured(outcomes, remeasured)
        compared = contrasts_again(table, primary, change.changed)
        concerns = {
            key: "yes" if is_concerned(*key, change, outcomes, table) else "no" for key in primary
        }
    compared_rows = beside_main(compared, contrasts, changed_values(outcomes, table), primary)
    keys = zip(compared_rows.get("outcome", []), compared_rows.get("window", []), strict=True)
    return compared_rows.assign(
        concerns=[concerns[key] for key in keys], differs=differing_settings_in_words(change)
    )


def is_concerned(outcome, window, change, before, after):
    """Whether an alternative can move the contrasts of an outcome in a window.

    It can where the comparison changed, where the outcome or a rule that judges it is made from
    what changed, and where a value or a verdict did move (outcomes `before` and `after`).
    """
    if change.settings.compare_conditions != change.changed.compare_conditions:
        return True
    if change.reaches(outcome, window) or change.remakes(outcome, window):
        return True

    def verdicts(outcomes):
        asked = rows_of_outcomes(outcomes, [(outcome, window)]).sort_values(KEYS, kind="stable")
        return asked[[*KEYS, "value", "status"]].reset_index(drop=True)

    return not verdicts(before).equals(verdicts(after))


def with_remeasured(outcomes, remeasured):
    """The outcomes, those that were measured again instead of their earlier values."""
    if remeasured.empty:
        return outcomes
    keys = ["participant_id", "outcome", "window"]
    again = pd.MultiIndex.from_frame(remeasured[keys])
    kept = outcomes[~pd.MultiIndex.from_frame(outcomes[keys]).isin(again)]
    parts = [part.dropna(axis=1, how="all") for part in (kept, remeasured) if len(part)]
    table = pd.concat(parts, ignore_index=True)
    return table.reindex(columns=outcomes.columns)


def changed_values(before, after):
    """Number of values, and of those that changed or came or went, by outcome and window."""

    def given_values(table):
        return table["value"].set_axis(pd.MultiIndex.from_frame(table[KEYS])).dropna()

    earlier, later = given_values(before).align(given_values(after))
    changed = (earlier != later).groupby(level=["outcome", "window"]).sum()
    given = later.notna().groupby(level=["outcome", "window"]).sum()
    return pd.DataFrame({"n_values": given, "n_values_changed": changed})


def as_written(cell):
    """A number with the digits of a table, so that it compares with one that was read from it."""
    return float("nan") if pd.isna(cell) else float(number(cell))


def contrasts_again(table, primary, changed):
    """Marginal contrasts of the primary outcomes."""
    conditions = changed.study.conditions
    comparable = comparable_rows(table, declared("SCALE"), conditions)
    plan = Plan(
        *(changed.compare_conditions, conditions, primary, changed.study.seed, changed.plan)
    )
    comparisons = comparisons_of(comparable, plan, primary)
    claims = claims_of(comparisons, plan)
    shares = shares_of(table, conditions)
    tables = [
        with_shares(outcome_contrasts(comparison, plan, shown_pairs(claims, key)), shares[key])
        for key, comparison in comparisons.items()
    ]
    contrasts = stack(tables, "contrasts")
    if contrasts.empty:
        return contrasts
    contrasts = contrasts[contrasts["exercise"] == "all"]
    numbers = contrasts.select_dtypes("number").columns
    return contrasts.assign(
        **{name: [as_written(cell) for cell in contrasts[name]] for name in numbers}
    )


def beside_main(compared, main, changes, primary):
    """Each contrast of the main analysis with the one of the alternative and their difference."""
    main = main[main["exercise"] == "all"]
    keys = ["outcome", "window", "contrast"]
    compared_rows = []
    for outcome, window in primary:
        for before in main[(main["outcome"] == outcome) & (main["window"] == window)].itertuples():
            row = {key: getattr(before, key) for key in (*keys, "scale")}
            row["main_estimate"] = before.estimate
            if (outcome, window) in changes.index:
                row |= changes.loc[(outcome, window)].to_dict()
            after = compared
            for key in keys:
                after = after[after[key] == row[key]] if len(after) else after
            if len(after):
                now = after.iloc[0]
                row |= {name: now[name] for name in TAKEN if name in now}
                ratio = row["scale"] == "ratio"
                row["difference"] = (
                    now["estimate"] / before.estimate
                    if ratio
                    else now["estimate"] - before.estimate
                )
                row["note"] = now["note"]
            else:
                row["note"] = "no contrast under this alternative"
            compared_rows.append(row)
    return pd.DataFrame(compared_rows)


def differing_settings_in_words(change):
    """What differs from the main analysis: every setting with its value before and now."""
    differences = [
        f"{path}: {before} to {now}"
        for path, before, now in changed_settings(change.settings, change.changed)
    ]
    if not change.with_edits:
        differences.append("the decisions of edits.tsv are not carried out")
    return "; ".join(differences) or "nothing: the same settings as in the main analysis"
