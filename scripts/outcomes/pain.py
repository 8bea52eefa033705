"""Pain, as noted, 0 to 10."""

from measuring.inputs import noted_number
from outcomes import SET

LABEL = "Pain"
UNIT = ""
RECIPE = "The rating noted on the session sheet, as it stands."
FAMILY = "work"
SCALE = "ordinal"
ASKED_OF = SET


def measure(event):
    return noted_number(event, "pain")
