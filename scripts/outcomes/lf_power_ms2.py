"""Power from 0.04 to 0.15 Hz (Task Force 1996)."""

from outcomes import HEART

LABEL = "LF power"
UNIT = "ms2"
RECIPE = (
    "Intervals of the window by cubic spline at {resampling_hz:g} Hz; slow trend removed by "
    "smoothness priors of {detrending_regularisation:g}; density by {spectrum_method}; its "
    "integral from {low_frequency_hz[0]:g} to {low_frequency_hz[1]:g} Hz, linear between "
    "frequencies. Absolute, not normalised."
)
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(lf_power):
    return lf_power
