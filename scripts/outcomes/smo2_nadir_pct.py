"""Lowest centred mean of saturation in the set."""

from outcomes import SET

LABEL = "Saturation nadir"
UNIT = "%"
RECIPE = (
    "Lowest centred mean of the set: area under straight lines between usable readings over "
    "{nadir_window_s:g} s, divided by its length. Where contractions are seen, the mean spans "
    "the shortest whole number of them that lasts at least {nadir_window_s:g} s. It is "
    "centred on a reading, lies whole in the set and crosses no gap."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET
# what stands for it at rest, set by set, because each exercise has its own muscle
REST = "smo2_baseline_pct"


def measure(smo2_nadir):
    return smo2_nadir
