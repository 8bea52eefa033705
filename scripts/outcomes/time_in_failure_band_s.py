"""Time in the saturation band in which a muscle is said to fail (common practice, no source)."""

from muscle import desaturation
from outcomes import SET

LABEL = "Time in failure band"
UNIT = "s"
RECIPE = (
    "Seconds of the set in which straight lines between usable readings lie from "
    "{failure_band_pct[0]:g} to {failure_band_pct[1]:g} %. The band is entered at its edge "
    "and left only {failure_band_hysteresis_pct:g} percentage points beyond it. Gaps add "
    "nothing."
)
FAMILY = "saturation"
SCALE = "identity"
ASKED_OF = SET


def measure(saturation, set_start_s, set_end_s, failure_band_pct, failure_band_hysteresis_pct):
    return desaturation.time_in_band_s(
        saturation,
        set_start_s,
        set_end_s,
        band_pct=failure_band_pct,
        hysteresis_pct=failure_band_hysteresis_pct,
    )
