"""What a report of a crossover study shows beside its contrasts.

Primary outcomes by sequence and visit, the first visit alone, the step from visit to visit, what
was done at the visit before, and the days between visits (CONSORT for randomised crossover trials,
Dwan et al. 2019, BMJ 366:l4378). None of this chooses the analysis: a test of carry-over that does
leads to wrong errors (Freeman 1989, Stat Med 8:1421-1432).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from comparison.conditions import Comparison
from comparison.contrasts import Rules, as_ratio
from comparison.orders import letters_of, previous_conditions, visits_done
from comparison.planning import detectable_noncentrality
from comparison.within_person import Contrast, Steps, WithinPerson

BY_SEQUENCE = "sequence and visit"

FIRST_VISIT = "first visit alone"

VISIT = "visit"

CARRY_OVER = "condition of the visit before"

DAYS = "days since the visit before"

ONE_VISIT = "no two visits with different conditions"

NO_SECOND_VISIT = "nobody made a second visit"

NO_DATES = "no dates of visits are given"

NO_TWO_DATES = "nobody has the dates of two visits in a row"

BETWEEN_PEOPLE = "between people, not within them: what makes people differ is in it"


@dataclass(frozen=True, eq=False)
class Orders:
    """Who did which condition at which visit, and which order was allotted.

    `visits` (participants, conditions) are the first visits of each; `allotted` holds the letters
    of sessions.tsv by participant, A the first condition of the study.
    """

    visits: pd.DataFrame
    allotted: pd.Series

    @classmethod
    def of(
        cls, outcomes: pd.DataFrame, sessions: pd.DataFrame, conditions: Sequence[str]
    ) -> Orders:
        """From rows of outcomes.tsv and of sessions.tsv."""
        given = sessions.dropna(subset=["sequence"]).groupby("participant_id")["sequence"].first()
        return cls(visits_done(outcomes, conditions), given)

    @cached_property
    def sequences(self) -> pd.Series:
        """The order allotted to each participant, else the order done."""
        return self.allotted.reindex(self.done.index).fillna(self.done)

    @cached_property
    def done(self) -> pd.Series:
        """The order done by each participant, as letters."""
        return letters_of(self.visits)

    @property
    def as_done(self) -> bool:
        """Whether the order done stands for that of somebody to whom none was allotted."""
        return not set(self.visits.index) <= set(self.allotted.index)

    @property
    def in_visits(self) -> bool:
        """Whether conditions were done at different visits."""
        return bool((self.visits.nunique(axis=1) > 1).any())


def crossover_rows(comparison: Comparison, orders: Orders, rules: Rules) -> list[dict]:
    """Rows of crossover.tsv of one outcome, estimates given back as ratios on ratio scales."""
    labels = comparison.labels
    if not orders.in_visits:
        return [labels | {"part": BY_SEQUENCE, "note": ONE_VISIT}]
    parts = [
        *_by_sequence(comparison, orders),
        *_first_visit(comparison, rules),
        *_visit_steps(comparison, rules),
        *_carry_over(comparison, orders, rules),
    ]
    for row in parts:
        if comparison.scale == "ratio" and row["part"] != BY_SEQUENCE:
            for name in ("estimate", "ci_low", "ci_high", "detectable"):
                row[name] = as_ratio(row.get(name))
    return [labels | row for row in parts]


def _by_sequence(comparison, orders) -> list[dict]:
    """Mean and SD over the people of a sequence, of each person the mean of the exercises."""
    single_rows = comparison.single_rows
    keys = ["participant_id", "condition", "visit"]
    of_exercise = single_rows.assign(exercise=single_rows["exercise"].fillna(""))
    means = of_exercise.groupby([*keys, "exercise"])["value"].mean().groupby(keys).mean()
    people = means.reset_index()
    people["sequence"] = people["participant_id"].map(orders.sequences)
    note = "order as done, where none was allotted" if orders.as_done else ""
    by_sequence = people.groupby(["sequence", "visit", "condition"])["value"]
    table = by_sequence.agg(n_participants="size", mean="mean", sd="std").reset_index()
    return table.assign(part=BY_SEQUENCE, note=note).to_dict("records")


def _first_visit(comparison, rules) -> list[dict]:
    """Conditions compared between the people who had them first (Welch 1947, Biometrika 34:28)."""
    first = np.nanmin(comparison.visits) if (~np.isnan(comparison.visits)).any() else np.nan
    at_first = np.where(comparison.visits == first, comparison.y, np.nan)
    known = ~np.isnan(at_first)
    counts = known.sum(axis=2)
    means = np.where(known, at_first, 0.0).sum(axis=2) / np.maximum(counts, 1)
    contrasts = []
    for pair in comparison.pairs:
        row = {"part": FIRST_VISIT, "contrast": " - ".join(pair)}
        sides = [means[counts[:, n] > 0, n] for n in (comparison.conditions.index(c) for c in pair)]
        row["n_participants"] = sum(map(len, sides))
        if min(map(len, sides)) < 2:
            contrasts.append(row | {"note": f"{_people(sides)}: too few to compare"})
            continue
        parts = [side.var(ddof=1) / len(side) for side in sides]
        se = float(np.sqrt(sum(parts)))
        if not se > 0:
            contrasts.append(row | {"note": "people of a condition do not differ: no error"})
            continue
        df = se**4 / sum(part**2 / (len(side) - 1) for part, side in zip(parts, sides, strict=True))
        difference = Contrast(float(sides[0].mean() - sides[1].mean()), se, float(df), 0)
        numbers = _estimate_numbers(difference, rules.confidence)
        note = f"{BETWEEN_PEOPLE}; {_people(sides)}"
        if min(map(len, sides)) < rules.fewest_participants:
            numbers["p"] = None
            note += f": no p-value with fewer than {rules.fewest_participants} on a side"
        contrasts.append(row | numbers | {"note": note})
    return contrasts


def _people(sides) -> str:
    return f"{len(sides[0])} and {len(sides[1])} people"


def _visit_steps(comparison, rules) -> list[dict]:
    """The step from the first visit to each other one, and the test of all of them."""
    layout = comparison.layout
    if not layout.visit_in_model:
        return [{"part": VISIT, "note": "the visit is not in the analysis"}]
    names = [f"{n:.0f}" for n in np.unique(layout.visits[layout.cells])]
    return _step_rows(VISIT, names, layout.of_visits(), comparison, layout, rules)


def _carry_over(comparison, orders, rules) -> list[dict]:
    """What follows one condition against what follows the first, and the test of all of them."""
    if not comparison.layout.visit_in_model:
        why = "cannot be told from the condition: the order did not vary, or too few people"
        return [{"part": CARRY_OVER, "note": why}]
    of_study = list(orders.visits.columns)
    chosen = orders.visits.reindex(comparison.participants)
    numbers = [of_study.index(name) for name in comparison.conditions]
    before = previous_conditions(chosen)[:, numbers][:, :, None]
    seen = [n for n in range(len(of_study)) if (before == n).any()]
    covariates = tuple(
        np.broadcast_to((before == n).astype(float), comparison.y.shape) for n in seen
    )
    layout = WithinPerson(
        comparison.filled, comparison.visits, (*comparison.covariates, *covariates)
    )
    if len(seen) < 2 or not layout.visit_in_model:
        why = "cannot be told from condition and visit"
        return [{"part": CARRY_OVER, "note": why}]
    steps = layout.of_covariates(first=len(comparison.covariates))
    names = [of_study[n] for n in seen]
    return _step_rows(CARRY_OVER, names, steps, comparison, layout, rules)


def _step_rows(part, names, steps: Steps, comparison, layout, rules) -> list[dict]:
    of_cells = comparison.y[layout.cells]
    people = len(np.unique(layout.cells[0]))
    row = {"part": part, "n_participants": people}
    few = people < rules.fewest_participants
    single_steps = []
    for name, estimator in zip(names[1:], steps.single, strict=True):
        contrast = estimator and estimator.of(of_cells)
        single = row | {"contrast": f"{name} - {names[0]}"}
        if contrast is None:
            single_steps.append(single | {"note": "too few people determine it"})
            continue
        numbers = _estimate_numbers(contrast, rules.confidence)
        size = detectable_noncentrality(
            contrast.df, power_wanted=rules.power, alpha=1 - rules.confidence
        )
        numbers["detectable"] = size * contrast.se
        if few:
            numbers |= {"p": None, "note": f"{people} participants: no p-value"}
        single_steps.append(single | numbers)
    test = None if few or steps.together is None else steps.together.of(of_cells)
    if test is None:
        why = f"{people} participants" if few else "too few people determine it"
        return [*single_steps, row | {"note": f"{why}: not tested"}]
    together = {"F": test.F, "df_num": test.df_num, "df": test.df, "p": test.p}
    return [*single_steps, row | together]


def _estimate_numbers(contrast: Contrast, confidence) -> dict:
    low, high = contrast.interval(confidence)
    return {
        "estimate": contrast.estimate,
        "se": contrast.se,
        "df": contrast.df,
        "ci_low": low,
        "ci_high": high,
        "p": contrast.p,
    }


def days_between(sessions: pd.DataFrame) -> list[dict]:
    """Rows with the days from each visit to the next, over the people with both dates.

    Shifted dates count; where the study gives none, the days of session_start.
    """
    ordered = sessions.sort_values(["participant_id", "visit"])
    if not ordered["participant_id"].duplicated().any():
        return [{"part": DAYS, "note": NO_SECOND_VISIT}]
    given = [name for name in ("date_shifted", "session_start") if ordered[name].notna().any()]
    if not given:
        return [{"part": DAYS, "note": NO_DATES}]
    dates = ordered[given[0]].astype("string").str[:10]
    ordered = ordered.assign(day=pd.to_datetime(dates, errors="coerce"))
    days = ordered.groupby("participant_id")["day"].diff().dt.days
    after = ordered.assign(days=days).dropna(subset=["days"])
    by_visit = after.groupby("visit")["days"].agg(
        n_participants="size", mean="mean", sd="std", lowest="min", highest="max"
    )
    gaps = by_visit.reset_index().assign(part=DAYS).to_dict("records")
    return gaps or [{"part": DAYS, "note": NO_TWO_DATES}]
