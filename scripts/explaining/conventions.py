"""The same window under other published conventions: why another program gives another number.

Each entry is said in a few words and computed from the same samples. A source stands where one is
known; without one a convention is common practice. The first entry is the convention of this run.
"""

from explaining.heart_conventions import OF_HEART
from explaining.muscle_conventions import OF_MUSCLE
from heart.variability import NotEnough
from results.estimate import Estimate

CONVENTIONS = OF_HEART | OF_MUSCLE


def other_conventions(outcome, window, inputs):
    """(convention, source, value or the reason why there is none) of an outcome in its window."""
    if outcome not in CONVENTIONS:
        return
    try:
        listed = list(CONVENTIONS[outcome](window, inputs))
    except NotEnough as reason:
        yield "every convention", "", str(reason)
        return
    for says, source, compute in listed:
        try:
            computed = compute()
        except NotEnough as reason:
            yield says, source, str(reason)
            continue
        if isinstance(computed, Estimate):
            computed = computed.value if computed.usable else computed.reason
        yield says, source, computed if isinstance(computed, str) else float(computed)
