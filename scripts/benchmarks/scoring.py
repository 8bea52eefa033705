"""How well detected beats match reference beats, record by record and gross."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

MATCH_S = 0.150

LEARNING_S = 5.0


@dataclass(frozen=True)
class Score:
    """Counts and timing of one record: errors in ms after the typical offset is taken off."""

    true_positives: int
    false_negatives: int
    false_positives: int
    offset_ms: float
    mad_ms: float
    rms_ms: float

    @property
    def sensitivity_pct(self) -> float:
        return _share(self.true_positives, self.false_negatives)

    @property
    def predictivity_pct(self) -> float:
        return _share(self.true_positives, self.false_positives)

    @property
    def f1_pct(self) -> float:
        return _share(2 * self.true_positives, self.false_negatives + self.false_positives)


def _share(hits, misses):
    return 100.0 * hits / (hits + misses) if hits + misses else float("nan")


def score_beats(
    reference_s: ArrayLike,
    detected_s: ArrayLike,
    *,
    excluded_s: list[tuple[float, float]] | None = None,
    match_s: float = MATCH_S,
    learning_s: float = LEARNING_S,
) -> Score:
    """Match beats one to one, nearest first, within 150 ms; the first 5 s do not count.

    Times in s, sorted. `excluded_s`: spans without beats to compare, as ventricular flutter. After
    ANSI/AAMI EC57 (match window and record-by-record counts; from memory).
    """
    reference, detected = (
        _counted(np.asarray(times, dtype=float), excluded_s or [], learning_s)
        for times in (reference_s, detected_s)
    )
    first = np.searchsorted(detected, reference - match_s)
    last = np.searchsorted(detected, reference + match_s, side="right")
    pairs = [(i, j) for i in range(reference.size) for j in range(first[i], last[i])]
    pairs.sort(key=lambda pair: abs(detected[pair[1]] - reference[pair[0]]))
    matched_reference, matched_detected, errors = set(), set(), []
    for i, j in pairs:
        if i not in matched_reference and j not in matched_detected:
            matched_reference.add(i)
            matched_detected.add(j)
            errors.append(1000 * (detected[j] - reference[i]))
    error = np.asarray(errors)
    offset = float(np.median(error)) if error.size else float("nan")
    return Score(
        len(errors),
        reference.size - len(errors),
        detected.size - len(errors),
        offset,
        float(np.median(np.abs(error - offset))) if error.size else float("nan"),
        float(np.sqrt(np.mean((error - offset) ** 2))) if error.size else float("nan"),
    )


def _counted(times_s, excluded_s, learning_s):
    kept = times_s >= learning_s
    for start_s, end_s in excluded_s:
        kept &= (times_s < start_s) | (times_s > end_s)
    return np.sort(times_s[kept])
