"""Highest centred mean of saturation after release above the resting level."""

from muscle import levels
from outcomes import AFTER_SET

LABEL = "Overshoot"
UNIT = "%"
RECIPE = (
    "Highest centred mean over {nadir_window_s:g} s after the set or cuff release, whichever "
    "is later, less the resting saturation. The mean is the area under straight lines between "
    "usable readings, divided by its length."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = AFTER_SET


def measure(saturation, window, smo2_baseline, nadir_window_s):
    return levels.overshoot(
        saturation,
        window.start_s,
        window.end_s,
        baseline_pct=smo2_baseline,
        window_s=nadir_window_s,
    )
