"""Contrast the conditions within people, and judge the claims that were planned.

For every outcome also a mixed model; for the primary ones other assumptions about the same values,
what is missing and why, residuals and random effects, and what a study of a given size can detect.
"""

from comparison.outcome_tables import COMPARED, WINDOWS, Plan, compare
from comparison.sensitivity import missing_values
from engine.step import Input, Output, run
from results.tables import read_table, stack, write
from study.plan import excluded_after_freezing
from study.rows import rows_of
from study.session_sheet import table_of
from study.settings import CompareConditions, PlanSection


def compare_conditions(
    outcomes: Input,
    quality: Input,
    contrasts: Output,
    claims: Output,
    joint_tests: Output,
    crossover: Output,
    models: Output,
    missing: Output,
    sensitivity: Output,
    single_case: Output,
    effect_sizes: Output,
    individual_responses: Output,
    repeatability: Output,
    planning_table: Output,
    diagnostics: Output,
    *,
    study: str,
    settings: CompareConditions,
    planned: PlanSection,
    conditions: list[str],
    primary: list[tuple[str, str]],
    seed: int,
    changed: list[str],
):
    measured = read_table(outcomes, columns=COMPARED)
    departures = [*changed, *excluded_after_freezing(planned, rows_of(study, "edits"))]
    plan = Plan(settings, conditions, primary, seed, planned, departures)
    sessions, windows = table_of(study, "sessions"), read_table(quality, columns=WINDOWS)
    files = (contrasts, claims, joint_tests, crossover, models, sensitivity, single_case)
    files += (effect_sizes, individual_responses, repeatability, planning_table, diagnostics)
    tables = compare(measured, sessions, windows, plan)
    for file in files:
        write(stack(tables[file.stem], file.stem), file.stem, file)
    write(missing_values(measured, conditions, primary), "missing", missing)


if __name__ == "__main__":
    run(compare_conditions)
