"""Fall of saturation from rest to nadir."""

from analysis import oxygenation
from outcomes import SET

LABEL = "Saturation drop"
UNIT = "%"
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(smo2_baseline, smo2_nadir):
    return oxygenation.drop(smo2_baseline, smo2_nadir)
