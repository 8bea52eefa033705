"""Fall of saturation from rest to nadir."""

from muscle import levels
from outcomes import SET

LABEL = "Saturation drop"
UNIT = "%"
RECIPE = "Resting saturation less the nadir of the set, each as defined for itself."
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(smo2_baseline, smo2_nadir):
    return levels.drop(smo2_baseline, smo2_nadir)
