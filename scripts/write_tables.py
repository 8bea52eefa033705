"""Write the publication tables as TSV, HTML and DOCX."""

from engine.step import Inputs, Output, run
from report.print_tables import (
    CAPTIONS,
    NOTES,
    contrasts_of,
    harms_by_condition,
    outcomes_by_condition,
    participants,
    pressures,
    write_docx,
    write_html,
)
from results.reader import Results
from results.tables import write_table
from study.settings import Settings


def write_tables(
    tables: Inputs,
    folder: Output,
    *,
    study: str,
    settings: Settings,
):
    results = Results(tables, study, settings)
    printed = (
        participants(results.participants),
        outcomes_by_condition(results.outcomes, results.conditions),
        contrasts_of(results.contrasts, results.primary),
        pressures(results.safety),
        harms_by_condition(results.harms),
    )
    folder.mkdir(parents=True, exist_ok=True)
    for (name, caption), table in zip(CAPTIONS.items(), printed, strict=True):
        write_table(table, folder / f"{name}.tsv")
        words = caption, settings.study.title
        write_html(table, *words, folder / f"{name}.html", NOTES.get(name, ""))
        write_docx(table, *words, folder / f"{name}.docx", NOTES.get(name, ""))


if __name__ == "__main__":
    run(write_tables)
