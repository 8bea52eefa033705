"""Contractions counted from the ripple of saturation."""

from outcomes import SET

LABEL = "Contractions counted"
UNIT = ""
RECIPE = (
    "Most probable whole number of cycles between the first and the last ripple of saturation "
    "in the set. The cadence with the strongest ripple from {slowest_cadence_hz:g} to "
    "{fastest_cadence_hz:g} Hz is followed by local harmonic regression. Where another cadence "
    "would look the same at this sampling, the one within a fifth of that on the session sheet "
    "counts."
)
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.count
