"""Mean heart rate, 60000 / mean interval (Task Force 1996)."""

from heart import variability
from outcomes import HEART

LABEL = "Mean heart rate"
UNIT = "bpm"
RECIPE = (
    "60,000 divided by the mean interval in ms, which is beats divided by time and not the "
    "mean of momentary rates. Intervals between beats of the repaired series count that lie "
    "whole in the window."
)
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_ms):
    return variability.mean_hr_bpm(nn_ms)
