"""How deep saturation fell, for how long single readings lay in the failure band (pale red in the
uppermost panel, see Terms), and how fast it came back. A set reached the band when its nadir lay in
it."""

from figures._drawing import mark_failure_band
from figures._panels import by_exercise, finding_by_exercise

TITLE = "Oxygenation outcomes by exercise"
ALT = "Every participant by exercise and condition for nadir, time in band and half-time."
NEEDS = ("outcomes",)
SHOWN = (
    ("smo2_nadir_pct", "set"),
    ("time_in_failure_band_s", "set"),
    ("reoxygenation_half_time_s", "recovery_first_60_s"),
)


def draw(results):
    figure, numbers = by_exercise(results, SHOWN)
    if "smo2_nadir_pct" in set(numbers.get("outcome", ())):
        mark_failure_band(figure.axes[0], results.settings.protocol.failure_band_pct)
        figure.axes[0].set_ylim(bottom=0)
    return figure, numbers


def finding(numbers):
    return finding_by_exercise(numbers)
