"""Time constant of an exponential reoxygenation; secondary to the half-time."""

from muscle import recovery
from outcomes import AFTER_SET

LABEL = "Reoxygenation time constant"
UNIT = "s"
RECIPE = (
    "Least-squares fit of E - A exp(-(t - delay) / tau) to the usable readings of the window, "
    "flat until the delay, which is at most {longest_recovery_delay_s:g} s; each reading has "
    "the same weight. The value is tau."
)
FAMILY = "saturation"
SCALE = "ratio"
ASKED_OF = AFTER_SET


def measure(saturation, window, longest_recovery_delay_s, smallest_recovery_r2, largest_tau_error):
    return recovery.exponential_tau(
        saturation,
        window.start_s,
        window.end_s,
        longest_delay_s=longest_recovery_delay_s,
        min_r2=smallest_recovery_r2,
        largest_se_share=largest_tau_error,
    )
