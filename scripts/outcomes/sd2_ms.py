"""Spread of the return map along its diagonal, from the points (Brennan 2001)."""

from heart import variability
from outcomes import HEART

LABEL = "SD2"
UNIT = "ms"
RECIPE = (
    "Standard deviation, divided by n - 1, of later plus earlier interval over the square "
    "root of 2. Pairs count whose intervals directly follow each other between normal beats."
)
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"
GROWS_WITH_LENGTH = True


def measure(nn_ms, follows):
    return variability.sd2_ms(nn_ms, follows)
