"""Largest heart rate held over a few seconds."""

from heart import variability
from outcomes import HEART

LABEL = "Peak heart rate"
UNIT = "bpm"
RECIPE = (
    "Beats divided by time in the fastest {peak_window_s:g} s that intervals of the window "
    "cover without a gap. The {peak_window_s:g} s slide freely; an interval cut by an edge "
    "counts in proportion."
)
FAMILY = "heart rate"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(nn_time_s, nn_ms, peak_window_s):
    return variability.peak_hr_bpm(nn_time_s, nn_ms, window_s=peak_window_s)
