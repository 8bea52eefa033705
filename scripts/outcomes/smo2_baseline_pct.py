"""Resting saturation of the working muscle: mean of the last part of the baseline."""

from outcomes import BASELINE_AND_SET

LABEL = "Resting saturation"
UNIT = "%"
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = BASELINE_AND_SET


def measure(smo2_baseline):
    return smo2_baseline
