"""Half of peak to trough of the ripple of saturation."""

from outcomes import SET

LABEL = "Contraction amplitude"
UNIT = "%"
RECIPE = (
    "Median along the set of half the distance from peak to trough of the ripple at the "
    "cadence, by local harmonic regression."
)
FAMILY = "contraction"
SCALE = "identity"
ASKED_OF = SET


def measure(contractions):
    return contractions.amplitude_pct
