"""Median breathing rate where it is known."""

from outcomes import HEART

LABEL = "Breathing rate"
UNIT = "Hz"
RECIPE = (
    "Median of the breathing rate over the moments of the window at which it is known: from "
    "the recording of breathing, else from the R amplitude of the ECG, else from the beat "
    "intervals."
)
FAMILY = "breathing"
SCALE = "identity"
ASKED_OF = HEART


def measure(breathing_hz):
    return breathing_hz
