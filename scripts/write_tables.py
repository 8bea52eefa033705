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
    printed: Output,
    *,
    study: str,
    all_settings: Settings,
):
    results = Results(tables, study, all_settings)
    title, conditions = all_settings.study.title, results.conditions
    printed.mkdir(parents=True, exist_ok=True)
    every = printed_tables(results)
    write_table(contents_of(every), printed / "contents.tsv")
    for entry in every:
        write_table(entry.table, printed / f"{entry.name}.tsv")
        write_html(entry, title, printed / f"{entry.name}.html", conditions)
        write_docx(entry, title, printed / f"{entry.name}.docx", conditions)
    for name, table in unprinted_tables(results).items():
        write_table(table, printed / f"{name}.tsv")
    table, codebook = outcomes_by_person(results.outcomes, results.participants, conditions)
    write_csv(table, printed / "outcomes_by_person.csv")
    write_table(codebook, printed / "outcomes_by_person_codebook.tsv")


if __name__ == "__main__":
    run(write_tables)
