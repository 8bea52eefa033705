"""In which order conditions were done, judged from what was done and not from what was measured."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd

from results.decided import SAME_ORDER_OF_SETS, SAME_ORDER_OF_VISITS


def same_order(outcomes: pd.DataFrame, conditions: Sequence[str]) -> str:
    """What cannot be separated where everybody had the conditions in one order; empty where not.

    `outcomes` has participant_id, visit, event_onset_s, exercise and condition. Conditions of one
    visit are compared by the times of their sets, exercise by exercise.
    """
    done = outcomes[outcomes["condition"].isin(conditions) & outcomes["visit"].notna()]
    keys = ["participant_id", "visit", "event_onset_s", "exercise", "condition"]
    events = done[keys].drop_duplicates()
    between = _directions(events, conditions, ["participant_id"], ["visit"])
    # conditions that share a visit have no direction between visits
    in_visits = events[events["exercise"].notna() & events["event_onset_s"].notna()]
    within = _directions(
        in_visits, conditions, ["participant_id", "visit", "exercise"], ["event_onset_s"]
    )
    signs = [
        # where conditions shared a visit, only the times of their sets tell their order
        (between[pair] - {0}) | within[pair] if within.get(pair) else between[pair]
        for pair in between
    ]
    if not any(signs) or any(directions not in (set(), {-1}, {1}) for directions in signs):
        return ""
    return SAME_ORDER_OF_SETS if any(within.values()) else SAME_ORDER_OF_VISITS


def _directions(events, conditions, group, time) -> dict[tuple[str, str], set[int]]:
    """Of each pair of conditions the directions in which groups did them: -1, 1, 0 if mixed."""
    times = events.groupby([*group, "condition"], sort=False)[time[0]].agg(["min", "max"])
    first, last = (times[name].unstack("condition") for name in ("min", "max"))
    present = [name for name in conditions if name in first.columns]
    directions = {}
    for a, b in combinations(present, 2):
        both = first[a].notna() & first[b].notna()
        before = last.loc[both, a] < first.loc[both, b]
        after = first.loc[both, a] > last.loc[both, b]
        directions[a, b] = set(np.select([before, after], [-1, 1], 0).tolist())
    return directions


def visits_done(outcomes: pd.DataFrame, conditions: Sequence[str]) -> pd.DataFrame:
    """The first visit of each participant in each condition, (participants, conditions)."""
    done = outcomes[outcomes["condition"].isin(conditions) & outcomes["visit"].notna()]
    first = done.groupby(["participant_id", "condition"])["visit"].min().unstack("condition")
    return first.reindex(columns=list(conditions)).astype(float)


def letters_of(visits: pd.DataFrame) -> pd.Series:
    """The order done as letters, A the first condition of the study; conditions not done are out.

    `visits` come from `visits_done`; conditions that share a visit stand in the order of the study.
    """
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[: visits.shape[1]]
    return pd.Series(
        {
            person: "".join(
                letters[n] for n in np.argsort(row, kind="stable") if not np.isnan(row[n])
            )
            for person, row in zip(visits.index, visits.to_numpy(), strict=True)
        },
        dtype=object,
    )


def unplanned_orders(done: pd.Series, planned: Sequence[str]) -> list[str]:
    """Orders done that are no part of a planned one, in words; none where none was planned.

    Somebody who missed a condition did a part of an order: its letters in the same sequence.
    """
    if not planned:
        return []
    people = {}
    for person, order in done.items():
        if not any(_runs_through(order, whole) for whole in planned):
            people.setdefault(order, []).append(person)
    return [f"order {order} was not planned ({', '.join(who)})" for order, who in people.items()]


def not_as_allotted(done: pd.Series, allotted: pd.Series) -> list[str]:
    """Who did another order than was allotted, in words."""
    both = allotted.reindex(done.index).dropna()
    return [
        f"{person} did {done[person]}, allotted {order}"
        for person, order in both.items()
        if not _runs_through(done[person], order)
    ]


def _runs_through(part: str, whole: str) -> bool:
    letters = iter(whole)
    return all(letter in letters for letter in part)


def previous_conditions(visits: pd.DataFrame) -> np.ndarray:
    """Number of the condition of the visit before, -1 where there was none; shape of `visits`."""
    times = visits.to_numpy()
    before = np.full(times.shape, -1)
    for person, row in enumerate(times):
        for n in np.flatnonzero(~np.isnan(row)):
            earlier = np.where(row < row[n], row, -np.inf)
            if np.isfinite(earlier).any():
                before[person, n] = int(np.argmax(earlier))
    return before
