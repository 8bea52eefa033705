"""Contractions counted from the ripple of saturation."""

from outcomes import SET

LABEL = "Contractions counted"
UNIT = ""
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.count
