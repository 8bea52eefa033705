"""Power up to 0.40 Hz that detrending leaves; its part below 0.04 Hz is not interpretable."""

from heart.precision import precise_band_power_ms2
from outcomes import HEART

LABEL = "Total power"
UNIT = "ms2"
RECIPE = (
    "Intervals of the window by cubic spline at {resampling_hz:g} Hz; slow trend removed by "
    "smoothness priors of {detrending_regularisation:g}; density by {spectrum_method}; its "
    "integral from 0 to {high_frequency_hz[1]:g} Hz, linear between frequencies."
)
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"
GROWS_WITH_LENGTH = True


def measure(interval_spectrum, high_frequency_hz):
    return precise_band_power_ms2(interval_spectrum, 0.0, high_frequency_hz[1])
