"""LF over HF power, for comparison only: not an index of sympathetic activity (Billman 2013)."""

from heart import spectrum
from outcomes import HEART

LABEL = "LF/HF"
UNIT = ""
RECIPE = "LF power over HF power of one spectrum."
FAMILY = "spectrum"
SCALE = "ratio"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(lf_power, hf_power):
    return spectrum.lf_hf_ratio(lf_power.value, hf_power.value)
