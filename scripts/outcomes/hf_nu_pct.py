"""HF power in percent of LF and HF power; it says the same as LF/HF (Task Force 1996)."""

from heart.spectrum import normalised_units_pct
from outcomes import HEART

LABEL = "HF n.u."
UNIT = "%"
RECIPE = (
    "100 times HF power over the sum of LF and HF power of one spectrum; total power and "
    "power below LF do not enter."
)
FAMILY = "spectrum"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "none"


def measure(lf_power, hf_power):
    return normalised_units_pct(hf_power.value, lf_power.value + hf_power.value)
