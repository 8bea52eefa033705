"""Whether the set ended in failure, as noted: 1 yes, 0 no."""

from measuring.inputs import noted
from outcomes import SET

LABEL = "Set to failure"
UNIT = ""
FAMILY = "work"
SCALE = "identity"
ASKED_OF = SET


def measure(event):
    return noted(event, "to_failure")
