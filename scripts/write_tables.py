"""Write the publication tables as TSV, HTML and DOCX."""

from pathlib import Path

from engine.step import Input, Output, run
from report.print_tables import (
    CAPTIONS,
    contrasts_of,
    outcomes_by_condition,
    participants,
    pressures,
    write_docx,
    write_html,
)
from report.sentences import as_decided
from results.tables import read_table, write_table


def write_tables(
    outcomes: Input,
    contrasts: Input,
    safety: Input,
    folder: Output,
    *,
    study: str,
    title: str,
    conditions: list[str],
    primary: list[tuple[str, str]],
):
    found = read_table(outcomes)
    compared = as_decided(read_table(contrasts))
    tables = (
        participants(study),
        outcomes_by_condition(found, conditions),
        contrasts_of(compared, primary),
        pressures(read_table(safety)),
    )
    Path(folder).mkdir(parents=True, exist_ok=True)
    for (name, caption), table in zip(CAPTIONS.items(), tables, strict=True):
        write_table(table, Path(folder) / f"{name}.tsv")
        write_html(table, caption, title, Path(folder) / f"{name}.html")
        write_docx(table, caption, title, Path(folder) / f"{name}.docx")


if __name__ == "__main__":
    run(write_tables)
