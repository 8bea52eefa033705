"""Half of peak to trough of the ripple of saturation."""

from outcomes import SET

LABEL = "Contraction amplitude"
UNIT = "%"
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.amplitude_pct
