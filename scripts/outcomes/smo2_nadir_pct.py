"""Lowest centred mean of saturation in the set."""

from outcomes import SET

LABEL = "Saturation nadir"
UNIT = "%"
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(smo2_nadir):
    return smo2_nadir
