"""Median breathing rate where it is known."""

from analysis.variability import NotEnough
from outcomes import HEART

LABEL = "Breathing rate"
UNIT = "Hz"
FAMILY = "spectrum"
SCALE = "identity"
ASKED_OF = HEART


def measure(breathing):
    known = breathing.loc[breathing["status"] == "known", "rate_hz"]
    if known.empty:
        raise NotEnough("breathing is unknown throughout the window")
    return known.median()
