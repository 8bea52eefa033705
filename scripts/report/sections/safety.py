"""Pressures, symptoms, and what to be careful of."""

from cuff.cautions import CAUTIONS
from report.page import read_text_table, shown_table
from report.print_tables import CAPTIONS, PRESSURES

ORDER = 50

TITLE = "Pressures and safety"

NEEDS = ()


def section(results):
    table = read_text_table(results.path(f"tables/{PRESSURES}.tsv"))
    return {"cautions": CAUTIONS, "safety": shown_table(table, CAPTIONS[PRESSURES])}
