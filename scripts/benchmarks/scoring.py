"""How well detected beats match reference beats, record by record and gross."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

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
    pairs = _matched(reference, detected, match_s)
    error = np.array([1000 * (detected[j] - reference[i]) for i, j in pairs])
    offset = float(np.median(error)) if error.size else float("nan")
    return Score(
        error.size,
        reference.size - error.size,
        detected.size - error.size,
        offset,
        float(np.median(np.abs(error - offset))) if error.size else float("nan"),
        float(np.sqrt(np.mean((error - offset) ** 2))) if error.size else float("nan"),
    )


def wrong_beats_s(
    reference_s: ArrayLike, detected_s: ArrayLike, *, match_s: float = MATCH_S
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Times of missed and of false beats of a whole record, so that no edge of a span parts a pair.

    Times in s, sorted; matched as by `score_beats`.
    """
    reference, detected = np.asarray(reference_s, float), np.asarray(detected_s, float)
    pairs = np.array(_matched(reference, detected, match_s), int).reshape(-1, 2)
    return np.delete(reference, pairs[:, 0]), np.delete(detected, pairs[:, 1])


def _matched(reference, detected, match_s):
    """Places of reference and detected beats that match one to one, nearest first."""
    first = np.searchsorted(detected, reference - match_s)
    last = np.searchsorted(detected, reference + match_s, side="right")
    pairs = [(i, j) for i in range(reference.size) for j in range(first[i], last[i])]
    pairs.sort(key=lambda pair: abs(detected[pair[1]] - reference[pair[0]]))
    matched_reference, matched_detected, matched = set(), set(), []
    for i, j in pairs:
        if i not in matched_reference and j not in matched_detected:
            matched_reference.add(i)
            matched_detected.add(j)
            matched.append((i, j))
    return matched


def outside(times_s, excluded_s):
    """Times (s) that lie in none of the spans."""
    kept = np.ones(len(times_s), bool)
    for start_s, end_s in excluded_s:
        kept &= (times_s < start_s) | (times_s > end_s)
    return times_s[kept]


def _counted(times_s, excluded_s, learning_s):
    return np.sort(outside(times_s[times_s >= learning_s], excluded_s))
