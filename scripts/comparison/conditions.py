"""Conditions compared: the cells of one outcome in one window, and their mixed model.

The unit is the mean of the bouts of a participant, condition and exercise. Contrasts come from
differences within people (`comparison.within_person`); the mixed model with the design's own random
terms (`comparison.design`) stands beside them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from comparison.design import Design, ModelError, leaves_a_residual, random_terms
from comparison.mixed_model import Fit, fit
from comparison.within_person import (
    Contrast,
    Estimator,
    JointTest,
    WithinPerson,
    difference_weights,
)

Scale = Literal["identity", "ratio", "ordinal", "yes or no"]

AVERAGED = "visits of one condition were averaged within the participant"

METHOD = "within person, CR2"

MODEL = "mixed model, Kenward-Roger"

RANKS = "ratings are compared by their ranks"

NO_REPEATS = "nothing in these cells shows what varies within sessions and exercises"


def comparable_rows(
    outcomes: pd.DataFrame, scales: Mapping[str, str], conditions: Sequence[str]
) -> pd.DataFrame:
    """Values that may be compared, with the value on the scale of the analysis in `y`.

    `outcomes` has the columns of outcomes.tsv. Kept are values that were given, belong to a
    condition of the study and, where `scales` says "ratio", are positive: `y` is then the natural
    logarithm. Of an "ordinal" outcome it is the share of all its values in the window that lie
    below, ties half: means of conditions are then relative effects (Brunner, Domhof and Langer
    2002, Nonparametric Analysis of Longitudinal Data in Factorial Experiments).
    """
    scale = outcomes["outcome"].map(scales)
    ratio, ordinal = scale == "ratio", scale == "ordinal"
    measured = outcomes["value"].astype(float)
    kept = (
        outcomes["status"].isin(["ok", "flagged"])
        & outcomes["condition"].isin(conditions)
        & measured.notna()
        & (~ratio | (measured > 0))
    )
    y = np.where(ratio, np.log(measured.where(ratio & kept, 1.0)), measured)
    comparable = outcomes.assign(y=y)[kept]
    if ordinal.any():
        of_ranks = comparable.loc[ordinal[kept]].groupby(["outcome", "window"])["value"]
        shares = (of_ranks.rank() - 0.5) / of_ranks.transform("size")
        comparable.loc[shares.index, "y"] = shares
    return comparable


@dataclass(frozen=True, eq=False)
class Comparison:
    """One outcome in one window: means by participant, condition and exercise, and their model.

    `y` and `visits` have the shape (participants, conditions, exercises), missing where nothing
    was given; outcomes that belong to no exercise have one. `single_rows` are the values before
    averaging. `designs` is filled with designs and may be shared between comparisons. `covariates`
    have the shape of `y`. `same_order` says of the study, not of these cells, what cannot be
    separated because everybody had its conditions in one order; it is empty where they varied.
    """

    outcome: str
    window: str
    scale: Scale
    participants: tuple[str, ...]
    conditions: tuple[str, ...]
    exercises: tuple[str, ...]
    y: np.ndarray
    visits: np.ndarray
    n_rows: int
    single_rows: pd.DataFrame = field(repr=False)
    designs: dict = field(default_factory=dict, repr=False)
    covariates: tuple[np.ndarray, ...] = ()
    same_order: str = ""

    @classmethod
    def of_rows(
        cls,
        comparable: pd.DataFrame,
        *,
        outcome: str,
        window: str,
        scale: str,
        conditions: Sequence[str],
        designs: dict | None = None,
        same_order: str = "",
    ) -> Comparison:
        """From `comparable_rows`: participant_id, condition, exercise, visit, y."""
        # what follows a set is compared apart from what follows a whole session
        in_exercise = comparable["exercise"].notna()
        comparable = comparable[in_exercise] if in_exercise.any() else comparable
        present = set(comparable["condition"])
        conditions = tuple(name for name in conditions if name in present)
        exercises = tuple(comparable["exercise"].dropna().unique())
        people, of_person = np.unique(
            comparable["participant_id"].to_numpy(str), return_inverse=True
        )
        of_condition = pd.Index(conditions).get_indexer(comparable["condition"])
        of_exercise = np.zeros(len(comparable), dtype=int)
        if len(exercises) > 1:
            of_exercise = pd.Index(exercises).get_indexer(comparable["exercise"])
        shape = (len(people), len(conditions), max(len(exercises), 1))
        at = np.ravel_multi_index((of_person, of_condition, of_exercise), shape)
        size = int(np.prod(shape))
        counts = np.bincount(at, minlength=size)
        # bouts are averaged within a cell: they are repeats of one randomised unit
        sums = np.bincount(at, weights=comparable["y"].to_numpy(float), minlength=size)
        y = np.where(counts, sums / np.maximum(counts, 1), np.nan).reshape(shape)
        visits = np.full(size, np.nan)
        # backwards, so that the first visit of a cell is the one that stays
        visits[at[::-1]] = comparable["visit"].to_numpy(float)[::-1]
        return cls(
            outcome=outcome,
            window=window,
            scale=scale,
            participants=tuple(map(str, people)),
            conditions=conditions,
            exercises=exercises,
            y=y,
            visits=visits.reshape(shape),
            n_rows=len(comparable),
            single_rows=comparable,
            designs={} if designs is None else designs,
            same_order=same_order,
        )

    # ------------------------------------------------ the cells

    @cached_property
    def as_noted(self) -> Comparison:
        """The same comparison in the unit of the outcome, whatever the scale of the analysis."""
        return Comparison.of_rows(
            self.single_rows.assign(y=self.single_rows["value"]),
            outcome=self.outcome,
            window=self.window,
            scale="identity",
            conditions=self.conditions,
            same_order=self.same_order,
        )

    @property
    def key(self) -> tuple[str, str]:
        """Outcome and window."""
        return self.outcome, self.window

    @property
    def labels(self) -> dict[str, str]:
        """Columns of result tables that say what is compared."""
        return {"outcome": self.outcome, "window": self.window, "scale": self.scale}

    @property
    def n_participants(self) -> int:
        return len(self.participants)

    @property
    def by_exercise(self) -> bool:
        return len(self.exercises) > 1

    @property
    def pairs(self) -> list[tuple[str, str]]:
        """(condition, reference) of every contrast: the later condition minus the earlier."""
        return [(later, earlier) for earlier, later in combinations(self.conditions, 2)]

    @property
    def levels(self) -> list[str]:
        """`all` for the marginal contrasts, then every exercise."""
        return ["all", *(self.exercises if self.by_exercise else ())]

    @cached_property
    def filled(self) -> np.ndarray:
        return ~np.isnan(self.y)

    @cached_property
    def cells(self) -> pd.DataFrame:
        """One row per filled cell: participant, condition, exercise, visit, y."""
        person, condition, exercise = np.nonzero(self.filled)
        names = self.exercises or ("",)
        return pd.DataFrame(
            {
                "participant": np.array(self.participants, dtype=object)[person],
                "condition": pd.Categorical.from_codes(condition, list(self.conditions)),
                "exercise": np.array(names, dtype=object)[exercise],
                "visit": [
                    None if np.isnan(visit) else f"{visit:.0f}"
                    for visit in self.visits[self.filled]
                ],
                "y": self.y[self.filled],
            }
        )

    @cached_property
    def visit_is_condition(self) -> bool:
        """Whether everybody in these cells had each condition at one and the same visit."""
        seen = [set(visits[~np.isnan(visits)]) for visits in self.visits.transpose(1, 0, 2)]
        return max(map(len, seen), default=0) < 2

    @cached_property
    def visits_repeated(self) -> bool:
        """Whether somebody had a condition at more than one visit."""
        names = (self.single_rows[name] for name in ("participant_id", "condition"))
        visits = self.single_rows["visit"].fillna(-1.0)
        done = {*zip(*names, visits, strict=True)}
        return len({visit[:2] for visit in done}) < len(done)

    @cached_property
    def too_few_for_visits(self) -> bool:
        """Whether visits would leave no degree of freedom to the variation between sessions.

        The likelihood is then flat: any split between participants and sessions is as good.
        """
        sessions = int(self.filled.any(axis=2).sum())
        visits = len(np.unique(self.visits[self.filled & ~np.isnan(self.visits)]))
        between = sessions - self.n_participants - (len(self.conditions) - 1)
        return 0 < between <= visits - 1

    def without(self, participant: str) -> Comparison:
        """The same comparison without one participant; conditions nobody did then are gone."""
        people = np.array(self.participants) != participant
        kept = np.array([self.filled[people, n].any() for n in range(len(self.conditions))])
        where = np.ix_(people, kept)
        return replace(
            self,
            participants=tuple(p for p in self.participants if p != participant),
            conditions=tuple(name for name, k in zip(self.conditions, kept, strict=True) if k),
            y=self.y[where],
            visits=self.visits[where],
            n_rows=int((self.single_rows["participant_id"] != participant).sum()),
            single_rows=self.single_rows[self.single_rows["participant_id"] != participant],
            covariates=tuple(covariate[where] for covariate in self.covariates),
            # a layout without one person serves this comparison alone: kept, they fill the memory
            designs={},
        )

    # ------------------------------------------------ the model

    @property
    def with_visit(self) -> bool:
        """Whether visits are in the model: known everywhere, and told apart from conditions."""
        known = not np.isnan(self.visits[self.filled]).any()
        return known and not self.visit_is_condition and not self.too_few_for_visits

    @property
    def formula(self) -> str:
        """The model as one line; empty where none could be fitted."""
        if self.fit is None:
            return ""
        fixed = "condition * exercise" if self.by_exercise else "condition"
        visit = ["visit"] if self.with_visit else []
        random = [f"(1 | {term})" for term in random_terms(self.by_exercise)]
        return " + ".join([f"y ~ {fixed}", *visit, *random])

    @property
    def fit(self) -> Fit | None:
        return self._fitted[0]

    @cached_property
    def _fitted(self) -> tuple[Fit | None, str]:
        """The fit and, where there is no model, why."""
        try:
            if self.scale == "ordinal":
                raise ModelError(RANKS)
            if not leaves_a_residual(self.y):
                raise ModelError(NO_REPEATS)
            fitted = fit(self._design(), self.y[self.filled])
            # degrees of freedom can fail where the fit did not: then there is no model
            fitted.coefficients()
        except ModelError as reason:
            return None, f"no model: {reason}"
        return fitted, ""

    def _design(self) -> Design:
        key = (
            self.participants,
            self.conditions,
            self.exercises,
            self.filled.tobytes(),
            self.visits.tobytes(),
        )
        if key not in self.designs:
            self.designs[key] = Design.of_cells(
                self.cells, by_exercise=self.by_exercise, with_visit=self.with_visit
            )
        return self.designs[key]

    @cached_property
    def notes(self) -> list[str]:
        """What a reader must know about the design."""
        notes = [self.same_order] if self.same_order else []
        if np.isnan(self.visits[self.filled]).any():
            notes.append("the visit is not known everywhere and not in the model")
        elif not self.layout.visit_in_model and not self.visit_is_condition:
            notes.append("too few sessions to tell visit from condition: visit not in the model")
        if self.visits_repeated:
            notes.append(AVERAGED)
        return notes

    @property
    def notes_of_model(self) -> list[str]:
        """What a reader must know about the mixed model, or why there is none."""
        return [self._fitted[1]] if self.fit is None else list(self.fit.notes)

    def weights(self, pair: tuple[str, str], exercise: str) -> np.ndarray:
        """Weights over the coefficients of one contrast; exercises weigh equally in `all`."""
        return contrast_weights(self._design(), pair, exercise)

    def pooled(self) -> dict[tuple, dict]:
        """Contrasts of the model by pair and exercise; only those that could be estimated.

        Each holds estimate, se, df, ci_low, ci_high, t and p after Kenward and Roger 1997.
        """
        if self.fit is None:
            return {}
        keys = [(pair, exercise) for exercise in self.levels for pair in self.pairs]
        weights = np.array([self.weights(*key) for key in keys])
        tested = self.fit.tests(weights)
        numbers = [{n: t for n, t in test.items() if n != "note"} for test in tested]
        return {
            key: test
            for key, test in zip(keys, numbers, strict=True)
            if np.isfinite(list(test.values())).all()
        }

    # ------------------------------------------------ differences within participants

    @cached_property
    def layout(self) -> WithinPerson:
        """Which cells are filled, at which visit: shared by outcomes with the same ones."""
        if self.covariates:
            return WithinPerson(self.filled, self.visits, self.covariates)
        key = ("within person", self.y.shape, self.filled.tobytes(), self.visits.tobytes())
        return self.designs.setdefault(key, WithinPerson(self.filled, self.visits))

    @property
    def method(self) -> str:
        """What contrasts come from, with what was taken into account."""
        visit = ", visit" if self.layout.visit_in_model else ""
        return f"{METHOD}{visit}{', own baseline' if self.covariates else ''}"

    def within_person(
        self, pair: tuple[str, str], exercise: str
    ) -> tuple[Contrast | None, list[str]]:
        """A contrast within people, None where its error cannot be estimated; exercises left out.

        `all` weighs equally the exercises in which two people at least hold both conditions. With
        fewer than two such people there is no contrast: others cannot stand for them.
        """
        estimator, left_out = self.estimator_of(pair, exercise)
        return estimator and estimator.of(self.y[self.layout.cells]), left_out

    def estimator_of(
        self, pair: tuple[str, str], exercise: str
    ) -> tuple[Estimator | None, list[str]]:
        """The estimator of a contrast, and the exercises left out; as `within_person`."""
        of_pair = [self.conditions.index(name) for name in pair]
        n_exercises = self.y.shape[2]
        numbers = range(n_exercises)
        if exercise != "all":
            numbers = [self.exercises.index(exercise)]
        shape = self.y.shape[1:]
        weights = {n: difference_weights(shape, *of_pair, n) for n in numbers}
        held = [n for n in numbers if self.layout.pairs(weights[n]) > 1]
        left_out = [self.exercises[n] for n in numbers if n not in held] if held else []
        if not held:
            return None, []
        return self._kept("estimator", sum(weights[n] for n in held) / len(held)), left_out

    def tested_together(self, wanted: np.ndarray) -> JointTest | None:
        """The test that contrasts (contrasts, conditions, exercises) are all zero."""
        estimator = self._kept("joint", wanted)
        return estimator and estimator.of(self.y[self.layout.cells])

    def _kept(self, kind: str, wanted: np.ndarray):
        """An estimator of the layout (`kind`), made once for all outcomes with the same cells."""
        layout = self.layout
        if self.covariates:
            return getattr(layout, kind)(wanted)
        key = (kind, id(layout), wanted.tobytes())
        if key not in self.designs:
            self.designs[key] = getattr(layout, kind)(wanted)
        return self.designs[key]

    def pairs_of_values(
        self, pair: tuple[str, str], exercise: str
    ) -> tuple[np.ndarray, np.ndarray]:
        """Values in both conditions of everybody who did both, over the exercises done in both."""
        sides = [self.y[:, self.conditions.index(name)] for name in pair]
        if exercise != "all":
            sides = [side[:, [self.exercises.index(exercise)]] for side in sides]
        both = ~np.isnan(sides[0]) & ~np.isnan(sides[1])
        counts = both.sum(axis=1)
        done = counts > 0
        return tuple(np.where(both, side, 0.0).sum(axis=1)[done] / counts[done] for side in sides)


def contrast_weights(design: Design, pair: tuple[str, str], exercise: str) -> np.ndarray:
    """Weights over the coefficients of a design of the first condition minus the second."""
    first, second = (design.cell_means[design.conditions.index(name)] for name in pair)
    difference = first - second
    if exercise == "all":
        return difference.mean(axis=0)
    return difference[design.exercises.index(exercise)]
