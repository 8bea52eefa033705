"""Short-term scaling exponent of detrended fluctuations, 4 to 16 beats (Peng et al. 1995)."""

from heart import variability
from outcomes import HEART

LABEL = "DFA alpha 1"
UNIT = ""
RECIPE = (
    "All intervals of the repaired series in the window, in order. Their summed deviations "
    "from the mean are cut into boxes of 4 to 16 beats, laid from both ends without overlap; "
    "a line is removed from each box. The value is the slope, each box size with the same "
    "weight, of log fluctuation on log box size."
)
FAMILY = "heart period"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_ms):
    return variability.dfa_alpha1(nn_ms)
