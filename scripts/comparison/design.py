"""The design of a model: which cells were measured, by whom, and what their means rest on.

Rows are cells of participants, conditions and exercises. Conditions, exercises and visits are
coded as differences from their first level. Random intercepts belong to participants, to
participants in a condition (a session) and to participants in an exercise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations

import numpy as np
import pandas as pd

PARTICIPANT, SESSION, EXERCISE = "participant", "participant:condition", "participant:exercise"

# A column is aliased when this little of its length is left after the columns before it:
# the convention of R's qr().
ALIAS_TOLERANCE = 1e-7

# beyond rounding, in units of the largest value
RESIDUAL_TOLERANCE = 1e-9


class ModelError(ValueError):
    """A model that cannot be fitted, or a question that it cannot answer, in words to act on."""


def random_terms(by_exercise: bool) -> tuple[str, ...]:
    """Random terms of the design: with one exercise the session is the residual and no term."""
    return (PARTICIPANT, SESSION, EXERCISE) if by_exercise else (PARTICIPANT,)


@dataclass(frozen=True, eq=False)
class Design:
    """Fixed and random part of one table of cells, laid out on a grid of cells per participant.

    `names` are the coefficients and `X` (rows, coefficients) their columns; `cell_means` has the
    shape (conditions, exercises, coefficients) and gives the mean of a cell, visits weighing
    equally. `filled` has the shape (participants, conditions,
    exercises). `person` and `cell` say where a row lies on the grid.
    """

    participants: tuple[str, ...]
    conditions: tuple[str, ...]
    exercises: tuple[str, ...]
    terms: tuple[str, ...]
    names: tuple[str, ...]
    X: np.ndarray
    cell_means: np.ndarray
    filled: np.ndarray
    person: np.ndarray
    cell: np.ndarray

    @classmethod
    def of_cells(cls, cells: pd.DataFrame, *, by_exercise: bool, with_visit: bool) -> Design:
        """From cells with participant, condition (categorical), exercise and visit."""
        participants, person = np.unique(cells["participant"].to_numpy(str), return_inverse=True)
        used = cells["condition"].cat.remove_unused_categories()
        conditions, condition = tuple(used.cat.categories), used.cat.codes.to_numpy(int)
        exercises = tuple(cells["exercise"].unique()) if by_exercise else ("",)
        exercise = np.zeros(len(cells), dtype=int)
        if by_exercise:
            exercise = pd.Index(exercises).get_indexer(cells["exercise"])
        filled = np.zeros((len(participants), len(conditions), len(exercises)), dtype=bool)
        filled[person, condition, exercise] = True
        visit = cells["visit"].to_numpy(str) if with_visit else None
        names, X, cell_means = _fixed_part(conditions, condition, exercises, exercise, visit)
        return cls(
            participants=tuple(map(str, participants)),
            conditions=conditions,
            exercises=exercises,
            terms=random_terms(by_exercise),
            names=names,
            X=X,
            cell_means=cell_means,
            filled=filled,
            person=person,
            cell=condition * len(exercises) + exercise,
        )

    @property
    def n_rows(self) -> int:
        return len(self.X)

    @property
    def n_cells(self) -> int:
        """Cells of one participant."""
        return self.filled.shape[1] * self.filled.shape[2]

    @cached_property
    def kept(self) -> np.ndarray:
        """Which coefficients no column before them already determines."""
        kept = independent_columns(self.X)
        if self.n_rows <= kept.sum():
            raise ModelError(
                f"{self.n_rows} rows for {kept.sum()} fixed coefficients: at least "
                f"{kept.sum() + 1} rows are needed; use fewer terms or more rows"
            )
        return kept

    @property
    def n_coefficients(self) -> int:
        return int(self.kept.sum())

    @cached_property
    def _basis(self) -> tuple[np.ndarray, np.ndarray]:
        return np.linalg.qr(self.X[:, self.kept])

    @property
    def orthonormal(self) -> np.ndarray:
        """Orthonormal columns with the span of the kept ones."""
        return self._basis[0]

    @property
    def triangle(self) -> np.ndarray:
        """The matrix that takes kept coefficients to coordinates of the orthonormal columns."""
        return self._basis[1]

    @cached_property
    def unseen(self) -> np.ndarray:
        """Directions of the coefficients that leave every fitted value as it is, as columns."""
        aliased = self.X[:, ~self.kept]
        unseen = np.zeros((len(self.names), aliased.shape[1]))
        if aliased.shape[1]:
            unseen[self.kept] = -np.linalg.lstsq(self.X[:, self.kept], aliased, rcond=None)[0]
            unseen[~self.kept] = np.eye(aliased.shape[1])
        return unseen

    def estimable(self, weights: np.ndarray) -> np.ndarray:
        """Whether each row of weights is a combination of the rows of the design."""
        if self.unseen.shape[1] == 0:
            return np.ones(len(weights), dtype=bool)
        size = np.linalg.norm(weights, axis=1) * np.linalg.norm(self.unseen, axis=0).max()
        return np.abs(weights @ self.unseen).max(axis=1) <= 1e-8 * np.maximum(size, 1e-300)

    def on_grid(self, of_rows: np.ndarray) -> np.ndarray:
        """Values of the rows as (participants, cells, ...), zero where a cell is empty."""
        grid = np.zeros((len(self.participants), self.n_cells, *of_rows.shape[1:]))
        grid[self.person, self.cell] = of_rows
        return grid

    @cached_property
    def _patterns(self) -> tuple[np.ndarray, np.ndarray]:
        flat = self.filled.reshape(len(self.filled), -1)
        return np.unique(flat, axis=0, return_inverse=True)

    @property
    def patterns(self) -> np.ndarray:
        """The sets of cells that participants filled, (patterns, cells), each once."""
        return self._patterns[0]

    @property
    def pattern(self) -> np.ndarray:
        """Which pattern each participant has."""
        return self._patterns[1].ravel()

    @cached_property
    def structures(self) -> np.ndarray:
        """Which cells of a participant share an effect: (terms and residual, cells, cells)."""
        _, n_conditions, n_exercises = self.filled.shape
        within_condition = np.kron(np.eye(n_conditions), np.ones((n_exercises,) * 2))
        within_exercise = np.kron(np.ones((n_conditions,) * 2), np.eye(n_exercises))
        of_term = {
            PARTICIPANT: np.ones((self.n_cells,) * 2),
            SESSION: within_condition,
            EXERCISE: within_exercise,
        }
        return np.stack([*(of_term[term] for term in self.terms), np.eye(self.n_cells)])

    def levels_of(self, term: str) -> list[tuple[int, np.ndarray]]:
        """(participant, their cells) of every level of a random term, in order of name."""
        _, n_conditions, n_exercises = self.filled.shape
        grid = np.arange(self.n_cells).reshape(n_conditions, n_exercises)
        by_name = np.argsort(self.exercises, kind="stable")
        groups = {PARTICIPANT: [grid.ravel()], SESSION: list(grid), EXERCISE: list(grid.T[by_name])}
        flat = self.filled.reshape(len(self.filled), -1)
        return [
            (person, group)
            for person in range(len(self.participants))
            for group in groups[term]
            if flat[person, group].any()
        ]

    def level_name(self, term: str, person: int, group: np.ndarray) -> str:
        """A level of a random term by its first cell: `sub-01`, `sub-01:low` or `sub-01:squat`."""
        condition, exercise = divmod(int(group[0]), len(self.exercises))
        part = {
            PARTICIPANT: "",
            SESSION: f":{self.conditions[condition]}",
            EXERCISE: f":{self.exercises[exercise]}",
        }
        return self.participants[person] + part[term]


def _fixed_part(conditions, condition, exercises, exercise, visit):
    """Names, columns and cell means of the coefficients, terms of one factor first."""
    shape = (len(conditions), len(exercises))
    columns = [("Intercept", np.ones(len(condition)), np.ones(shape))]
    of_condition, of_exercise = [], []
    for n, name in enumerate(conditions[1:], start=1):
        in_grid = np.broadcast_to((np.arange(shape[0]) == n)[:, None], shape)
        of_condition.append((f"condition[T.{name}]", condition == n, in_grid))
    for name in sorted(exercises)[1:]:
        n = exercises.index(name)
        in_grid = np.broadcast_to(np.arange(shape[1]) == n, shape)
        of_exercise.append((f"exercise[T.{name}]", exercise == n, in_grid))
    columns += of_condition + of_exercise
    if visit is not None:
        visits = np.unique(visit)
        # visits weigh equally in the mean of a cell (Searle, Speed and Milliken 1980)
        even = np.full(shape, 1 / len(visits))
        columns += [(f"visit[T.{name}]", visit == name, even) for name in visits[1:]]
    columns += [
        (f"{a[0]}:{b[0]}", a[1] & b[1], a[2] & b[2]) for b in of_exercise for a in of_condition
    ]
    names, of_rows, of_cells = zip(*columns, strict=True)
    X = np.column_stack(of_rows).astype(float)
    return names, X, np.stack(of_cells, axis=-1).astype(float)


def independent_columns(matrix: np.ndarray) -> np.ndarray:
    """Which columns are not a combination of the columns before them (boolean, one per column)."""
    length = np.linalg.norm(matrix, axis=0)
    scaled = matrix / np.where(length > 0, length, 1.0)
    if matrix.shape[0] >= matrix.shape[1]:
        diagonal = np.abs(np.diag(np.linalg.qr(scaled, mode="r")))
        if diagonal.min(initial=1.0) > ALIAS_TOLERANCE:
            return np.ones(matrix.shape[1], dtype=bool)
    basis = np.zeros((matrix.shape[0], 0))
    kept = np.zeros(matrix.shape[1], dtype=bool)
    for j in range(matrix.shape[1]):
        rest = scaled[:, j]
        for _ in range(2):  # once more removes what rounding left of the first projection
            rest = rest - basis @ (basis.T @ rest)
        size = np.linalg.norm(rest)
        if size > ALIAS_TOLERANCE:
            kept[j] = True
            basis = np.column_stack([basis, rest / size])
    return kept


def refuse_unidentified(filled: np.ndarray, terms: Sequence[str]) -> None:
    """Raise ModelError where a random term cannot be told from the residual or from another.

    `filled` has the shape (participants, conditions, exercises).
    """
    n_rows = int(filled.sum())
    levels = {
        PARTICIPANT: int(filled.any(axis=(1, 2)).sum()),
        SESSION: int(filled.any(axis=2).sum()),
        EXERCISE: int(filled.any(axis=1).sum()),
    }
    for term in terms:
        if levels[term] < 2:
            raise ModelError(
                f"random term '{term}' has {levels[term]} level; its variance needs at least 2"
            )
        if levels[term] >= n_rows:
            raise ModelError(
                f"random term '{term}' has {levels[term]} levels x 1 effect(s) for "
                f"{n_rows} rows; it cannot be told from the residual: leave it out or keep the "
                "repeated rows"
            )
    for first, second in combinations(terms, 2):
        if first == PARTICIPANT and levels[second] == levels[first]:
            raise ModelError(
                f"random terms '{first}' and '{second}' group the rows in the same way; "
                "keep one of them"
            )


def leaves_a_residual(y: np.ndarray) -> bool:
    """Whether values hold anything, beyond rounding, that no effect of the design can describe.

    `y` has the shape (participants, conditions, exercises), missing where a cell is empty. Effects
    are those of cells and of participants' sessions and exercises; with one exercise sessions are
    the residual. With nothing left the likelihood rises towards a residual of zero, where standard
    errors mean nothing.
    """
    n_people, n_conditions, n_exercises = y.shape
    filled = ~np.isnan(y).reshape(n_people, -1)
    patterns, pattern = np.unique(filled, axis=0, return_inverse=True)
    pattern = pattern.ravel()
    groups = [np.kron(np.ones((n_conditions, 1)), np.eye(n_exercises))]
    if n_exercises > 1:
        groups.append(np.kron(np.eye(n_conditions), np.ones((n_exercises, 1))))
    effects = np.hstack(groups) * patterns[:, :, None]
    # what is left of each cell once a participant's own effects are taken out
    left_of_cells = np.eye(patterns.shape[1]) * patterns[:, :, None] - effects @ np.linalg.pinv(
        effects
    )
    of_cells = np.where(filled, y.reshape(n_people, -1), 0.0)
    centred = np.where(filled, of_cells - of_cells.sum() / filled.sum(), 0.0)
    of_person = np.einsum("nij,nj->ni", left_of_cells[pattern], centred)
    together = np.tensordot(np.bincount(pattern), left_of_cells, 1)
    free = left_of_cells[pattern].trace(axis1=1, axis2=2).sum() - np.linalg.matrix_rank(
        together, tol=1e-8
    )
    cell_effects = np.linalg.pinv(together, rcond=1e-10) @ of_person.sum(axis=0)
    rest = of_person - left_of_cells[pattern] @ cell_effects
    return bool(free > 0.5 and np.abs(rest).max() > RESIDUAL_TOLERANCE * np.abs(of_cells).max())
