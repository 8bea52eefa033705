"""Area between resting saturation and the trace where it lies below, in the set."""

from muscle import desaturation
from outcomes import SET

LABEL = "Area below baseline"
UNIT = "% s"
RECIPE = (
    "Area between the resting saturation and straight lines between usable readings of the "
    "set where they lie below it; a line is cut where it crosses. Gaps add nothing."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(saturation, set_start_s, set_end_s, smo2_baseline):
    return desaturation.area_below(saturation, set_start_s, set_end_s, level_pct=smo2_baseline)
