"""Contrast the conditions: a mixed model per outcome, and each contrast's own paired result."""

import logging
from itertools import combinations

import numpy as np
import pandas as pd

from analysis import mixed_model
from analysis.multiplicity import holm
from analysis.paired import paired_t, read_interval, sign_flip
from catalogue import outcome_modules
from step import Input, Output, run
from tabular import read_table, write_table

CONTRAST_COLUMNS = [
    *("outcome", "window", "exercise", "contrast", "scale", "n_participants", "n_rows"),
    *("estimate", "se", "df", "ci_low", "ci_high", "t", "p", "p_adjusted", "method", "note"),
    *(
        "primary",
        "reading",
        "evidence",
        "paired_estimate",
        "paired_se",
        "paired_df",
        "paired_ci_low",
    ),
    *("paired_ci_high", "paired_p", "sign_flip_p", "sign_flip_minimum", "sd_of_differences"),
]
MODEL_COLUMNS = [
    *("outcome", "window", "formula", "method", "term", "estimate", "se", "df", "t", "p", "note"),
]
POOLED = "mixed model, Kenward-Roger"
CONTRAST_ERROR = "paired t, error of the contrast alone"
DESCRIPTIVE = "description only"
BACK_TRANSFORMED = ("estimate", "ci_low", "ci_high")


def compare_conditions(
    outcomes: Input,
    contrasts: Output,
    models: Output,
    *,
    conditions: list,
    primary_outcomes: list,
    seed: int,
    error: str,
    adjustment: str,
    confidence: float,
    smallest_effect: dict,
    fewest_participants: int,
):
    table = usable(read_table(outcomes), conditions)
    primary = {(p["outcome"], p["window"]) for p in primary_outcomes}
    contrast_tables, model_tables = [], []
    for (outcome, window), rows in table.groupby(["outcome", "window"], sort=True):
        if rows["condition"].nunique() < 2:
            continue
        comparison = Comparison(outcome, window, rows, conditions)
        found = comparison.contrasts(
            error=error, confidence=confidence, fewest_participants=fewest_participants, seed=seed
        )
        found["primary"] = (outcome, window) in primary
        if adjustment == "holm" and (outcome, window) in primary:
            found["p_adjusted"] = adjusted(found)
        found["evidence"] = getattr(outcome_modules()[outcome], "EVIDENCE", None)
        found["reading"] = readings(found, smallest_effect.get(outcome), comparison.scale)
        contrast_tables.append(found)
        model_tables.append(comparison.model())
        logging.info("%s in %s: %s", outcome, window, comparison.formula or "not modelled")
    write_table(_stacked(contrast_tables, CONTRAST_COLUMNS), contrasts)
    write_table(_stacked(model_tables, MODEL_COLUMNS), models)


def _stacked(tables, columns):
    filled = [table for table in tables if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return stacked.reindex(columns=columns)


def usable(table, conditions):
    """Values that may be compared: given, in a condition of the study, positive for ratios."""
    modules = outcome_modules()
    ratio = table["outcome"].map(lambda name: modules[name].SCALE == "ratio")
    kept = (
        table["status"].isin(["ok", "flagged"])
        & table["condition"].isin(conditions)
        & table["value"].notna()
        & (~ratio | (table["value"] > 0))
    )
    kept_table = table[kept].copy()
    kept_table["y"] = np.where(
        ratio[kept], np.log(kept_table["value"].where(ratio[kept], 1.0)), kept_table["value"]
    )
    return kept_table


class Comparison:
    """One outcome in one window: cells of participant, condition and exercise, and their model."""

    def __init__(self, outcome, window, rows, conditions):
        self.outcome, self.window = outcome, window
        self.scale = outcome_modules()[outcome].SCALE
        present = set(rows["condition"])
        self.conditions = [c for c in conditions if c in present]
        # what follows a set is compared apart from what follows a whole session
        rows = rows[rows["exercise"].notna()] if rows["exercise"].notna().any() else rows
        self.exercises = list(rows["exercise"].dropna().unique())
        self.by_exercise = len(self.exercises) > 1
        keys = ["participant_id", "condition", *(["exercise"] if self.by_exercise else [])]
        # bouts are averaged within a cell: they are repeats of one randomised unit
        cells = rows.groupby(keys, as_index=False).agg(y=("y", "mean"), visit=("visit", "first"))
        self.cells = cells.rename(columns={"participant_id": "participant"}).assign(
            condition=lambda t: pd.Categorical(t["condition"], self.conditions),
            visit=lambda t: t["visit"].astype(int).astype(str),
        )
        index = ["participant", *(["exercise"] if self.by_exercise else [])]
        self.wide = self.cells.pivot(index=index, columns="condition", values="y")
        self.n_rows = len(rows)
        self.pairs = [(b, a) for a, b in combinations(self.conditions, 2)]
        self.formula, self.random, self.notes, self.fit = "", (), [], None
        self._fit()

    @property
    def n_participants(self):
        return self.cells["participant"].nunique()

    def _fit(self):
        fixed = "condition * exercise" if self.by_exercise else "condition"
        if self._order_varies():
            fixed += " + visit"
        else:
            self.notes.append(
                "everybody had the same order: condition and visit cannot be separated"
            )
        self.random = ("1 | participant",)
        if self.by_exercise:
            self.random += ("1 | participant:condition", "1 | participant:exercise")
        try:
            fit = mixed_model.fit(self.cells, f"y ~ {fixed}", self.random)
            # degrees of freedom can fail where the fit did not: then there is no model
            fit.coefficients()
            self.fit = fit
            self.formula = " + ".join([f"y ~ {fixed}", *(f"({term})" for term in self.random)])
            self.notes += list(self.fit.notes)
        except mixed_model.ModelError as reason:
            self.notes.append(f"no model: {reason}")

    def _order_varies(self):
        return self.cells.groupby("condition", observed=True)["visit"].nunique().max() > 1

    def contrasts(self, *, error, confidence, fewest_participants, seed):
        """Marginal contrasts and, where there are exercises, those within each."""
        places = ["all", *(self.exercises if self.by_exercise else [])]
        pooled = self._pooled(confidence) if error == "pooled" else {}
        rows = [
            self._row(pair, exercise, pooled, confidence, fewest_participants, seed)
            for exercise in places
            for pair in self.pairs
        ]
        table = pd.DataFrame(rows)
        if self.scale == "ratio":
            back = [f"{kind}{name}" for kind in ("", "paired_") for name in BACK_TRANSFORMED]
            table = table.reindex(columns=list(dict.fromkeys([*table.columns, *back])))
            table[back] = np.exp(table[back].astype(float))
        return table

    def _row(self, pair, exercise, pooled, confidence, fewest_participants, seed):
        paired = self._paired(pair, exercise, confidence)
        row = {
            "outcome": self.outcome,
            "window": self.window,
            "exercise": exercise,
            "contrast": f"{pair[0]} - {pair[1]}",
            "scale": self.scale,
            "n_participants": self.n_participants,
            "n_rows": self.n_rows,
            **{f"paired_{name}": value for name, value in paired.items()},
            **self._sign_flips(pair, exercise, seed),
        }
        notes = list(self.notes)
        if (pair, exercise) in pooled:
            row |= pooled[pair, exercise] | {"method": POOLED}
            notes.append(row.pop("note"))
        else:
            row |= paired | {"method": CONTRAST_ERROR}
            if paired.get("se"):
                row["t"] = paired["estimate"] / paired["se"]
        if self.n_participants < fewest_participants:
            row |= dict.fromkeys(("t", "p", "paired_p", "sign_flip_p"))
            row["method"] = f"{row['method']}; {DESCRIPTIVE}"
            notes.append(f"{self.n_participants} participants: estimates without a p-value")
        if self.scale == "ratio":
            notes.append("ratio of geometric means; se of its natural logarithm")
        row["note"] = "; ".join(
            dict.fromkeys(note for note in notes if isinstance(note, str) and note)
        )
        return row

    def _pooled(self, confidence):
        """Contrasts of the mixed model by pair and place; empty without a model."""
        if self.fit is None:
            return {}
        columns = ["estimate", "se", "df", "ci_low", "ci_high", "t", "p", "note"]
        tables = [
            self.fit.contrasts("condition", self.pairs, level=confidence).assign(exercise="all")
        ]
        if self.by_exercise:
            tables.append(
                self.fit.contrasts("condition", self.pairs, over="exercise", level=confidence)
            )
        found = {}
        for table in tables:
            for exercise, own in table.groupby("exercise", observed=True, sort=False):
                for pair, row in zip(self.pairs, own[columns].to_dict("records"), strict=True):
                    found[pair, exercise] = row
        return found

    def _differences(self, pair, exercise):
        """Each participant's mean difference over exercises, or the difference in one."""
        if not set(pair) <= set(self.wide.columns):
            return pd.Series(dtype=float)
        differences = (self.wide[pair[0]] - self.wide[pair[1]]).dropna()
        if exercise != "all":
            return differences.xs(exercise, level="exercise")
        return differences.groupby(level="participant").mean()

    def _paired(self, pair, exercise, confidence):
        """The contrast from each participant's own difference, with its own error."""
        differences = self._differences(pair, exercise)
        if len(differences) < 2:
            return {"estimate": differences.mean()}
        found = paired_t(differences.to_list(), level=confidence)
        return {
            "estimate": found.mean,
            "se": found.se,
            "df": found.df,
            "ci_low": found.ci_low,
            "ci_high": found.ci_high,
            "p": found.p,
        }

    def _sign_flips(self, pair, exercise, seed):
        differences = self._differences(pair, exercise)
        if len(differences) < 2:
            return {}
        flips = sign_flip(differences.to_list(), rng=np.random.default_rng(seed))
        return {
            "sign_flip_p": flips.p,
            "sign_flip_minimum": flips.attainable_minimum,
            "sd_of_differences": differences.std(),
        }

    def model(self):
        """Coefficients, variance components and facts of the fit, one below the other."""
        labels = {"outcome": self.outcome, "window": self.window, "formula": self.formula}
        if self.fit is None:
            return pd.DataFrame([labels | {"term": "fit", "note": "; ".join(self.notes)}])
        coefficients = self.fit.coefficients().assign(method=POOLED)
        components = self.fit.variance_components()
        random = pd.DataFrame(
            {
                "term": "variance of " + components["term"] + " " + components["effect"],
                "estimate": components["variance"],
                "method": "REML",
                "note": np.where(components["singular"], "estimated as zero", ""),
            }
        )
        facts = {
            "log likelihood": self.fit.log_likelihood,
            "optimiser agreement": self.fit.optimiser_agreement,
            "rows": self.fit.n_rows,
            "participants": self.n_participants,
            "singular": float(self.fit.singular),
        }
        fit_facts = pd.DataFrame(
            {"term": facts.keys(), "estimate": facts.values(), "method": "REML"}
        )
        parts = [coefficients, random, fit_facts]
        return pd.concat(parts, ignore_index=True).assign(**labels)


def adjusted(found):
    """Holm over the marginal contrasts; those within exercises are a second family."""
    result = pd.Series(np.nan, index=found.index)
    for family in (found["exercise"] == "all", found["exercise"] != "all"):
        p = found.loc[family, "p"].dropna().astype(float)
        if len(p):
            result[p.index] = holm(p.to_list())
    return result


def readings(found, smallest_effect, scale):
    """Each interval against the smallest effect of interest, where the study names one."""
    if smallest_effect is None:
        return [None] * len(found)
    low, high = found["ci_low"].astype(float), found["ci_high"].astype(float)
    if scale == "ratio":
        low, high, smallest_effect = np.log(low), np.log(high), abs(np.log(smallest_effect))
    return [
        None if pd.isna(a) else read_interval(a, b, smallest_effect=smallest_effect)
        for a, b in zip(low, high, strict=True)
    ]


if __name__ == "__main__":
    run(compare_conditions)
