"""Standard deviation of the intervals between normal beats (Task Force 1996)."""

from heart.precision import precise_sdnn_ms
from outcomes import HEART

LABEL = "SDNN"
UNIT = "ms"
RECIPE = (
    "Standard deviation, divided by n - 1, of the intervals between two normal beats that lie "
    "whole in the window; no trend is removed."
)
FAMILY = "heart period"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"
GROWS_WITH_LENGTH = True


def measure(normal_nn_ms):
    return precise_sdnn_ms(normal_nn_ms)
