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


def measure(
    time_s,
    smo2_pct,
    window,
    longest_recovery_delay_s,
    smallest_recovery_r2,
    largest_tau_error,
    usable_share,
    at_rest,
):
    return recovery.exponential_recovery(
        time_s,
        smo2_pct,
        window.start_s,
        window.end_s,
        longest_delay_s=longest_recovery_delay_s,
        min_r2=smallest_recovery_r2,
        largest_tau_se_share=largest_tau_error,
        min_usable_share=usable_share,
        at_rest=at_rest,
    ).tau
