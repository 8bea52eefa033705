"""Mean saturation at the end of the set."""

from muscle import levels
from outcomes import SET

LABEL = "Saturation at end"
UNIT = "%"
RECIPE = (
    "Mean over the last {end_window_s:g} s of the set: area under straight lines between "
    "usable readings, divided by the time that they cover. Where contractions are seen, the "
    "mean spans the shortest whole number of them that lasts at least {end_window_s:g} s."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET
# what stands for it at rest, set by set, because each exercise has its own muscle
REST = "smo2_baseline_pct"


def measure(rippling_saturation, set_end_s, end_window_s):
    return levels.end_level(rippling_saturation, set_end_s, window_s=end_window_s)
