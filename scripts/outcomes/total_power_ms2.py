"""Power up to 0.40 Hz that detrending leaves; its part below 0.04 Hz is not interpretable."""

from analysis.spectrum import band_power
from outcomes import HEART

LABEL = "Total power"
UNIT = "ms2"
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART


def measure(interval_spectrum, high_frequency_hz):
    return band_power(interval_spectrum, 0.0, high_frequency_hz[1])
