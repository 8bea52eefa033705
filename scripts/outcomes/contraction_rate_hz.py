"""Rate of the ripple of saturation."""

from outcomes import SET

LABEL = "Contraction rate"
UNIT = "Hz"
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.rate_hz
