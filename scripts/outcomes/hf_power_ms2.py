"""Power from 0.15 to 0.40 Hz (Task Force 1996)."""

from outcomes import HEART

LABEL = "HF power"
UNIT = "ms2"
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(hf_power):
    return hf_power
