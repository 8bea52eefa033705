"""Every outcome compared between conditions, as rows of the result tables."""

from __future__ import annotations

import logging
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import combinations

import numpy as np
import pandas as pd

from comparison import crossover
from comparison.conditions import Comparison, comparable_rows
from comparison.contrasts import Rules, contrast_table, smallest_effect_in
from comparison.effect_size_table import effect_size_table
from comparison.flagged_shares import shares_of, with_shares
from comparison.individual_responses import responses_table, spreads_of_responses
from comparison.joint_tests import joint_tests
from comparison.model_table import diagnostic_table, model_table
from comparison.orders import not_as_allotted, same_order, unplanned_orders
from comparison.planned_claims import (
    Tested,
    claim_row,
    judge_claims,
    shown_pairs,
)
from comparison.planning import claim_planning, planning_table
from comparison.repeatability import repeatability_table
from comparison.sensitivity import (
    at_prevailing_rate,
    baseline_adjusted,
    leave_one_out,
    leave_out_extremes,
    mixed_model,
    own_baseline,
    own_differences,
    sensitivity_rows,
    work_matched,
    worst_case,
)
from comparison.single_case_table import FEW_PEOPLE, single_case_table
from comparison.window_lengths import lengths_of, unequal_lengths, with_lengths
from engine.listings import header, names_in
from study.plan import against_plan, planned_claims
from study.settings import CompareConditions, PlanSection

YES_OR_NO = "yes or no"

RATES = "a yes or no has no difference of means: rates are compared exactly in failure.tsv"

# what stands in the place of an interpretation where nothing is adjusted, so that none is taken
# for a claim
SECONDARY = "secondary, no claim"

Key = tuple[str, str]


# what `compare` gives, by the name of the result table
WRITTEN = (
    "contrasts",
    "claims",
    "joint_tests",
    "crossover",
    "models",
    "sensitivity",
    "single_case",
    "effect_sizes",
    "individual_responses",
    "repeatability",
    "planning",
    "diagnostics",
)


# what is asked of outcomes; a study of many people has many rows
COMPARED = [
    *("participant_id", "session_id", "visit", "event_id", "event_onset_s", "exercise"),
    *("condition", "window", "outcome", "value", "status", "reason"),
]

# and of their windows, how long they are
WINDOWS = ["participant_id", "session_id", "signal", "segment", "event_id", "start_s", "end_s"]


@dataclass(frozen=True)
class Plan:
    """What was stated before the values were seen.

    `settings` and `planned` are the sections compare_conditions and plan, `primary` (outcome,
    window) pairs, `seed` draws sign flips and simulated studies. `departures` say what the study
    did otherwise, beyond what its values show.
    """

    settings: CompareConditions = field(repr=False)
    conditions: Sequence[str]
    primary: Collection[Key]
    seed: int
    planned: PlanSection = field(repr=False)
    departures: Sequence[str] = ()

    @property
    def rules(self) -> Rules:
        """How contrasts are tested."""
        stated = self.settings
        return Rules(stated.confidence, stated.fewest_participants, stated.power, self.seed)

    def smallest_effect_of(self, key: Key) -> float | None:
        """The smallest effect of interest of an outcome in a window; None without one."""
        return smallest_effect_in(self.settings.smallest_effect, *key)


@cache
def declared(constant: str) -> dict[str, object]:
    """SCALE, EVIDENCE and the like of every outcome, read without importing what measures it."""
    absent = {"EVIDENCE": None, "REST": None, "GROWS_WITH_LENGTH": False}
    return {name: (absent | header("outcomes", name))[constant] for name in names_in("outcomes")}


def compare(
    outcomes: pd.DataFrame, sessions: pd.DataFrame, quality: pd.DataFrame, plan: Plan
) -> dict[str, list[pd.DataFrame]]:
    """Every table of `WRITTEN` as a list of parts.

    `outcomes`, `sessions` and `quality` have the columns of the tables of these names. Beyond
    contrasts, joint tests and models everything is of primary outcomes.
    """
    comparable = comparable_rows(outcomes, declared("SCALE"), plan.conditions)
    comparisons = comparisons_of(comparable, plan, same_order=same_order(outcomes, plan.conditions))
    tables = {name: [] for name in WRITTEN}
    rates = {key: compared for key, compared in comparisons.items() if compared.scale == YES_OR_NO}
    comparisons = {key: compared for key, compared in comparisons.items() if key not in rates}
    claims = claims_of(comparisons, plan)
    orders = crossover.Orders.of(outcomes, sessions, plan.conditions)
    tables["claims"].append(claim_rows(claims, plan, comparable, orders))
    people = comparable["participant_id"].nunique()
    shares = shares_of(outcomes, plan.conditions)
    lengths = lengths_of(quality)
    tables["crossover"].append(pd.DataFrame(crossover.days_between(sessions)))
    for key, comparison in comparisons.items():
        contrasts = outcome_contrasts(comparison, plan, shown_pairs(claims, key))
        contrasts = with_shares(contrasts, shares.get(key))
        if declared("GROWS_WITH_LENGTH")[key[0]]:
            measured = rows_of_outcomes(comparable, [key])
            remark = unequal_lengths(measured, lengths, plan.conditions)
            contrasts = with_lengths(contrasts, remark)
        noted, spreads = as_numbers(comparison), {}
        if key in plan.primary:
            spreads = spreads_of_responses(noted)
            tables["individual_responses"].append(responses_table(noted, spreads))
            under_other_assumptions = sensitivity_of(comparison, contrasts, comparable, plan.rules)
            contrasts = with_extremes(contrasts, under_other_assumptions)
            tables["sensitivity"].append(pd.DataFrame(under_other_assumptions))
            shown = crossover.crossover_rows(comparison, orders, plan.rules)
            tables["crossover"].append(pd.DataFrame(shown))
            tables["planning"] += planning_tables(comparison, claims, plan)
            tables["diagnostics"].append(diagnostic_table(comparison))
        tables["contrasts"].append(contrasts)
        fewest = plan.settings.fewest_participants
        tests = pd.DataFrame(joint_tests(comparison, fewest_participants=fewest))
        tables["joint_tests"].append(tests.assign(primary=key in plan.primary))
        tables["models"].append(model_table(comparison))
        sizes = effect_size_table(noted, spreads, by_exercise=key in plan.primary)
        tables["effect_sizes"].append(with_shares(sizes, shares.get(key)))
        logging.info("%s in %s: %s", *key, comparison.formula or "not modelled")
    tables["repeatability"] = repeatability_tables(outcomes, plan.conditions)
    if people <= FEW_PEOPLE:
        tables["single_case"] = single_case_tables(comparisons | rates, plan)
    if comparisons or rates:
        tables["contrasts"] += absent_contrasts(outcomes, comparable, plan.primary, plan.conditions)
    return tables


def single_case_tables(comparisons: Mapping[Key, Comparison], plan: Plan) -> list[pd.DataFrame]:
    """Every person of a study of few, outcome by outcome."""
    return [
        single_case_table(
            as_numbers(comparison),
            schedule=plan.planned.session_schedule,
            conditions=len(plan.conditions),
            seed=plan.seed,
        )
        for _, comparison in sorted(comparisons.items())
    ]


def planning_tables(
    comparison: Comparison, claims: Sequence[Tested], plan: Plan
) -> list[pd.DataFrame]:
    """What the claims of an outcome and its single contrasts could show with more people."""
    key, stated = comparison.key, plan.settings
    wanted = {
        "participants": stated.planned_participants,
        "fewest_participants": stated.fewest_participants,
        "power_wanted": stated.power,
        "alpha": 1 - stated.confidence,
        "smallest_effect": plan.smallest_effect_of(key),
    }
    steps = len(claims) if plan.planned.across_claims == "holm" else 1
    of_outcome = [claim for claim in claims if (claim.planned.outcome, claim.planned.window) == key]
    of_claims = [
        claim_planning(comparison, claim, steps=steps, seed=plan.seed, **wanted)
        for claim in of_outcome
    ]
    return [*of_claims, planning_table(comparison, **wanted)]


def as_numbers(comparison: Comparison) -> Comparison:
    """The comparison with ratings taken as the numbers that they are noted in."""
    return comparison.as_noted if comparison.scale == "ordinal" else comparison


def repeatability_tables(outcomes: pd.DataFrame, conditions: Sequence[str]) -> list[pd.DataFrame]:
    """Repeatability of everything that was measured at rest at several visits, or in bouts."""
    scales = {
        name: "identity" if scale == "ordinal" else scale
        for name, scale in declared("SCALE").items()
        if scale != YES_OR_NO
    }
    outcomes = outcomes[outcomes["outcome"].isin(scales)]
    # rest belongs to no condition where a visit holds several
    at_rest = outcomes[outcomes["window"] == "baseline"].assign(condition="rest")
    in_bouts = outcomes[(outcomes["window"] != "baseline") & outcomes["exercise"].notna()]
    tables = []
    for part, within in ((at_rest, ["rest"]), (in_bouts, conditions)):
        comparable = comparable_rows(part, scales, within)
        for (outcome, window), of_outcome in comparable.groupby(["outcome", "window"], sort=True):
            labels = {"outcome": outcome, "window": window, "scale": scales[outcome]}
            tables.append(repeatability_table(of_outcome, **labels))
    return tables


def claim_rows(
    claims: Sequence[Tested], plan: Plan, comparable: pd.DataFrame, orders: crossover.Orders
) -> pd.DataFrame:
    """Rows of claims.tsv, each with what differs from the frozen plan."""
    people = comparable["participant_id"].nunique()
    departures = list(plan.departures)
    if orders.in_visits:
        departures += unplanned_orders(orders.done, plan.planned.orders)
        departures += not_as_allotted(orders.done, orders.allotted)
    stated = (plan.planned, plan.primary, plan.settings.smallest_effect)
    return pd.DataFrame(
        [
            claim_row(
                claim,
                plan=against_plan(*stated, claim.planned, people, departures),
                confidence=plan.rules.confidence,
            )
            for claim in claims
        ]
    )


def claims_of(comparisons: Mapping[Key, Comparison], plan: Plan) -> list[Tested]:
    """The planned claims, each with its verdict."""
    claims = judge_claims(
        comparisons,
        planned_claims(plan.planned, plan.primary, plan.conditions),
        plan.conditions,
        across=plan.planned.across_claims,
        alpha=1 - plan.rules.confidence,
        fewest_pairs=plan.rules.fewest_participants,
    )
    for claim in claims:
        if declared("SCALE")[claim.planned.outcome] == YES_OR_NO:
            claim.why = RATES
    return claims


def rows_of_outcomes(table: pd.DataFrame, outcomes: Collection[Key]) -> pd.DataFrame:
    """Rows that belong to one of the (outcome, window) pairs."""
    keys = zip(table["outcome"], table["window"], strict=True)
    return table[np.array([key in outcomes for key in keys], dtype=bool)]


def comparisons_of(
    comparable: pd.DataFrame,
    plan: Plan,
    only: Collection[Key] | None = None,
    *,
    same_order: str = "",
) -> dict[Key, Comparison]:
    """A comparison for every outcome and window with values in two conditions, or for those named.

    `comparable`: as `comparable_rows` gives it. Outcomes that the plan adjusts carry their own
    baseline.
    """
    scales, designs, comparisons = declared("SCALE"), {}, {}
    for key, of_outcome in comparable.groupby(["outcome", "window"], sort=True):
        if of_outcome["condition"].nunique() > 1 and (only is None or key in only):
            comparisons[key] = Comparison.of_rows(
                of_outcome,
                outcome=key[0],
                window=key[1],
                scale=scales[key[0]],
                conditions=plan.conditions,
                designs=designs,
                same_order=same_order,
            )
            if key[0] in plan.planned.baseline_adjusted and key[1] != "baseline":
                at_rest = rows_of_outcomes(comparable, [rest_of(key)])
                covariate = own_baseline(comparisons[key], at_rest)
                comparisons[key] = replace(comparisons[key], covariates=(covariate,))
    return {
        key: comparison for key, comparison in comparisons.items() if len(comparison.conditions) > 1
    }


def rest_of(key: Key) -> Key:
    """The (outcome, window) that holds the resting value of an outcome."""
    rest = declared("REST")[key[0]]
    return (rest, key[1]) if rest else (key[0], "baseline")


def outcome_contrasts(
    comparison: Comparison, plan: Plan, claimed: frozenset[tuple[str, str]] = frozenset()
) -> pd.DataFrame:
    """Contrasts of an outcome; only those of primary outcomes are tested and interpreted.

    `claimed` are differences that a planned claim has shown.
    """
    is_primary = comparison.key in plan.primary
    contrasts = contrast_table(
        comparison,
        plan.rules,
        adjusted=is_primary,
        claimed=claimed,
        smallest_effect=plan.smallest_effect_of(comparison.key),
    )
    if not is_primary:
        contrasts = contrasts.assign(reading=SECONDARY)
    else:
        within = contrasts["exercise"] != "all"
        contrasts.loc[within & contrasts["reading"].notna(), "reading"] = SECONDARY
    return contrasts.assign(primary=is_primary, evidence=declared("EVIDENCE")[comparison.outcome])


def sensitivity_of(
    comparison: Comparison, contrasts: pd.DataFrame, comparable: pd.DataFrame, rules: Rules
) -> list[dict]:
    """Rows of sensitivity.tsv of one primary outcome, beside its contrasts."""
    marginal = contrasts[contrasts["exercise"] == "all"]

    def values_of(key):
        return rows_of_outcomes(comparable, [key])

    analyses = [
        *mixed_model(comparison),
        *own_differences(comparison, seed=rules.seed),
        *leave_one_out(comparison),
        *baseline_adjusted(comparison, values_of(rest_of(comparison.key))),
        *work_matched(comparison, values_of(("reps_done", "set"))),
        *at_prevailing_rate(comparison, values_of(("mean_nn_ms", comparison.window))),
        *worst_case(comparison),
    ]
    return sensitivity_rows(comparison, analyses, marginal, rules)


def with_extremes(contrasts: pd.DataFrame, sensitivity: Sequence[dict]) -> pd.DataFrame:
    """Marginal contrasts with their range when one participant is left out."""
    of_contrast = leave_out_extremes(sensitivity)
    ranges = [
        of_contrast.get(row.contrast, {}) if row.exercise == "all" else {}
        for row in contrasts.itertuples()
    ]
    return contrasts.join(pd.DataFrame(ranges, index=contrasts.index))


def absent_contrasts(
    outcomes: pd.DataFrame,
    comparable: pd.DataFrame,
    primary: Collection[Key],
    conditions: Sequence[str],
) -> list[pd.DataFrame]:
    """Rows that say why contrasts of primary outcomes are absent, where anything was compared."""
    tables = []
    for outcome, window in primary:
        asked = rows_of_outcomes(outcomes, [(outcome, window)])
        alike = outcomes[outcomes["window"] == window]
        given = set(rows_of_outcomes(comparable, [(outcome, window)])["condition"])
        contrasts = []
        for reference, condition in combinations(conditions, 2):
            reasons = [
                why_absent(
                    asked[asked["condition"] == name],
                    name,
                    done=(outcomes["condition"] == name).any(),
                    window_there=(alike["condition"] == name).any(),
                )
                for name in (reference, condition)
                if name not in given
            ]
            why = RATES if declared("SCALE")[outcome] == YES_OR_NO else "; ".join(reasons)
            if why:
                contrasts.append({"contrast": f"{condition} - {reference}", "note": why})
        if contrasts:
            labels = {
                "outcome": outcome,
                "window": window,
                "exercise": "all",
                "scale": declared("SCALE")[outcome],
                "n_participants": 0,
                "n_rows": 0,
                "method": "none",
                "n_pairs": 0,
                "claim": "not tested",
                "primary": True,
                "evidence": declared("EVIDENCE")[outcome],
            }
            tables.append(pd.DataFrame(contrasts).assign(**labels))
    return tables


def why_absent(asked: pd.DataFrame, condition: str, *, done: bool, window_there: bool) -> str:
    """Why an outcome has no usable value in a condition.

    `asked` are those of the outcome in the window and condition; `done` says whether anything was
    done in the condition, `window_there` whether it offers the window to other outcomes.
    """
    reasons = asked["reason"].dropna()
    if not done:
        return f"{condition} was not done"
    if asked.empty and window_there:
        return f"is not measured in this window in {condition}"
    if asked.empty:
        return f"{condition} has no such window"
    if asked["value"].notna().any():
        return f"no value above zero in {condition}, as a ratio needs"
    return f"no value in {condition}" + (f" ({reasons.mode().iloc[0]})" if len(reasons) else "")
