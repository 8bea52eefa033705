"""Root mean square of successive differences of normal intervals (Task Force 1996)."""

from analysis import variability
from outcomes import HEART

LABEL = "RMSSD"
UNIT = "ms"
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART


def measure(differences_ms):
    return variability.rmssd_ms(differences_ms)
