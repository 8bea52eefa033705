"""A set, from its first to its last repetition as noted."""

SAYS = "a `set`, from its onset to its end"
WHERE = "in sets"
ORDER = 2
ASKED = {"set": ("the heart", "resting saturation", "the set")}


def cut(event):
    return event.onset_s, event.onset_s + event.duration_s, ""
