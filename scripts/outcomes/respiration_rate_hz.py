"""Median breathing rate where it is known."""

from outcomes import HEART

LABEL = "Breathing rate"
UNIT = "Hz"
FAMILY = "breathing"
SCALE = "identity"
ASKED_OF = HEART


def measure(breathing_hz):
    return breathing_hz
