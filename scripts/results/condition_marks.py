"""Colour and mark of each condition, the same in every figure and on every page."""

# dark, distinct under every common colour-vision deficiency, told apart by marks as well
COLOURS = ("#000000", "#D55E00", "#004488", "#117733", "#882255", "#666666")

MARKS = ("o", "s", "^", "D", "v", "P")


def colour_and_mark(condition, conditions):
    """Colour and mark of one of the conditions."""
    n = conditions.index(condition)
    # after a round of colours the marks are shifted by one
    return COLOURS[n % len(COLOURS)], MARKS[(n + n // len(COLOURS)) % len(MARKS)]
