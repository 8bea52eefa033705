"""The first minute after a set or of a recovery (after Cole et al. 1999).

What follows a set is counted from its end, or from the release of the cuff where that is later, and
ends when the next set or inflation begins.
"""

from windows._after_set import after_set

SAYS = (
    "the minute after a `set`, counted from its end or from the release of the cuff where that is "
    "later and cut off where the next set or inflation begins; for outcomes asked in all windows "
    "also the first minute of a `recovery`, which is not compared where minutes after sets are"
)
WHERE = "in the first 60 s of recovery"
ORDER = 3
ASKED = {"set": ("the heart", "what follows a set"), "recovery": ("the heart",)}
LENGTH_S = 60.0


def cut(event, session_events):
    if event.trial_type == "recovery":
        end_s = event.onset_s + event.duration_s
        return event.onset_s, min(event.onset_s + LENGTH_S, end_s), ""
    start_s, until_s, problem = after_set(event, session_events)
    return start_s, max(min(start_s + LENGTH_S, until_s), start_s), problem
