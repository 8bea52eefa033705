"""Power from 0.04 to 0.15 Hz (Task Force 1996)."""

from outcomes import HEART

LABEL = "LF power"
UNIT = "ms2"
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(lf_power):
    return lf_power
