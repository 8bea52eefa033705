"""Write the publication tables as TSV, HTML and DOCX."""

from engine.step import Inputs, Output, run
from report.print_tables import (
    CAPTIONS,
    contrasts_of,
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
    )
    folder.mkdir(parents=True, exist_ok=True)
    for (name, caption), table in zip(CAPTIONS.items(), printed, strict=True):
        write_table(table, folder / f"{name}.tsv")
        write_html(table, caption, settings.study.title, folder / f"{name}.html")
        write_docx(table, caption, settings.study.title, folder / f"{name}.docx")


if __name__ == "__main__":
    run(write_tables)
