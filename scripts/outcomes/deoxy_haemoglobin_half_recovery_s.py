"""Time after release until deoxygenated haemoglobin is half-way back to its level at rest."""

from outcomes import AFTER_SET

LABEL = "Deoxygenated haemoglobin, half recovery"
UNIT = "s"
RECIPE = (
    "Seconds from the end of the set or cuff release, whichever is later, until deoxygenated "
    "haemoglobin is half-way from its mean over the last {end_window_s:g} s of the set back "
    "to that over the last {saturation_baseline_s:g} s of the session's first baseline. A "
    "centred mean over {nadir_window_s:g} s finds the first crossing; a least-squares line "
    "through the readings around it places it."
)
FAMILY = "haemoglobin"
SCALE = "ratio"
ASKED_OF = AFTER_SET
RECORDED = "deoxy_haemoglobin"


def measure(haemoglobin_half_recoveries):
    return haemoglobin_half_recoveries[RECORDED]
