"""Time after release until saturation is half-way back from its nadir."""

from muscle import recovery
from outcomes import AFTER_SET

LABEL = "Reoxygenation half-time"
UNIT = "s"
FAMILY = "saturation"
SCALE = "ratio"
ASKED_OF = AFTER_SET


def measure(time_s, smo2_pct, window, smo2_nadir, recovery_target, nadir_window_s, usable_share):
    return recovery.half_time(
        time_s,
        smo2_pct,
        window.start_s,
        window.end_s,
        nadir_pct=smo2_nadir,
        target_pct=recovery_target,
        window_s=nadir_window_s,
        min_usable_share=usable_share,
    )
