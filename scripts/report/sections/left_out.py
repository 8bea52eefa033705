"""Who and what was left out: the flow of the study, then everything by rule."""

from report.flow import flow_of
from report.page import read_text_table, shown_table

ORDER = 40

TITLE = "Who and what was left out"

NEEDS = ("outcomes", "exclusions")


def section(results):
    flow = flow_of(
        results.exclusions,
        results.outcomes,
        results.events,
        results.recordings,
        results.primary,
        results.conditions,
    )
    table = read_text_table(results.path("exclusions.tsv"))
    return {
        "flow": shown_table(flow, "Flow of people, visits, sets and values"),
        "exclusions": shown_table(table, "Everything that was left out, by rule"),
    }
