"""Change of total haemoglobin of the working muscle from rest to the end of the set."""

from outcomes import SET

LABEL = "Total haemoglobin, change"
UNIT = "umol/l"
RECIPE = (
    "Total haemoglobin over the last {end_window_s:g} s of the set less that over the last "
    "{saturation_baseline_s:g} s of the session's first baseline. Each is the area under "
    "straight lines between usable readings, divided by the time that they cover; where "
    "contractions are seen, the end of the set spans the shortest whole number of them that "
    "lasts at least {end_window_s:g} s."
)
FAMILY = "haemoglobin"
SCALE = "identity"
ASKED_OF = SET
RECORDED = "total_haemoglobin"


def measure(haemoglobin_changes):
    return haemoglobin_changes[RECORDED]
