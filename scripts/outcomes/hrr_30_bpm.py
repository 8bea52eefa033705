"""Fall of heart rate to 30 s after a set or cuff release, the later (after Cole et al. 1999)."""

from heart.recovery import fall_of_rate
from outcomes import AFTER_SET

LABEL = "Heart-rate recovery 30 s"
UNIT = "bpm"
RECIPE = (
    "Heart rate over the last {end_rate_window_s:g} s of the set, less that over "
    "{recovery_rate_window_s:g} s centred on 30 s after the set or cuff release, whichever is "
    "later. Each is beats divided by time; an interval cut by an edge counts in proportion."
)
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = AFTER_SET
EVIDENCE = "vagal"


AFTER_S = 30.0


def measure(session_nn, window, set_end_s, end_rate_window_s, recovery_rate_window_s):
    return fall_of_rate(
        session_nn, window, set_end_s, AFTER_S, end_rate_window_s, recovery_rate_window_s
    )
