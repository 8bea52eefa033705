"""Standard deviation of the intervals between normal beats (Task Force 1996)."""

from analysis import variability
from outcomes import HEART

LABEL = "SDNN"
UNIT = "ms"
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(normal_nn_ms):
    return variability.sdnn_ms(normal_nn_ms)
