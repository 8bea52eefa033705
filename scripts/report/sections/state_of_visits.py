"""Sleep, caffeine, exercise, the room and what people expected, by condition."""

from report.page import shown_table
from report.state_of_visits import expectations_in_words, states_table, with_condition

ORDER = 48

TITLE = "State of the visits"

NEEDS = ()


def section(results):
    visits = with_condition(results.sessions, results.events)
    states = states_table(visits, results.conditions)
    expected = expectations_in_words(visits, results.conditions)
    if states is None and not expected:
        return None
    caption = "As noted before the visits, mean and range"
    return {
        "states": None if states is None else shown_table(states, caption),
        "expected": expected,
    }
