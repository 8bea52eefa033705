"""Slope of saturation over the first part of the set; negative when it falls."""

from muscle import desaturation
from outcomes import SET

LABEL = "Desaturation slope"
UNIT = "%/s"
RECIPE = (
    "Least-squares line through the usable readings of the first {slope_window_s:g} s of the "
    "set, each with the same weight. Where contractions are seen, a sine and a cosine at "
    "their rate and at twice it are fitted beside the line."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(rippling_saturation, set_start_s, slope_window_s):
    return desaturation.desaturation_slope(
        rippling_saturation, set_start_s, window_s=slope_window_s
    )
