"""Time after release until saturation is half-way back from its nadir."""

from muscle import recovery
from outcomes import AFTER_SET

LABEL = "Reoxygenation half-time"
UNIT = "s"
RECIPE = (
    "Seconds from the end of the set or cuff release, whichever is later, until saturation is "
    "half-way from the nadir of the set to the {half_time_to}. A centred mean over "
    "{nadir_window_s:g} s finds the first crossing; a least-squares line through the readings "
    "around it, a quarter of the half-time either side and at most {nadir_window_s:g} s, "
    "places it."
)
FAMILY = "saturation"
SCALE = "ratio"
ASKED_OF = AFTER_SET


def measure(saturation, window, smo2_nadir, recovery_target, nadir_window_s):
    return recovery.half_time(
        saturation,
        window.start_s,
        window.end_s,
        nadir_pct=smo2_nadir,
        target_pct=recovery_target,
        window_s=nadir_window_s,
    )
