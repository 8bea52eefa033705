"""Mean interval between normal beats (Task Force 1996)."""

from heart import variability
from outcomes import HEART

LABEL = "Mean NN"
UNIT = "ms"
RECIPE = (
    "Intervals between beats of the repaired series count that lie whole in the window; each "
    "has the same weight."
)
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_ms):
    return variability.mean_nn_ms(nn_ms)
