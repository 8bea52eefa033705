"""Few people, person by person: differences, overlap of single values, randomisation tests.

Nothing is claimed here. A p-value stands only where the plan states how the conditions were drawn
and the draw left more than one schedule.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from comparison.conditions import Comparison
from comparison.contrasts import as_ratio
from comparison.single_case import non_overlap, schedule_test
from results.columns import columns_of

Schedule = Literal[
    "not_stated", "completely_randomised", "randomised_blocks", "randomised_within_exercises"
]

WITHIN_EXERCISES = "randomised_within_exercises"

# up to so many participants a study is told person by person; convention
FEW_PEOPLE = 4

ONE_VISIT = "all conditions in one visit: condition cannot be told from time in the visit"

ONE_VISIT_EACH = "one visit for each condition: condition cannot be told from day"

NOT_STATED = "conditions were repeated over visits, how they were allotted is not stated"


def single_case_table(
    comparison: Comparison, *, schedule: Schedule, conditions: int, seed: int
) -> pd.DataFrame:
    """Every difference of every person, over the exercises and within each.

    `conditions` is their number in the study, which a block of visits holds. Columns as in
    single_case.tsv; without a person who has two conditions there is no row. On ratio scales the
    means are geometric and the difference is a ratio.
    """
    of_people = []
    for person in comparison.participants:
        is_person = comparison.single_rows["participant_id"] == person
        of_person = comparison.single_rows[is_person]
        of_person = of_person.assign(exercise=of_person["exercise"].fillna(""))
        for exercise in comparison.levels:
            chosen = of_person
            if exercise != "all":
                chosen = of_person[of_person["exercise"] == exercise]
            for pair in comparison.pairs:
                row = difference_of_conditions(chosen, pair)
                if exercise == "all" or schedule != WITHIN_EXERCISES:
                    drawn = randomisation_test_of(
                        chosen, pair, schedule=schedule, block=conditions, seed=seed
                    )
                    notes = [row["note"], drawn.pop("note", "")]
                    row |= drawn | {"note": "; ".join(filter(None, notes))}
                labels = {"participant_id": person, "exercise": exercise}
                of_people.append(labels | {"contrast": f"{pair[0]} - {pair[1]}"} | row)
    table = (
        pd.DataFrame(of_people)
        .assign(**comparison.labels)
        .reindex(columns=columns_of("single_case"))
    )
    if comparison.scale == "ratio":
        for name in ("condition_mean", "reference_mean", "difference"):
            table[name] = [as_ratio(logarithm) for logarithm in table[name]]
    return table


def difference_of_conditions(of_person: pd.DataFrame, pair: tuple[str, str]) -> dict:
    """Means, difference and overlap of two conditions, equal weights for the exercises of both.

    `of_person` holds exercise, condition and y of one person. Overlap is given where both
    conditions have two values or more in an exercise.
    """
    sides, left_out = {}, []
    exercises, conditions, y = (of_person[c].to_numpy() for c in ("exercise", "condition", "y"))
    for exercise in dict.fromkeys(exercises):
        first, second = (y[(exercises == exercise) & (conditions == name)] for name in pair)
        if len(first) and len(second):
            sides[exercise] = (first, second)
        else:
            left_out.append(exercise)
    if not sides:
        return {"n_condition": 0, "n_reference": 0, "note": "no values in both conditions"}
    means = np.array([[side.mean() for side in pair_of] for pair_of in sides.values()])
    numbers = {
        "n_condition": sum(len(first) for first, _ in sides.values()),
        "n_reference": sum(len(second) for _, second in sides.values()),
        "condition_mean": means[:, 0].mean(),
        "reference_mean": means[:, 1].mean(),
        "difference": (means[:, 0] - means[:, 1]).mean(),
    }
    repeated = [s for s in sides.values() if min(len(s[0]), len(s[1])) > 1]
    if repeated:
        nap = float(np.mean([non_overlap(second, first) for first, second in repeated]))
        numbers |= {"nap": nap, "tau": 2 * nap - 1}
        numbers["n_comparisons"] = sum(len(first) * len(second) for first, second in repeated)
    notes = [f"without {', '.join(left_out)}: no values in both"] if left_out else []
    if not repeated:
        notes.append("no overlap: one value in a condition")
    return numbers | {"note": "; ".join(notes)}


def randomisation_test_of(
    of_person: pd.DataFrame, pair: tuple[str, str], *, schedule: Schedule, block: int, seed: int
) -> dict:
    """The randomisation test of a pair as its schedule was drawn, or why there is none."""
    of_pair = of_person[of_person["condition"].isin(pair)]
    if of_pair["condition"].nunique() < 2:
        return {}
    if schedule == WITHIN_EXERCISES:
        means, blocks = _means_within_exercises(of_pair)
    else:
        means, blocks = _means_of_repeated_visits(of_pair), None
        if means is None:
            in_one = of_pair["visit"].nunique() == 1
            return {"note": ONE_VISIT if in_one else ONE_VISIT_EACH}
        if schedule == "not_stated":
            return {"note": NOT_STATED}
        if schedule == "randomised_blocks":
            blocks = (means["visit"].astype(int) - 1) // block
            if means.assign(block=blocks).duplicated(["block", "condition"]).any():
                return {"note": "the visits are no blocks with every condition once"}
            blocks = blocks.to_list()
    try:
        test = schedule_test(
            means["y"].to_numpy(),
            means["condition"].to_list(),
            pair,
            blocks=blocks,
            rng=np.random.default_rng(seed),
        )
    except ValueError as reason:
        return {"note": str(reason)}
    return {
        "randomisation_p": test.p,
        "randomisation_minimum": test.attainable_minimum,
        "n_schedules": test.total,
        "note": "" if test.exact else f"p from {test.total - 1} schedules drawn at random",
    }


def _means_of_repeated_visits(of_pair: pd.DataFrame) -> pd.DataFrame | None:
    """Mean of every visit in either condition, over the exercises done at all of them.

    None where no condition has two visits.
    """
    if len(set(zip(of_pair["condition"], of_pair["visit"], strict=True))) == 2:
        return None
    means = of_pair.groupby(["visit", "condition", "exercise"])["y"].mean().unstack("exercise")
    means = means.dropna(axis=1).mean(axis=1).rename("y").dropna().reset_index()
    return means if means["condition"].duplicated().any() else None


def _means_within_exercises(of_pair) -> tuple[pd.DataFrame, list[str]]:
    """Mean of either condition in every exercise that has both; the exercises are the blocks."""
    means = of_pair.groupby(["exercise", "condition"])["y"].mean().unstack("condition")
    means = means.dropna().stack().rename("y").reset_index()
    return means, means["exercise"].to_list()
