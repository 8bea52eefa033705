"""All numbers of the beat detector; evidence and costs are in natural-logarithm units.

The numbers are conventions of this project, chosen with all development recordings in view (16
annotated records and generated exercise ECG), so scores on those are not a held-out test. Of those
tried, two are delicate: ANOTHER_SHAPE_BELOW, at 0.65 posture changes cost beats, and QUIETER_BELOW,
which weighs noise of electrodes against noise of muscles.
"""

from __future__ import annotations

from typing import NamedTuple


class Band(NamedTuple):
    """Through which a recording is seen: bands of slope and of waveform (Hz), and the share of the
    local level above which complexes count as crowding."""

    slope_hz: tuple[float, float]
    waveform_hz: tuple[float, float]
    crowding_level: float


USUAL = Band((8.0, 24.0), (4.0, 38.0), 0.35)

# higher, for footfalls and moving electrodes, and a lower level for the smaller of two trains
STEEP = Band((14.0, 32.0), (16.0, 40.0), 0.25)

ENVELOPE_S = 0.09
CANDIDATE_SPACING_S = 0.1

# The chain: physiological limits of an interval, the cost of a change of interval
# (weight x squared logarithm of the ratio, up to the cap), the cost of breaking off.
SHORTEST_INTERVAL_S = 0.27
LONGEST_INTERVAL_S = 2.2
CONTINUITY_WEIGHT = 30.0
CONTINUITY_CAP = 1.5
RESTART_COST = 2.0

# How far around a candidate the usual strength of beats and of noise is learned.
LEVEL_REACH_S = 6.0
NOISE_REACH_S = 5.0

# First pass: evidence of a peak by the logarithm of its strength over the local level.
STRENGTH_WEIGHT = 1.5
STRENGTH_EVIDENCE = 1.2

# Second pass: candidates by likeness times strength (the strength counts up to so many levels),
# evidence by the logarithm of that product over its local level and by the likeness.
RELATIVE_MOST = 1.5
FIT_FROM = 0.02
PRODUCT_QUANTILE = 0.85
PRODUCT_WEIGHT = 2.0
LIKENESS_WEIGHT = 3.0
LIKENESS_FROM = 0.3
ALIKE_EVIDENCE = 0.5

# A complex of any shape counts when it exceeds this share of the usual beat and this multiple
# of what is usual between beats; its evidence is bounded, so that no artefact outweighs all.
STANDING_OUT_SHARE = 0.2
STANDING_OUT_NOISE = 3.0
STANDING_OUT_GAIN = 4.0
STANDING_OUT_MOST = 5.0

# Two beats of known shape are due one after the other where their distance is the usual
# interval within these limits (an interpolated beat delays the next one a little). A complex
# between them loses so much of its margin for what its likeness lacks: of 363 false and 294
# true complexes so placed in disturbed records, 171 and 9 fall to 0.
DUE_AGAIN = (0.8, 1.2)
DUE_LIKENESS = 0.8
BETWEEN_WEIGHT = 15.0
BETWEEN_LIKENESS = 0.92

# Beats less like the known shapes than this are searched for a further recurring shape.
ANOTHER_SHAPE_BELOW = 0.75

# Of normal shape from this correlation, in quiet and in noise (noise over usual beat strength).
NORMAL_CORRELATION = (0.9, 0.65)
NOISE_RATIO = (0.1, 0.35)
MOST_SHAPES = 3

# A wide ectopic beat is what an interval this much longer than usual still holds when the own
# P and T are subtracted: above this share of the usual QRS and this multiple of what remains
# of ordinary intervals around. After an early beat a long interval needs no explanation.
LONG_INTERVAL = 1.4
EARLY_INTERVAL = 0.85
REMAINDER_SHARE = 0.6
REMAINDER_NOISE = 2.5

# Crowded: of the complexes above this share of the local level, within this reach, so large a
# share stands closer together than beats can. Evidence there of a strong complex of any shape:
# enough to bridge a gap between beats, too little to draw the chain.
CROWDING_REACH_S = 6.0
CROWDED_FROM = 0.2
BRIDGING_SHARE = 0.5
BRIDGING_EVIDENCE = 0.7

# Footfalls: crowded for so long with more complexes a second than hearts give (170 a minute),
# and so large a share of those that are too close for beats are of shapes that recur.
FOOTFALL_STRETCH_S = 20.0
FOOTFALL_RATE_HZ = 2.8
RECURRING_LIKENESS = 0.8
RECURRING_SHARE = 0.7

# Slower than this nobody runs, and nothing hides the heart from the usual band.
SLOWEST_STEPS_HZ = 2.2

# Where noise is this strong beside beats (envelope between and at beats), and so much weaker
# beside them in the higher bands, these are used, and for some seconds around.
NOISY_FROM = 0.25
QUIETER_BELOW = 0.8
QUIETER_MARGIN_S = 2.0

# Beside so many beats that nothing crowds, the own QRS is learned from these and footfalls from
# as many complexes that are unlike it.
UNCROWDED_BELOW = 0.03
UNCROWDED_BEATS = 40
UNLIKE_OWN_BELOW = 0.95
FEWEST_FOOTFALLS = 20
