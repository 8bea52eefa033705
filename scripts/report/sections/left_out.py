"""Everything that was left out, and by which rule."""

from report.page import read_text_table, shown_table

ORDER = 40

TITLE = "Who and what was left out"

NEEDS = ("exclusions",)


def section(results):
    table = read_text_table(results.path("exclusions.tsv"))
    return {"exclusions": shown_table(table, "What was left out")}
