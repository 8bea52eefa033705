"""Measure and compare the primary outcomes again under each alternative: another limit, band,
window or error, without the decisions of people, without sets whose pressure does not count. Only
what a change reaches is measured again, one person after the other."""

from comparison.alternatives import (
    alternative_rows,
    changes_asked,
    main_rows,
    outcomes_asked,
)
from comparison.outcome_tables import rows_of_outcomes
from comparison.outside_pressures import rows_without_outside
from engine.step import Input, OfEach, Output, people_measured, run
from measuring.measured_again import FILES, Recorded
from results.tables import read_table, stack, write
from study.settings import QualityRule, Settings


def try_alternatives(
    signals: OfEach,
    beats: OfEach,
    respiration: OfEach,
    saturation: OfEach,
    segments: OfEach,
    beat_quality: OfEach,
    sync: OfEach,
    outcomes: Input,
    contrasts: Input,
    safety: Input,
    alternatives: Output,
    *,
    study: str,
    settings: Settings,
    default_quality_rules: dict[str, QualityRule],
):
    wanted = outcomes_asked(settings)
    of_wanted = rows_of_outcomes(read_table(outcomes), wanted)
    main = rows_of_outcomes(read_table(contrasts), settings.study.primary)
    changes = changes_asked(settings)
    again = {name: [] for name in changes}
    files = (signals, beats, respiration, saturation, segments, beat_quality, sync)
    for participant, *paths in zip(people_measured(study), *files, strict=True):
        recorded = Recorded(study, participant, **dict(zip(FILES, paths, strict=True)))
        for name, change in changes.items():
            again[name].append(recorded.measured_again(change, wanted, default_quality_rules))
    tables = [main_rows(main)]
    for name, change in changes.items():
        measured = stack(again.pop(name), "outcomes")
        tables.append(alternative_rows(name, change, of_wanted, measured, main, settings))
    tables.append(rows_without_outside(of_wanted, read_table(safety), main, settings))
    write(stack(tables, "alternatives"), "alternatives", alternatives)


if __name__ == "__main__":
    run(try_alternatives)
