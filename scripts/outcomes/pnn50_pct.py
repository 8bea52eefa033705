"""Differences of more than 50 ms, in percent of the normal intervals (Task Force 1996)."""

from heart import variability
from outcomes import HEART

LABEL = "pNN50"
UNIT = "%"
RECIPE = (
    "Differences between successive normal intervals that exceed 50 ms, in percent of the "
    "number of intervals between normal beats, not of the number of differences."
)
FAMILY = "heart period"
SCALE = "identity"
ASKED_OF = HEART
EVIDENCE = "vagal"


def measure(differences_ms, normal_beats):
    return variability.pnn50_pct(differences_ms, interval_count=normal_beats)
