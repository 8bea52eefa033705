"""Write the whole study on one page that opens offline."""

from pathlib import Path

import pandas as pd
from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from engine.step import Input, Inputs, Output, run
from report.heart import delays_after_sets, delays_in_words, heart_by_exercise, heart_in_words
from report.page import (
    CAUTIONS,
    CLOCK_IS_FINE,
    SECTIONS,
    TABLE_CELLS,
    boundaries_in_words,
    boundaries_that_differ,
    clocks_of,
    coupling_of,
    failure_band,
    figure_of,
    findings,
    limits,
    n_secondary,
    paragraphs,
    quality_of,
    read_text_table,
    same_order,
    session_pages,
    setting_in_words,
    shown_table,
)
from report.print_tables import CAPTIONS, PRESSURES
from report.sensitivity import (
    detectable,
    left_out_ranges,
    other_assumptions,
    other_settings,
    primary_missing,
    without_a_change,
    work,
)
from report.sentences import as_decided
from report.words import source_of
from results.tables import read_table
from study.session_sheet import events_of, table_of
from study.settings import Settings
from study.settings_files import changed_settings


def write_report(
    template: Input,
    outcomes: Input,
    contrasts: Input,
    models: Input,
    missing: Input,
    sensitivity: Input,
    planning: Input,
    alternatives: Input,
    exclusions: Input,
    quality: Input,
    sync: Input,
    safety: Input,
    boundaries: Input,
    coupling: Input,
    repetition_agreement: Input,
    methods: Input,
    tables: Input,
    figures: Inputs,
    report: Output,
    *,
    study: str,
    settings: Settings,
    default_settings: Settings,
    unstated: list[str],
):
    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    cells = page.from_string(TABLE_CELLS)
    found, of_both = read_table(outcomes), read_table(contrasts)
    compared, tried = as_decided(of_both), read_table(alternatives)
    primary = settings.study.primary
    recordings = table_of(study, "recordings")
    clocks = clocks_of(read_table(sync))
    tolerance_s = settings.segment_oxygenation.boundary_tolerance_s
    text = page.from_string(template.read_text(encoding="utf-8")).render(
        title=settings.study.title,
        conditions=settings.study.conditions,
        unstated=unstated,
        n_participants=recordings["participant_id"].nunique(),
        n_sessions=len(recordings[["participant_id", "session_id"]].drop_duplicates()),
        sections=SECTIONS,
        findings=findings(found, compared, settings),
        failure_band=failure_band(found, settings, default_settings),
        band_source=source_of("protocol", "failure_band_pct", settings, default_settings),
        limits=limits(found, compared, settings),
        heart=heart_in_words(found, compared, primary, settings, same_order=same_order(compared)),
        delays=delays_in_words(delays_after_sets(events_of(study), read_table(quality)), settings),
        heart_by_exercise=shown_table(
            heart_by_exercise(compared),
            "Contrasts of the heart within each exercise",
        ),
        figures=[figure_of(Path(path)) for path in figures],
        people=session_pages(recordings, found),
        tables=[
            shown_table(read_text_table(Path(tables) / f"{name}.tsv"), caption)
            for name, caption in CAPTIONS.items()
            if name != PRESSURES
        ],
        n_primary=len(primary),
        n_secondary=n_secondary(compared),
        left_out_ranges=shown_table(left_out_ranges(compared, primary), "Without one participant"),
        sensitivity=shown_table(
            other_assumptions(of_both, read_table(sensitivity), primary),
            "The same values under other assumptions",
        ),
        alternatives=shown_table(other_settings(tried, primary), "Under other settings"),
        unchanged=without_a_change(tried),
        work=shown_table(work(compared), "Work done: later minus earlier condition"),
        missing=shown_table(
            primary_missing(read_table(missing)), "Missing values of the primary outcomes"
        ),
        planning=shown_table(
            detectable(read_table(planning), primary),
            "Smallest true difference that n participants would show",
        ),
        power_pct=100 * settings.compare_conditions.power,
        safety=shown_table(read_text_table(Path(tables) / f"{PRESSURES}.tsv"), CAPTIONS[PRESSURES]),
        clocks=shown_table(clocks, "Clocks of the recordings"),
        doubtful_clocks=shown_table(
            clocks[~clocks["status"].str.match(CLOCK_IS_FINE)],
            "Clocks and files to be read with care",
        ),
        quality=shown_table(quality_of(read_table(quality)), "Whole recordings"),
        coupling=shown_table(coupling_of(read_table(coupling)), "Saturation and the heart"),
        repetitions=shown_table(
            read_table(repetition_agreement).round(2), "Contractions counted against those noted"
        ),
        boundaries=shown_table(
            boundaries_that_differ(read_table(boundaries), tolerance_s=tolerance_s),
            "Boundaries that differ from the log, or that the recordings place unsurely",
        ),
        boundaries_in_words=boundaries_in_words(read_table(boundaries), tolerance_s=tolerance_s),
        exclusions=shown_table(read_text_table(exclusions), "What was left out"),
        methods=paragraphs(methods.read_text(encoding="utf-8")),
        changed=shown_table(
            pd.DataFrame(
                [
                    (path, setting_in_words(usual), setting_in_words(here))
                    for path, usual, here in changed_settings(default_settings, settings)
                ],
                columns=["setting", "usual", "here"],
            ),
            "Settings that differ from the usual ones",
        ),
        cautions=CAUTIONS,
        shown=lambda table: Markup(cells.render(table)),
    )
    report.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    run(write_report)
