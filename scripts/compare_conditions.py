"""Contrast the conditions: a mixed model per outcome, and each contrast's own paired result.

For the primary outcomes also: a second library's fit, other assumptions about the same values,
what is missing and why, residuals and random effects, and what a study of a given size can detect.
"""

import logging

import pandas as pd

from comparison.conditions import (
    smallest_effect_in,
    usable,
)
from comparison.outcome_tables import (
    comparisons_of,
    contrasts_of,
    declared,
    diagnostics_of,
    other_results,
    with_extremes,
    without_result,
)
from comparison.planning import planning
from comparison.sensitivity import (
    missing_values,
)
from engine.step import Input, Output, run
from results.tables import read_table, stack, write
from study.settings import CompareConditions


def compare_conditions(
    outcomes: Input,
    contrasts: Output,
    models: Output,
    missing: Output,
    sensitivity: Output,
    planning_table: Output,
    diagnostics: Output,
    *,
    settings: CompareConditions,
    conditions: list[str],
    primary: list[tuple[str, str]],
    seed: int,
):
    found = read_table(outcomes)
    table = usable(found, declared("SCALE"), conditions)
    comparisons = comparisons_of(table, conditions)
    contrast_tables, model_tables, other_assumptions, plans, fits = [], [], [], [], []
    for key, comparison in comparisons.items():
        own = contrasts_of(comparison, primary, settings, seed)
        model = comparison.model()
        if key in primary:
            from comparison.cross_check import second_fit

            labels = {"outcome": key[0], "window": key[1], "formula": comparison.formula}
            model = pd.concat([model, pd.DataFrame(second_fit(comparison)).assign(**labels)])
            rows = other_results(
                comparison, own, table, settings.confidence, settings.fewest_participants
            )
            other_assumptions += rows
            own = with_extremes(own, rows)
            plans.append(
                planning(
                    comparison,
                    participants=settings.planned_participants,
                    fewest_participants=settings.fewest_participants,
                    power_wanted=settings.power,
                    alpha=1 - settings.confidence,
                    smallest_effect=smallest_effect_in(settings.smallest_effect, *key),
                )
            )
            fits.append(diagnostics_of(comparison))
        contrast_tables.append(own)
        model_tables.append(model)
        logging.info("%s in %s: %s", *key, comparison.formula or "not modelled")
    if comparisons:
        contrast_tables += without_result(found, table, primary, conditions)
    write(stack(contrast_tables, "contrasts"), "contrasts", contrasts)
    write(stack(model_tables, "models"), "models", models)
    write(missing_values(found, conditions, primary), "missing", missing)
    write(pd.DataFrame(other_assumptions), "sensitivity", sensitivity)
    write(stack(plans, "planning"), "planning", planning_table)
    write(stack(fits, "diagnostics"), "diagnostics", diagnostics)


if __name__ == "__main__":
    run(compare_conditions)
