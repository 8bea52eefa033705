"""Root mean square of successive differences of normal intervals (Task Force 1996)."""

from heart.precision import precise_rmssd_ms
from outcomes import HEART

LABEL = "RMSSD"
UNIT = "ms"
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(differences_ms):
    return precise_rmssd_ms(differences_ms)
