"""Who and what was left out: the flow of the study, then everything by rule."""

from collections import Counter

from report.flow import flow_of
from report.origins import Origin, Told
from report.page import read_text_table, shown_table
from results.words import counted, in_words, words_of

ORDER = 40

TITLE = "Who and what was left out"

NEEDS = ("outcomes", "exclusions", "decisions")


def section(results):
    flow = flow_of(
        results.exclusions,
        results.outcomes,
        results.events,
        results.recordings,
        results.primary,
        results.conditions,
    )
    decided, table = (
        read_text_table(results.path(name)) for name in ("decisions.tsv", "exclusions.tsv")
    )
    return {
        "flow": shown_table(
            flow,
            "Flow of people, visits, sets and values",
            [Origin("exclusions", 0)] * len(flow),
        ),
        "decisions": Told(decisions_in_words(results.decisions), Origin("decisions", 0)),
        "decided": shown_table(
            decided,
            "Decisions of people, carried out",
            Origin.of_each("decisions", results.decisions),
        ),
        "exclusions": shown_table(
            table,
            "Everything that was left out, by rule",
            # most are of outcomes without a value in the window, which nothing explains
            [Origin("exclusions", index + 2) for index in results.exclusions.index],
        ),
    }


def decisions_in_words(decisions):
    """How many decisions of edits.tsv were carried out, by what they are; empty without any."""
    if decisions.empty:
        return ""
    by_action = Counter(decisions["action"])
    listed = in_words([f"{n} to {words_of(action)}" for action, n in sorted(by_action.items())])
    verb = "was" if len(decisions) == 1 else "were"
    return f"{counted(len(decisions), 'decision')} of edits.tsv {verb} carried out: {listed}."
