"""Rate of the ripple of saturation."""

from outcomes import SET

LABEL = "Contraction rate"
UNIT = "Hz"
RECIPE = "Contractions counted, divided by the time from the first to the last ripple."
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.rate_hz
