"""Change of deoxygenated haemoglobin of the working muscle from rest to the end of the set."""

from muscle import concentration
from outcomes import SET

LABEL = "Deoxygenated haemoglobin, change"
UNIT = "umol/l"
FAMILY = "haemoglobin"
SCALE = "identity"
ASKED_OF = SET
RECORDED = "deoxy_haemoglobin"


def measure(
    concentrations,
    baseline_end_s,
    set_end_s,
    saturation_baseline_s,
    end_window_s,
    usable_share,
    ripple_hz=None,
):
    return concentration.change(
        concentrations[RECORDED],
        baseline_end_s,
        set_end_s,
        baseline_window_s=saturation_baseline_s,
        end_window_s=end_window_s,
        min_usable_share=usable_share,
        contraction_rate_hz=ripple_hz,
    )
