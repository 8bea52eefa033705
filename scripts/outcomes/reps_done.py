"""Repetitions done, as noted."""

from outcomes import SET
from windows.inputs import noted

LABEL = "Repetitions"
UNIT = ""
FAMILY = "work"
SCALE = "identity"
ASKED_OF = SET


def measure(event):
    return noted(event, "reps_done")
