"""Root mean square of successive differences of normal intervals (Task Force 1996)."""

from heart.precision import precise_rmssd_ms
from outcomes import HEART

LABEL = "RMSSD"
UNIT = "ms"
RECIPE = (
    "Square root of the mean square of the differences between intervals that directly follow "
    "each other, divided by the number of differences. All three beats are normal: no "
    "difference is formed across a repaired beat or a gap. Both intervals lie whole in the "
    "window."
)
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(differences_ms):
    return precise_rmssd_ms(differences_ms)
