"""A complex between two beats that are due one after the other: a beat only if its shape is known.

Where the heart is on time without a complex, it adds a beat to a rhythm that needs none. An
interpolated beat does so, with the shape of others; so do a lone spike and a burst of movement.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from heart.detection import settings
from heart.detection.arrays import Floats


def margins_between_beats(beat_s: Floats, likeness: Floats, margin: Floats) -> Floats:
    """Margins of a chain of beats, less what a complex between two beats lacks in likeness.

    Per beat its time (s), likeness to the nearest recurring shape (-1 to 1) and margin (see
    `chain_margins`). A margin of 0 says: no beat. Of two such complexes in a row, each is judged by
    the neighbours that the chain gives it.
    """
    if beat_s.size < 3:
        return margin
    intervals_s = np.diff(beat_s)
    usual_s = ndimage.median_filter(intervals_s, 15, mode="nearest")
    due = (beat_s[2:] - beat_s[:-2]) / np.maximum(usual_s[:-1], usual_s[1:])
    shortest, longest = settings.DUE_AGAIN
    between = (due > shortest) & (due < longest)
    between &= np.minimum(likeness[:-2], likeness[2:]) > settings.DUE_LIKENESS
    judged = np.minimum(margin[1:-1], settings.STANDING_OUT_MOST)
    judged += settings.BETWEEN_WEIGHT * (likeness[1:-1] - settings.BETWEEN_LIKENESS)
    less = margin.copy()
    less[1:-1][between] = np.clip(judged, 0.0, margin[1:-1])[between]
    return less
