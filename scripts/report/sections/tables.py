"""The publication tables."""

from report.page import read_text_table, shown_table
from report.print_tables import (
    BY_CONDITION,
    BY_CONDITION_CAPTION,
    CAPTIONS,
    CONTRASTS,
    PRESSURES,
    origins_of,
)
from report.single_case import is_one_participant

ORDER = 65

TITLE = "Tables"

NEEDS = ("outcomes",)


def section(results):
    # contrasts of one participant compare nobody: the person's own stand set by set
    left_out = {PRESSURES}
    if is_one_participant(results.outcomes, results.conditions):
        left_out.add(CONTRASTS)
    captions = CAPTIONS | {BY_CONDITION: BY_CONDITION_CAPTION}
    tables = {
        name: read_text_table(results.path(f"tables/{name}.tsv"))
        for name in captions
        if name not in left_out
    }
    return {
        "tables": [
            shown_table(table, captions[name], origins_of(name, results))
            for name, table in tables.items()
            if len(table)
        ]
    }
