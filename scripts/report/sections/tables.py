"""The publication tables."""

from report.page import read_text_table, shown_table
from report.print_tables import CAPTIONS, PRESSURES

ORDER = 65

TITLE = "Tables"

NEEDS = ()


def section(results):
    return {
        "tables": [
            shown_table(read_text_table(results.path(f"tables/{name}.tsv")), caption)
            for name, caption in CAPTIONS.items()
            if name != PRESSURES
        ]
    }
