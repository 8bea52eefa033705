"""Heart rate, its fall after the set, RMSSD, and the modulation of heart rate at the breathing
rate, which follows breathing through the set."""

from figures._panels import by_exercise, finding_by_exercise

TITLE = "Autonomic outcomes by exercise"
ALT = "Every participant by exercise and condition for four autonomic outcomes."
NEEDS = ("outcomes",)
SHOWN = (
    ("mean_hr_bpm", "set"),
    ("hrr_60_bpm", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_first_60_s"),
    ("hf_modulation", "set"),
)


def draw(results):
    return by_exercise(results, SHOWN)


def finding(numbers):
    return finding_by_exercise(numbers)
