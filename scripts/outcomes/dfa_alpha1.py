"""Short-term scaling exponent of detrended fluctuations, 4 to 16 beats (Peng et al. 1995)."""

from heart import variability
from outcomes import HEART

LABEL = "DFA alpha 1"
UNIT = ""
FAMILY = "heart period"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_ms):
    return variability.dfa_alpha1(nn_ms)
