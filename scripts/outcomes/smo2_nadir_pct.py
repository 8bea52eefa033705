"""Lowest centred mean of saturation in the set."""

from outcomes import SET

LABEL = "Saturation nadir"
UNIT = "%"
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET
# what stands for it at rest, set by set, because each exercise has its own muscle
REST = "smo2_baseline_pct"


def measure(smo2_nadir):
    return smo2_nadir
