"""Conditions compared: cells of one outcome in one window, their model, and every contrast.

The unit is the mean of the bouts of a participant, condition and exercise. Contrasts come from a
mixed model with the design's own random terms and, beside it, from each participant's differences;
which of the two decides is settled by a rule that is stated before anybody looks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations
from typing import Literal

import numpy as np
import pandas as pd

from comparison import mixed_model
from comparison.effect_sizes import effect_sizes, read_interval
from comparison.multiplicity import dunnett_two, holm
from comparison.paired import paired_t, sign_flip
from comparison.single_case import non_overlap, schedule_test
from report.sentences import ALPHA, SAME_ORDER
from results.columns import columns_of

Schedule = Literal["not_stated", "completely_randomised", "randomised_blocks"]

POOLED = "mixed model, Kenward-Roger"

PAIRED = "paired t, error of the contrast alone"

DESCRIPTIVE = "description only"

ALONE = (
    "one participant: condition cannot be told from day, and the sets of a session are no "
    "independent repetitions, so that nothing is tested"
)

NOT_STATED = (
    "one participant: conditions were repeated over visits, but how visits were allotted to them "
    "is not stated (session_schedule), so that nothing is tested"
)

AVERAGED = "visits of one condition were averaged within the participant"

# in the scale of the analysis, given back as ratios where that is logarithmic
BACK_TRANSFORMED = ("estimate", "ci_low", "ci_high")

# differences of likelihoods below this are arithmetic and no finding
LIKELIHOOD_DIGITS = 6

# what stands in the place of a reading where nothing is adjusted, so that none is taken for a claim
SECONDARY = "secondary, no claim"

NO_RESIDUAL = "nothing in these cells shows what varies within sessions and exercises"

DISAGREE = "the paired result decides: pooled and paired disagree about p < .05"

# of the values: differences below this are rounding
ROUNDING = 1e-12


def usable(
    outcomes: pd.DataFrame, scales: Mapping[str, str], conditions: Sequence[str]
) -> pd.DataFrame:
    """Values that may be compared, with the value on the scale of the analysis in `y`.

    `outcomes` has the columns of outcomes.tsv. Kept are values that were given, belong to a
    condition of the study and, where `scales` says "ratio", are positive: `y` is then the natural
    logarithm. Convention.
    """
    ratio = outcomes["outcome"].map(scales) == "ratio"
    value = outcomes["value"].astype(float)
    kept = (
        outcomes["status"].isin(["ok", "flagged"])
        & outcomes["condition"].isin(conditions)
        & value.notna()
        & (~ratio | (value > 0))
    )
    y = np.where(ratio, np.log(value.where(ratio & kept, 1.0)), value)
    return outcomes.assign(y=y)[kept]


@dataclass(frozen=True)
class Layout:
    """A design that was fitted once, for all outcomes with values in the same cells.

    `weights` has the shape (conditions, exercises, coefficients): the mean of each cell. `span`
    comes from `span_beside_residual`.
    """

    fit: mixed_model.Fit
    weights: np.ndarray
    span: np.ndarray


@dataclass(frozen=True, eq=False)
class Comparison:
    """One outcome in one window: means by participant, condition and exercise, and their model.

    `y` and `visits` have the shape (participants, conditions, exercises), missing where nothing
    was given; outcomes that belong to no exercise have one. `single_rows` are the values before
    averaging. `layouts` is filled with fitted designs and may be shared between comparisons.
    """

    outcome: str
    window: str
    scale: Literal["identity", "ratio"]
    participants: tuple[str, ...]
    conditions: tuple[str, ...]
    exercises: tuple[str, ...]
    y: np.ndarray
    visits: np.ndarray
    n_rows: int
    single_rows: pd.DataFrame = field(repr=False)
    layouts: dict = field(default_factory=dict, repr=False)

    @classmethod
    def of_rows(
        cls,
        rows: pd.DataFrame,
        *,
        outcome: str,
        window: str,
        scale: str,
        conditions: Sequence[str],
        layouts: dict | None = None,
    ) -> Comparison:
        """From rows of `usable`: participant_id, condition, exercise, visit, y."""
        # what follows a set is compared apart from what follows a whole session
        in_exercise = rows["exercise"].notna()
        rows = rows[in_exercise] if in_exercise.any() else rows
        present = set(rows["condition"])
        conditions = tuple(c for c in conditions if c in present)
        exercises = tuple(rows["exercise"].dropna().unique())
        people, of_person = np.unique(rows["participant_id"].to_numpy(str), return_inverse=True)
        place = {name: n for n, name in enumerate(conditions)}
        of_condition = np.array([place[c] for c in rows["condition"]], dtype=int)
        of_exercise = np.zeros(len(rows), dtype=int)
        if len(exercises) > 1:
            order = {name: n for n, name in enumerate(exercises)}
            of_exercise = np.array([order[e] for e in rows["exercise"]], dtype=int)
        shape = (len(people), len(conditions), max(len(exercises), 1))
        at = np.ravel_multi_index((of_person, of_condition, of_exercise), shape)
        size = int(np.prod(shape))
        counts = np.bincount(at, minlength=size)
        # bouts are averaged within a cell: they are repeats of one randomised unit
        sums = np.bincount(at, weights=rows["y"].to_numpy(float), minlength=size)
        y = np.where(counts, sums / np.maximum(counts, 1), np.nan).reshape(shape)
        visits = np.full(size, np.nan)
        # backwards, so that the first visit of a cell is the one that stays
        visits[at[::-1]] = rows["visit"].to_numpy(float)[::-1]
        return cls(
            outcome=outcome,
            window=window,
            scale=scale,
            participants=tuple(map(str, people)),
            conditions=conditions,
            exercises=exercises,
            y=y,
            visits=visits.reshape(shape),
            n_rows=len(rows),
            single_rows=rows,
            layouts={} if layouts is None else layouts,
        )

    # ------------------------------------------------ the cells

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
    def places(self) -> list[str]:
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
                "visit": [None if np.isnan(v) else f"{v:.0f}" for v in self.visits[self.filled]],
                "y": self.y[self.filled],
            }
        )

    @cached_property
    def same_order(self) -> bool:
        """Whether every condition was done at one and the same visit by everybody."""
        seen = [set(v[~np.isnan(v)]) for v in self.visits.transpose(1, 0, 2)]
        return max(map(len, seen), default=0) < 2

    @cached_property
    def visits_repeated(self) -> bool:
        """Whether somebody had a condition at more than one visit."""
        done = self.single_rows[["participant_id", "condition", "visit"]].drop_duplicates()
        return bool(done.duplicated(["participant_id", "condition"]).any())

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
            conditions=tuple(c for c, k in zip(self.conditions, kept, strict=True) if k),
            y=self.y[where],
            visits=self.visits[where],
            n_rows=int((self.single_rows["participant_id"] != participant).sum()),
            single_rows=self.single_rows[self.single_rows["participant_id"] != participant],
        )

    # ------------------------------------------------ the model

    @property
    def fixed(self) -> str:
        terms = "condition * exercise" if self.by_exercise else "condition"
        visit_known = not np.isnan(self.visits[self.filled]).any()
        if visit_known and not self.same_order and not self.too_few_for_visits:
            return f"{terms} + visit"
        return terms

    @property
    def random(self) -> tuple[str, ...]:
        """Random terms of the design; the session effect participant:condition never goes."""
        if not self.by_exercise:
            return ("1 | participant",)
        return ("1 | participant", "1 | participant:condition", "1 | participant:exercise")

    @property
    def formula(self) -> str:
        """The model as one line; empty where none could be fitted."""
        if self.fit is None:
            return ""
        return " + ".join([f"y ~ {self.fixed}", *(f"({term})" for term in self.random)])

    @property
    def fit(self) -> mixed_model.Fit | None:
        return self._fitted[0]

    @cached_property
    def _fitted(self) -> tuple[mixed_model.Fit | None, np.ndarray | None, str]:
        """The fit, the weights of its cells and, where there is no model, why."""
        key = (
            self.participants,
            self.conditions,
            self.exercises,
            self.filled.tobytes(),
            self.visits.tobytes(),
        )
        y, layout = self.y[self.filled], self.layouts.get(key)
        try:
            span = layout.span if layout else span_beside_residual(self.filled)
            if not leaves_a_residual(y, span):
                raise mixed_model.ModelError(NO_RESIDUAL)
            if layout:
                fit = layout.fit.refit(y)
            else:
                fit = mixed_model.fit(self.cells, f"y ~ {self.fixed}", self.random)
                layout = Layout(fit, self._weights_of(fit), span)
                self.layouts[key] = layout
            # degrees of freedom can fail where the fit did not: then there is no model
            fit.coefficients()
        except mixed_model.ModelError as reason:
            return None, None, f"no model: {reason}"
        return fit, layout.weights, ""

    def _weights_of(self, fit: mixed_model.Fit) -> np.ndarray:
        if not self.by_exercise:
            return np.array([[fit.cell(condition=c)] for c in self.conditions])
        return np.array(
            [[fit.cell(condition=c, exercise=e) for e in self.exercises] for c in self.conditions]
        )

    @cached_property
    def notes(self) -> list[str]:
        """What a reader must know about the design and the fit."""
        notes = [SAME_ORDER] if self.same_order else []
        if np.isnan(self.visits[self.filled]).any():
            notes.append("the visit is not known everywhere and not in the model")
        elif self.too_few_for_visits and not self.same_order:
            notes.append("too few sessions to tell visit from condition: visit not in the model")
        if self.visits_repeated:
            notes.append(AVERAGED)
        if self.fit is None:
            return [*notes, self._fitted[2]]
        return [*notes, *self.fit.notes]

    def weights(self, pair: tuple[str, str], place: str) -> np.ndarray:
        """Weights over the coefficients of one contrast; exercises weigh equally in `all`."""
        cells = self._fitted[1]
        one, other = (cells[self.conditions.index(name)] for name in pair)
        difference = one - other
        if place == "all":
            return difference.mean(axis=0)
        return difference[self.exercises.index(place)]

    def pooled(self, *, confidence: float) -> dict[tuple, dict]:
        """Contrasts of the model by pair and place; only those that could be estimated.

        Each holds estimate, se, df, ci_low, ci_high, t and p after Kenward and Roger 1997, and df
        and p after Satterthwaite 1946.
        """
        if self.fit is None:
            return {}
        keys = [(pair, place) for place in self.places for pair in self.pairs]
        matrix = np.array([self.weights(pair, place) for pair, place in keys])
        columns = ["estimate", "se", "df", "ci_low", "ci_high", "t", "p"]
        tested = self.fit.contrast(matrix, level=confidence)[columns].to_numpy(float)
        plain = self.fit.contrast(matrix, method="satterthwaite")[["df", "p"]].to_numpy(float)
        return {
            key: dict(zip(columns, map(float, row), strict=True))
            | {"satterthwaite_df": float(other[0]), "satterthwaite_p": float(other[1])}
            for key, row, other in zip(keys, tested, plain, strict=True)
            if np.isfinite(row).all()
        }

    # ------------------------------------------------ differences within participants

    def pairs_of_values(self, pair: tuple[str, str], place: str) -> tuple[np.ndarray, np.ndarray]:
        """Values in both conditions of everybody who did both, over the exercises done in both."""
        one, other = (self.y[:, self.conditions.index(name)] for name in pair)
        if place != "all":
            at = self.exercises.index(place)
            one, other = one[:, [at]], other[:, [at]]
        both = ~np.isnan(one) & ~np.isnan(other)
        counts = both.sum(axis=1)
        done = counts > 0
        return tuple(
            np.where(both, side, 0.0).sum(axis=1)[done] / counts[done] for side in (one, other)
        )

    # ------------------------------------------------ the contrasts

    def contrasts(
        self,
        *,
        error: Literal["pooled", "contrast"],
        adjustment: Literal["holm", "dunnett", "none"],
        confidence: float,
        fewest_participants: int,
        largest_sd_ratio: float,
        session_schedule: Schedule,
        seed: int,
        smallest_effect: float | None = None,
    ) -> pd.DataFrame:
        """Marginal contrasts and, where there are exercises, those within each.

        Columns as in contrasts.tsv. `smallest_effect` is in the unit of the outcome, a ratio on
        ratio scales; `session_schedule` says how the visits of a single participant were allotted
        to the conditions. Adjusted are the marginal contrasts as one family and those within
        exercises as a second one (Holm 1979), under "dunnett" only those with the reference.
        """
        pooled = self.pooled(confidence=confidence)
        rows = [
            self._row(pair, place, pooled, error, confidence, fewest_participants, seed)
            for place in self.places
            for pair in self.pairs
        ]
        if self.n_participants == 1:
            for row in rows:
                self._single_case(row, session_schedule, seed)
        for place in self.places:
            own = [row for row in rows if row["exercise"] == place]
            ratio = spread_ratio([row["sd_of_differences"] for row in own])
            for row in own:
                row["deciding"], why = deciding(
                    row,
                    sd_ratio=ratio,
                    largest_sd_ratio=largest_sd_ratio,
                    fewest_pairs=fewest_participants,
                )
                row["note"] += [why]
        if adjustment != "none":
            for marginal in (True, False):
                family = [row for row in rows if (row["exercise"] == "all") == marginal]
                self._adjust(family, adjustment)
        for row in rows:
            row["smallest_effect"] = smallest_effect
            row["reading"] = reading(row, self.scale, smallest_effect)
            self._back_transform(row)
            row["note"] = "; ".join(dict.fromkeys(filter(None, row["note"])))
        return pd.DataFrame(rows)

    def _row(self, pair, place, pooled, error, confidence, fewest_participants, seed) -> dict:
        one, other = self.pairs_of_values(pair, place)
        differences = differences_of(one, other)
        paired = paired_result(differences, confidence=confidence)
        row = {
            "outcome": self.outcome,
            "window": self.window,
            "exercise": place,
            "contrast": f"{pair[0]} - {pair[1]}",
            "scale": self.scale,
            "n_participants": self.n_participants,
            "n_rows": self.n_rows,
            "n_pairs": len(one),
            **{f"paired_{name}": value for name, value in paired.items()},
            "sd_of_differences": sd_of(differences),
            "note": list(self.notes),
            "p_adjusted": None,
        }
        found = pooled.get((pair, place))
        row |= {name: value for name, value in (found or {}).items() if "satterthwaite" in name}
        if error == "pooled" and found:
            row |= found | {"method": POOLED}
        else:
            row |= {**paired, "method": PAIRED}
            row["t"] = paired["estimate"] / paired["se"] if paired.get("se") else None
            if self.fit is not None and not found:
                row["note"].append(f"not from the model: {mixed_model.NOT_ESTIMABLE}")
        row |= self._effect_sizes(one, other, row["note"])
        row |= self._sign_flips(differences, row["note"], seed)
        if self.n_participants > 1 and len(one) < 2:
            who = "one participant has" if len(one) else "nobody has"
            row["note"].append(f"no paired test: {who} values in both")
        if paired["se"] == 0:
            row["note"].append("all differences are the same: nothing shows their error")
        if 1 < self.n_participants < fewest_participants:
            row["note"].append(f"{self.n_participants} participants: estimates without a p-value")
        if self.n_participants < fewest_participants:
            row |= dict.fromkeys(("t", "p", "paired_p", "sign_flip_p", "satterthwaite_p"))
            row["method"] = f"{row['method']}; {DESCRIPTIVE}"
        elif 1 < len(one) < fewest_participants:
            row["note"].append(f"{len(one)} pairs: paired result without a p-value")
            row |= dict.fromkeys(("paired_p", "sign_flip_p"))
            if row["method"] == PAIRED:
                row |= dict.fromkeys(("t", "p"))
        if self.scale == "ratio":
            row["note"].append("ratio of geometric means; se of its natural logarithm")
        return row

    def _effect_sizes(self, one, other, notes) -> dict:
        try:
            found = effect_sizes(one, other)
        except ValueError as reason:
            if len(one) > 1:
                notes.append(f"no standardised difference: {reason}")
            return {}
        return {name: getattr(found, name) for name in ("d_av", "g_z", "g_z_low", "g_z_high")}

    def _sign_flips(self, differences, notes, seed) -> dict:
        if len(differences) < 2:
            return dict.fromkeys(("sign_flip_p", "sign_flip_minimum"))
        flips = sign_flip(differences, rng=np.random.default_rng(seed))
        floor, n_pairs = flips.attainable_minimum, len(self.pairs)
        if floor > ALPHA:
            notes.append(
                f"with {len(differences)} pairs no sign-flip test can reach .05 "
                f"(smallest p {floor:.2g})"
            )
        elif floor * n_pairs > ALPHA:
            notes.append(
                f"with {len(differences)} pairs no sign-flip test can pass Holm's correction "
                f"over {n_pairs} contrasts"
            )
        return {"sign_flip_p": flips.p, "sign_flip_minimum": floor}

    def _single_case(self, row, schedule, seed) -> None:
        """What one participant allows: non-overlap, over repeated visits a randomisation test."""
        pair = tuple(row["contrast"].split(" - "))
        row |= self._overlap(pair, row["exercise"])
        visits = self._visit_means(pair, row["exercise"])
        if not visits["condition"].duplicated().any():
            row["note"].append(ALONE)
        elif schedule == "not_stated":
            row["note"].append(NOT_STATED)
        else:
            try:
                found = self._randomisation_test(visits, pair, schedule, seed)
            except ValueError as reason:
                row["note"].append(f"one participant, nothing is tested: {reason}")
                return
            row["randomisation_p"] = found.p
            row["randomisation_minimum"] = found.attainable_minimum
            row["note"].append(
                f"one participant: randomisation test over {found.total} schedules of "
                f"{len(visits)} visits, for this participant in these visits only"
            )

    def _visit_means(self, pair, place) -> pd.DataFrame:
        """Mean of every visit in either condition, over the exercises done at all of them."""
        rows = self.single_rows[self.single_rows["condition"].isin(pair)]
        if place != "all":
            rows = rows[rows["exercise"] == place]
        rows = rows.assign(exercise=rows["exercise"].fillna(""))
        cells = rows.groupby(["visit", "condition", "exercise"])["y"].mean().unstack("exercise")
        return cells.dropna(axis=1).mean(axis=1).rename("y").dropna().reset_index()

    def _randomisation_test(self, visits, pair, schedule, seed):
        blocks = None
        if schedule == "randomised_blocks":
            blocks = (visits["visit"].astype(int) - 1) // len(self.conditions)
            if visits.assign(block=blocks).duplicated(["block", "condition"]).any():
                raise ValueError("the visits are no blocks with every condition once")
        return schedule_test(
            visits["y"].to_numpy(),
            visits["condition"].to_list(),
            blocks=None if blocks is None else blocks.to_list(),
            pair=pair,
            rng=np.random.default_rng(seed),
        )

    def _overlap(self, pair, place) -> dict:
        """Non-overlap of single values, exercise by exercise, exercises weighing equally."""
        found = []
        for exercise in self.exercises or (None,):
            rows = self.single_rows
            if exercise is not None:
                if place not in ("all", exercise):
                    continue
                rows = rows[rows["exercise"] == exercise]
            one, other = (rows.loc[rows["condition"] == name, "y"] for name in pair)
            if len(one) and len(other):
                found.append(non_overlap(other, one).nap)
        if not found:
            return {}
        return {"nap": float(np.mean(found)), "tau": 2 * float(np.mean(found)) - 1}

    def _adjust(self, family, adjustment) -> None:
        """Adjusted p-values of a family, from the p-values that decide."""
        if adjustment == "dunnett":
            reference = self.conditions[0] if self.conditions else None
            outside = [r for r in family if r["contrast"].split(" - ")[1] != reference]
            for row in outside:
                row["note"].append("not in the family of comparisons with the reference")
            family = [row for row in family if row not in outside]
        family = [row for row in family if _known(deciding_p(row))]
        if not family:
            return
        method = "Holm"
        exact = self._dunnett(family) if adjustment == "dunnett" else None
        if exact is not None:
            adjusted, method = exact, "Dunnett"
        else:
            adjusted = holm([deciding_p(row) for row in family])
            paired = [row["paired_p"] for row in family]
            if all(map(_known, paired)) and ((adjusted < ALPHA) != (holm(paired) < ALPHA)).any():
                # p-values with different errors do not keep the level of the family together
                for row in family:
                    if row["deciding"] == "pooled":
                        row["deciding"] = "paired"
                        row["note"].append(f"{DISAGREE} after adjustment")
                adjusted = holm(paired)
        for row, value in zip(family, adjusted, strict=True):
            row["p_adjusted"] = float(value)
            row["note"].append(f"p_adjusted: {method} over {len(family)} p-values that decide")

    def _dunnett(self, family) -> np.ndarray | None:
        """Exact adjustment of two pooled marginal contrasts; None where it does not apply."""
        pooled = all(row["deciding"] == "pooled" and row["exercise"] == "all" for row in family)
        if not pooled or len(family) != 2:
            return None
        pairs = [tuple(row["contrast"].split(" - ")) for row in family]
        try:
            correlation = self.fit.contrast_correlations("condition", pairs)
            return dunnett_two(
                [row["t"] for row in family], [row["df"] for row in family], correlation
            )
        except ValueError:
            return None

    def _back_transform(self, row) -> None:
        if self.scale == "ratio":
            for name in BACK_TRANSFORMED:
                for key in (name, f"paired_{name}"):
                    row[key] = as_ratio(row.get(key))

    # ------------------------------------------------ the model, written down

    def model(self) -> pd.DataFrame:
        """Coefficients, F tests, variance components and facts of the fit, one below the other.

        Columns as in models.tsv. F tests are of equally weighted cell means (type III), after
        Kenward and Roger 1997.
        """
        labels = {"outcome": self.outcome, "window": self.window, "formula": self.formula}
        if self.fit is None:
            nothing = labels | {"term": "fit", "note": "; ".join(self.notes)}
            return pd.DataFrame([nothing], columns=columns_of("models"))
        rows = [row | {"method": POOLED} for row in self.fit.coefficients().to_dict("records")]
        rows += self._means()
        for term, weights in self.hypotheses().items():
            rows.append({"term": f"F test of {term}", "method": POOLED} | self._f_test(weights))
        for part in self.fit.variance_components().to_dict("records"):
            rows.append(
                {
                    "term": f"variance of {part['term']} {part['effect']}".strip(),
                    "estimate": part["variance"],
                    "ci_low": part["sd_low"] ** 2,
                    "ci_high": part["sd_high"] ** 2,
                    "method": "REML",
                    "note": "estimated as zero" if part["singular"] else part["note"],
                }
            )
        facts = {
            "log likelihood": self.fit.log_likelihood,
            "optimiser agreement": round(self.fit.optimiser_agreement or 0.0, LIKELIHOOD_DIGITS),
            "rows": float(self.fit.n_rows),
            "participants": float(self.n_participants),
            "singular": float(self.fit.singular),
        }
        rows += [{"term": k, "estimate": v, "method": "REML"} for k, v in facts.items()]
        return pd.DataFrame(rows).assign(**labels).reindex(columns=columns_of("models"))

    def _means(self) -> list[dict]:
        """Estimated mean of each condition, exercises weighing equally, and of each cell.

        Visits weigh equally (Searle, Speed and Milliken 1980, Am Stat 34:216). On the scale of the
        analysis.
        """
        cells = self._fitted[1]
        names = [f"mean of {name}" for name in self.conditions]
        weights = [cells.mean(axis=1)]
        if self.by_exercise:
            names += [f"mean of {c} in {e}" for c in self.conditions for e in self.exercises]
            weights.append(cells.reshape(-1, cells.shape[2]))
        found = self.fit.contrast(np.vstack(weights))
        columns = ["estimate", "se", "df", "ci_low", "ci_high", "note"]
        rows = found[columns].assign(term=names, method=POOLED)
        return rows.to_dict("records")

    def _f_test(self, weights: np.ndarray) -> dict:
        few = "too few participants for its degrees of freedom"
        try:
            found = self.fit.joint_test(weights).iloc[0]
        except ZeroDivisionError:
            # with the fewest participants the scaling of the F has a zero below the line
            return {"note": few}
        if found["df_num"] and not (found["F"] >= 0 and found["p"] >= 0):
            return {"note": few}
        return {
            "F": found["F"],
            "df_num": float(found["df_num"]),
            "df": found["df_den"],
            "p": found["p"],
            "note": found["note"],
        }

    def hypotheses(self) -> dict[str, np.ndarray]:
        """Weights of the differences that are zero when a term does nothing."""
        cells = self._fitted[1]
        between_conditions = cells[1:] - cells[:1]
        found = {"condition": between_conditions.mean(axis=1)}
        if self.by_exercise:
            found["exercise"] = (cells[:, 1:] - cells[:, :1]).mean(axis=0)
            interaction = between_conditions[:, 1:] - between_conditions[:, :1]
            found["condition:exercise"] = interaction.reshape(-1, cells.shape[2])
        return found


def _known(value: object) -> bool:
    return value is not None and not np.isnan(value)


def as_ratio(logarithm: float | None) -> float | None:
    """A ratio from its natural logarithm; infinite where it is beyond all numbers."""
    if not _known(logarithm):
        return None
    with np.errstate(over="ignore"):
        return float(np.exp(logarithm))


def span_beside_residual(filled: np.ndarray) -> np.ndarray:
    """Orthonormal columns that span sessions, participants' exercises and cells of the design.

    `filled` has the shape (participants, conditions, exercises), a row stands for a filled cell.
    With one exercise sessions are the residual, and the columns span participants and conditions.
    What the columns cannot describe is the residual.
    """
    person, condition, exercise = np.nonzero(filled)
    _, n_conditions, n_exercises = filled.shape
    groups = [person * n_exercises + exercise, condition * n_exercises + exercise]
    if n_exercises > 1:
        groups.append(person * n_conditions + condition)
    columns = [(group[:, None] == np.unique(group)).astype(float) for group in groups]
    vectors, sizes, _ = np.linalg.svd(np.hstack(columns), full_matrices=False)
    return vectors[:, sizes > 1e-9 * sizes.max()]


def leaves_a_residual(y: np.ndarray, span: np.ndarray) -> bool:
    """Whether values have anything, beyond rounding, that the orthonormal columns cannot describe.

    With nothing left the likelihood rises towards a residual of zero, where standard errors mean
    nothing.
    """
    centred = y - y.mean()
    rest = centred - span @ (span.T @ centred)
    return bool(span.shape[1] < len(y) and np.abs(rest).max() > 1e-9 * np.abs(y).max())


def differences_of(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Each participant's difference; those that differ by rounding alone are the same."""
    found = one - other
    rounding = ROUNDING * max((*np.abs(one), *np.abs(other)), default=0.0)
    if len(found) == 0 or np.ptp(found) > rounding:
        return found
    middle = found.mean()
    return np.full(len(found), middle if abs(middle) > rounding else 0.0)


def sd_of(differences: np.ndarray) -> float | None:
    """Standard deviation of differences, exactly zero where all are the same; None for one."""
    if len(differences) < 2:
        return None
    return float(np.std(differences, ddof=1)) if np.ptp(differences) else 0.0


def paired_result(differences: np.ndarray, *, confidence: float) -> dict[str, float | None]:
    """The contrast from each participant's own difference: estimate, se, df, interval, p.

    One difference gives an estimate only, none gives nothing; without variation there is neither
    interval nor p, because nothing shows how far the estimate could be off.
    """
    if len(differences) < 2:
        nothing = dict.fromkeys(("estimate", "se", "df", "ci_low", "ci_high", "p"))
        return nothing | ({"estimate": float(differences[0])} if len(differences) else {})
    found = paired_t(differences, level=confidence)
    known = found.p is not None
    return {
        "estimate": found.mean,
        "se": found.se,
        "df": float(found.df),
        "ci_low": found.ci_low if known else None,
        "ci_high": found.ci_high if known else None,
        "p": found.p,
    }


def spread_ratio(sds: Sequence[float | None]) -> float:
    """Largest over smallest SD of the differences; infinite beside a zero, 1 with fewer than two.

    Differences of rounding size count as zero.
    """
    known = [sd for sd in sds if _known(sd)]
    if len(known) < 2 or max(known) == 0:
        return 1.0
    smallest = min(known)
    return float("inf") if smallest <= ROUNDING * max(known) else max(known) / smallest


def deciding(
    row: Mapping, *, sd_ratio: float, largest_sd_ratio: float, fewest_pairs: int
) -> tuple[str, str]:
    """Which result decides, `pooled` or `paired`, and why where it is the paired one.

    Stated beforehand: the paired result, where the SDs of the differences are more unequal than
    `largest_sd_ratio` (a pooled error is then wrong for every contrast), or where pooled and
    paired disagree about p < .05; never with fewer pairs than are tested. Where they disagree
    after adjustment, it decides for the whole family. Convention, from simulated error rates.
    """
    if not row["method"].startswith(POOLED):
        return "paired", ""
    too_few = row["n_pairs"] < fewest_pairs and _known(row["p"])
    if not _known(row.get("paired_se")) or too_few:
        return "pooled", ""
    # beyond rounding: whole numbers often give a ratio of exactly two
    if sd_ratio > largest_sd_ratio * (1 + 1e-9):
        times = "one is zero" if np.isinf(sd_ratio) else f"{sd_ratio:.1f}-fold"
        return "paired", f"the paired result decides: SDs of the differences unequal ({times})"
    tested = _known(row["p"]) and _known(row["paired_p"])
    if tested and (row["p"] < ALPHA) != (row["paired_p"] < ALPHA):
        return "paired", DISAGREE
    return "pooled", ""


def deciding_p(row: Mapping) -> float | None:
    """The p-value of the result that decides, before adjustment."""
    return row["paired_p"] if row["deciding"] == "paired" else row["p"]


def reading(row: Mapping, scale: str, smallest_effect: float | None) -> str | None:
    """The interval that decides against the smallest effect of interest; None without one.

    Interval on the scale of the analysis, `smallest_effect` in the unit of the outcome. The words
    of `read_interval`, so far as the p-value bears them: "not shown" where the interval leaves out
    zero and the adjusted p-value is not below .05, "not tested" where there is no p-value.
    """
    prefix = "paired_" if row["deciding"] == "paired" else ""
    low, high = row.get(f"{prefix}ci_low"), row.get(f"{prefix}ci_high")
    if smallest_effect is None or not _known(low):
        return None
    p = row["p_adjusted"] if _known(row["p_adjusted"]) else deciding_p(row)
    if not _known(p):
        return "not tested"
    size = abs(np.log(smallest_effect)) if scale == "ratio" else smallest_effect
    found = read_interval(low, high, smallest_effect=size)
    return "not shown" if found == "different" and p >= ALPHA else found


def smallest_effect_in(
    sizes: Mapping[str, float | Mapping[str, float]], outcome: str, window: str
) -> float | None:
    """The smallest effect of interest of an outcome in a window, in its unit; None without one.

    `sizes` holds by outcome one size for all windows, or a size for each window that has one.
    """
    size = sizes.get(outcome)
    return size.get(window) if isinstance(size, Mapping) else size


def rows_without_result(
    outcome: str,
    window: str,
    *,
    scale: str,
    pairs: Sequence[tuple[str, str]],
    reasons: Sequence[str],
) -> pd.DataFrame:
    """Contrasts that could not be estimated, each with its reason; columns as in contrasts.tsv."""
    return pd.DataFrame(
        [
            {
                "outcome": outcome,
                "window": window,
                "exercise": "all",
                "contrast": f"{one} - {other}",
                "scale": scale,
                "n_participants": 0,
                "n_rows": 0,
                "method": "none",
                "note": reason,
            }
            for (one, other), reason in zip(pairs, reasons, strict=True)
        ]
    )
