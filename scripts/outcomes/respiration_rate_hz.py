"""Median breathing rate where it is known."""

from outcomes import HEART

LABEL = "Breathing rate"
UNIT = "Hz"
RECIPE = (
    "Median of the breathing rate over the moments of the window at which it is known: from "
    "the recording of breathing, else from the R amplitude of the ECG and the beat intervals "
    "together, else from the intervals alone. Known is a rate that holds within 0.03 Hz with a "
    "probability of 0.9."
)
FAMILY = "breathing"
SCALE = "identity"
ASKED_OF = HEART


def measure(breathing_hz):
    return breathing_hz
