"""Signs at which a cuff is to be released, and checks that nobody noted."""

import pandas as pd

from results.words import counted
from study.session_sheet import exercise_and_bout

# of the skin distal to a cuff
WARNING_COLOURS = ("pale", "blue", "mottled")

CHECKS = (
    *("cuff_pressure_mmhg", "pain", "numbness", "capillary_refill_s", "distal_flow"),
    "skin_colour",
)

# that a cuff was noted with the times of inflation and release
CUFF_TIMES = "cuff_times"


def symptoms(events, settings):
    """Symptoms and signs of events, each with its exercise and bout."""
    noted = [
        f"{sign} ({exercise_and_bout(event)})"
        for event in events
        for sign in signs_of(event, settings)
    ]
    return "; ".join(noted) or "none noted"


def signs_of(event, settings):
    """Signs of an event or of a step of a titration; `settings`: the section check_safety."""
    if event.numbness == "marked":
        yield "marked numbness"
    if pd.notna(event.pain) and event.pain >= settings.severe_pain:
        yield f"pain {event.pain:g} of 10"
    if event.skin_colour in WARNING_COLOURS:
        yield f"skin {event.skin_colour}"
    if pd.notna(event.capillary_refill_s) and event.capillary_refill_s > settings.slow_refill_s:
        yield f"refill {event.capillary_refill_s:g} s"
    if event.distal_flow is False:
        yield "no distal flow"
    if getattr(event, "stopped_early", None) is True:
        yield f"stopped early: {event.reason or 'no reason noted'}"


def missing_checks(sets, n_untimed):
    """Checks that nobody noted, with the number of sets that lack them.

    `n_untimed`: sets with a cuff of which nobody noted when it was inflated and released.
    """
    lacking = {name: sum(pd.isna(getattr(row, name)) for row in sets) for name in CHECKS}
    lacking[CUFF_TIMES] = n_untimed
    told = [f"{name} in {counted(n, 'set')}" for name, n in lacking.items() if n]
    return "; ".join(told) or "none"
