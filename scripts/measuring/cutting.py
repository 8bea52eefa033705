"""The windows that an event of the session sheet offers, and what is asked in them."""

from collections.abc import Collection

from engine.listings import window_modules
from windows._window import Window


def windows_of_event(of_event, only=None) -> list[Window]:
    """Windows of one row of events.tsv, or those of them that are named, in the order of a visit.

    `of_event` holds what is known of the event, see measuring/inputs.py. A set without time has
    its windows without limits, for that reason.
    """
    event = of_event["event"]
    return [
        Window(name, event.trial_type, *_limits(of_event, event, module))
        for name, module in window_modules().items()
        if event.trial_type in module.ASKED and (only is None or name in only)
    ]


def _limits(of_event, event, module):
    if event.untimed:
        return float("nan"), float("nan"), event.untimed
    return of_event.call(module.cut)


def asked_in(window: Window, outcome, recorded: Collection[str] | None = None) -> bool:
    """Whether an outcome is asked in a window of such an event.

    One that names the signal that it is measured in (RECORDED) is asked where the study recorded
    it; `recorded` names the signals of the study.
    """
    needed = getattr(outcome, "RECORDED", None)
    if needed and recorded is not None and needed not in recorded:
        return False
    return outcome.ASKED_OF in window_modules()[window.name].ASKED[window.trial_type]
