"""Pain, as noted, 0 to 10."""

from outcomes import SET
from windows.inputs import noted

LABEL = "Pain"
UNIT = ""
FAMILY = "work"
SCALE = "identity"
ASKED_OF = SET


def measure(event):
    return noted(event, "pain")
