"""Write the tables for print as TSV, HTML and Word, and outcomes by person with a codebook."""

from engine.step import Inputs, Output, run
from report.by_person import outcomes_by_person, write_csv
from report.print_tables import contents_of, printed_tables, unprinted_tables
from report.printing import write_docx, write_html
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
    title, conditions = settings.study.title, results.conditions
    folder.mkdir(parents=True, exist_ok=True)
    every = printed_tables(results)
    write_table(contents_of(every), folder / "contents.tsv")
    for printed in every:
        write_table(printed.table, folder / f"{printed.name}.tsv")
        write_html(printed, title, folder / f"{printed.name}.html", conditions)
        write_docx(printed, title, folder / f"{printed.name}.docx", conditions)
    for name, table in unprinted_tables(results).items():
        write_table(table, folder / f"{name}.tsv")
    table, codebook = outcomes_by_person(results.outcomes, results.participants, conditions)
    write_csv(table, folder / "outcomes_by_person.csv")
    write_table(codebook, folder / "outcomes_by_person_codebook.tsv")


if __name__ == "__main__":
    run(write_tables)
