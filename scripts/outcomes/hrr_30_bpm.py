"""Fall of heart rate to 30 s after a set or cuff release, the later (after Cole et al. 1999)."""

from heart.recovery import fall_of_rate
from outcomes import AFTER_SET

LABEL = "Heart-rate recovery 30 s"
UNIT = "bpm"
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = AFTER_SET
EVIDENCE = "vagal"


AFTER_S = 30.0


def measure(session_nn, window, set_end_s, end_rate_window_s, recovery_rate_window_s):
    return fall_of_rate(
        session_nn, window, set_end_s, AFTER_S, end_rate_window_s, recovery_rate_window_s
    )
