"""Perceived exertion, as noted, on the scale of the study."""

from outcomes import SET
from windows.inputs import noted

LABEL = "Perceived exertion"
UNIT = ""
FAMILY = "work"
SCALE = "identity"
ASKED_OF = SET


def measure(event):
    return noted(event, "rpe")
