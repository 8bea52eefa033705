"""Perceived exertion, as noted, on the scale of the study."""

from measuring.inputs import noted_number
from outcomes import SET

LABEL = "Perceived exertion"
UNIT = ""
RECIPE = "The rating noted on the session sheet, as it stands."
FAMILY = "work"
SCALE = "ordinal"
ASKED_OF = SET


def measure(event):
    return noted_number(event, "rpe")
