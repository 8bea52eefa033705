"""Whether conditions differ at all, and whether they differ alike in every exercise.

The tests come from the analysis of the contrasts (`comparison.within_person`). That of condition by
exercise stands before whatever is said exercise by exercise.
"""

from __future__ import annotations

import numpy as np

from comparison.conditions import Comparison
from comparison.within_person import between_conditions, condition_by_exercise

CONDITION = "condition"

INTERACTION = "condition by exercise"


def joint_tests(comparison: Comparison, *, fewest_participants: int) -> list[dict]:
    """Rows of joint_tests.tsv of an outcome; without exercises to compare only of the condition."""
    shape = comparison.y.shape[1:]
    held = exercises_held(comparison)
    names = comparison.exercises or ("",)
    left_out = [names[n] for n in range(shape[1]) if n not in held]
    without = f"without {', '.join(left_out)}: too few people have all conditions"
    tests = [_row(comparison, CONDITION, held, fewest_participants)]
    if comparison.by_exercise:
        tests.append(_row(comparison, INTERACTION, held, fewest_participants))
    for row in tests:
        if held and left_out:
            row["note"] = "; ".join(filter(None, [without, row["note"]]))
    return tests


def exercises_held(comparison: Comparison) -> list[int]:
    """Exercises in which two people at least hold each pair of conditions."""
    filled = comparison.filled
    pairs = [[comparison.conditions.index(name) for name in pair] for pair in comparison.pairs]
    return [
        n
        for n in range(filled.shape[2])
        if all((filled[:, a, n] & filled[:, b, n]).sum() > 1 for a, b in pairs)
    ]


def _row(comparison, term, held, fewest_participants) -> dict:
    shape = comparison.y.shape[1:]
    names = [comparison.exercises[n] for n in held] if comparison.exercises else []
    everything = comparison.filled[:, :, held].all(axis=(1, 2)) if held else np.array([])
    row = {
        "outcome": comparison.outcome,
        "window": comparison.window,
        "term": term,
        "exercises": "; ".join(names) or None,
        "n_participants": int(everything.sum()),
        "method": comparison.method,
        "note": "",
    }
    pairs = [len(comparison.pairs_of_values(pair, "all")[0]) for pair in comparison.pairs]
    if min(pairs) < fewest_participants:
        return row | {"note": f"{min(pairs)} pairs in one of the differences: not tested"}
    if len(held) < (2 if term == INTERACTION else 1):
        return row | {"note": "fewer than two exercises have all conditions: not tested"}
    wanted = between_conditions if term == CONDITION else condition_by_exercise
    test = comparison.tested_together(wanted(shape, held))
    if test is None:
        return row | {"note": "too few people determine every difference: not tested"}
    numbers = {name: getattr(test, name) for name in ("F", "df_num", "df", "epsilon", "p")}
    return row | numbers
