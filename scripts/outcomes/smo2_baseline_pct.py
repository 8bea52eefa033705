"""Resting saturation of the working muscle: mean of the last part of the baseline."""

from outcomes import BASELINE_AND_SET

LABEL = "Resting saturation"
UNIT = "%"
RECIPE = (
    "Mean over the last {saturation_baseline_s:g} s of the session's first baseline: area "
    "under straight lines between usable readings, divided by the time that they cover."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = BASELINE_AND_SET


def measure(smo2_baseline):
    return smo2_baseline
