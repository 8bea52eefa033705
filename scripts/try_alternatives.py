"""Measure and compare the primary outcomes again under each alternative: another limit, band,
window or error, without the decisions of people, without sets whose pressure does not count. Only
what a change reaches is measured again, one person after the other."""

from comparison.alternatives import main_rows, rows_under
from comparison.outcome_tables import rest_of, rows_of
from comparison.outside_pressures import rows_without_outside
from engine.step import Input, OfEach, Output, people_measured, run
from measuring.again import FILES, Change, Recorded
from results.tables import read_table, stack, write
from results.words import words_of
from study.settings import QualityRule, Settings
from study.settings_files import under_alternative


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
    primary = settings.study.primary
    adjusted = settings.plan.baseline_adjusted
    at_rest = [rest_of(key) for key in primary if key[0] in adjusted and key[1] != "baseline"]
    wanted = list(dict.fromkeys([*primary, *at_rest]))
    of_wanted = rows_of(read_table(outcomes), wanted)
    main = rows_of(read_table(contrasts), primary)
    asked = settings.try_alternatives.alternatives
    changes = {
        name: Change(settings, under_alternative(settings, name), asked[name].edits == "used")
        for name in sorted(asked)
        if asked[name]
    }
    again = {name: [] for name in changes}
    files = (signals, beats, respiration, saturation, segments, beat_quality, sync)
    for participant, *paths in zip(people_measured(study), *files, strict=True):
        recorded = Recorded(study, participant, **dict(zip(FILES, paths, strict=True)))
        for name, change in changes.items():
            again[name].append(recorded.measured_again(change, wanted, default_quality_rules))
    tables = [main_rows(main)]
    for name, change in changes.items():
        measured = stack(again.pop(name), "outcomes")
        rows = rows_under(change, of_wanted, measured, main, primary)
        tables.append(rows.assign(alternative=name, says=asked[name].says or words_of(name)))
    tables.append(rows_without_outside(of_wanted, read_table(safety), main, settings))
    write(stack(tables, "alternatives"), "alternatives", alternatives)


if __name__ == "__main__":
    run(try_alternatives)
