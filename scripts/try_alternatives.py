"""Measure and compare again under one alternative: another limit, band, window or error, or
without the decisions of people. Only primary outcomes, and of those what the change reaches."""

from pathlib import Path

from comparison.alternatives import (
    beside_main,
    changes_of,
    concerned,
    contrasts_again,
    in_words,
    measured_again,
    with_values,
)
from comparison.outcome_tables import rows_of
from engine.step import Input, OfEach, Output, run
from results.decided import as_decided
from results.tables import read_table, write
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
    results: Output,
    *,
    study: str,
    alternative: str,
    settings: Settings,
    default_quality_rules: dict[str, QualityRule],
):
    changes = settings.try_alternatives.alternatives[alternative]
    changed, edits = under_alternative(settings, alternative), changes.edits
    primary = settings.study.primary
    found, main = read_table(outcomes), as_decided(read_table(contrasts))
    found = rows_of(found, primary)
    files = {
        "signals": signals,
        "beats": beats,
        "respiration": respiration,
        "saturation": saturation,
        "segments": segments,
        "beat_quality": beat_quality,
        "sync": sync,
    }
    if changed == settings and edits == "used":
        # the main setting is not run again
        table, compared = found, main[main["exercise"] == "all"]
        concerns = dict.fromkeys(primary, "main setting")
    else:
        measured = measured_again(
            found, files, Path(study), primary, settings, changed, default_quality_rules, edits
        )
        table = with_values(found, measured)
        compared = contrasts_again(table, primary, changed)
        concerns = {
            key: "yes" if concerned(*key, settings, changed, found, table) else "no"
            for key in primary
        }
    rows = beside_main(compared, main, changes_of(found, table), primary)
    keys = zip(rows.get("outcome", []), rows.get("window", []), strict=True)
    rows = rows.assign(
        concerns=[concerns[key] for key in keys],
        alternative=alternative,
        says=changes.says or words_of(alternative),
        differs=in_words(settings, changed, edits),
    )
    write(rows, "alternatives", results)


if __name__ == "__main__":
    run(try_alternatives)
