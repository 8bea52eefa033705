"""Repetitions done, as noted."""

from measuring.inputs import noted_number
from outcomes import SET

LABEL = "Repetitions"
UNIT = ""
RECIPE = "The number noted on the session sheet, as it stands."
FAMILY = "work"
SCALE = "identity"
ASKED_OF = SET


def measure(event):
    return noted_number(event, "reps_done")
