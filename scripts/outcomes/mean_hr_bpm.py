"""Mean heart rate, 60000 / mean interval (Task Force 1996)."""

from heart import variability
from outcomes import HEART

LABEL = "Mean heart rate"
UNIT = "bpm"
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_ms):
    return variability.mean_hr_bpm(nn_ms)
