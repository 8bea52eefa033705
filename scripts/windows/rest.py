"""A rest between sets, as noted."""

SAYS = "a `rest`, from its onset to its end"
WHERE = "in rests"
ORDER = 4
ASKED = {"rest": ("the heart",)}


def cut(event):
    return event.onset_s, event.onset_s + event.duration_s, ""
