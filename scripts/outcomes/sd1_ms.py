"""Spread of the return map across its diagonal; it says the same as RMSSD (Brennan 2001)."""

from heart import variability
from outcomes import HEART

LABEL = "SD1"
UNIT = "ms"
RECIPE = (
    "Standard deviation, divided by n - 1, of later minus earlier interval over the square "
    "root of 2. Pairs count whose intervals directly follow each other between normal beats."
)
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(nn_ms, follows):
    return variability.sd1_ms(nn_ms, follows)
