"""What the contrasts of a primary outcome would be under other assumptions about the same values.

Each function gives rows with the columns of sensitivity.tsv, or one row that says why there is
nothing. Estimates are on the scale of the analysis until `sensitivity_rows` gives ratios back.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from comparison.conditions import MODEL, RANKS, Comparison
from comparison.contrasts import Rules, as_ratio, differences_of
from comparison.paired import paired_t, sign_flip
from comparison.within_person import Contrast
from results.columns import columns_of

LEFT_OUT = "one participant left out"

PAIRED = "paired t, each participant's own differences"

SIGN_FLIP = "sign-flip test of each participant's own differences"

BASELINE = "own baseline as covariate"

WITHOUT_BASELINE = "without own baseline as covariate"

CHANGE = "change from own baseline"

EQUAL_WORK = "at equal work, assumes no unmeasured confounder of work and outcome"

PREVAILING_RATE = "at the prevailing heart rate, assumes no unmeasured confounder of it"

# they grow with the length of the intervals whatever the nerves do
GROW_WITH_INTERVALS = ("rmssd_ms", "sdnn_ms", "sd1_ms", "sd2_ms", "hf_power_ms2")

LOWEST = "missing cells at the worst, lowest contrast"

HIGHEST = "missing cells at the worst, highest contrast"

LARGEST_INFLATION = 5.0

SHOWN = ("estimate", "se", "df", "ci_low", "ci_high", "p")

BETWEEN_PEOPLE = "withheld: fewer than two people have both, it would compare people with others"

NOT_DONE = "not done"

TOO_FEW = "too few people determine this contrast"


def mixed_model(comparison: Comparison) -> list[dict]:
    """The contrasts of the mixed model (Kenward and Roger 1997), or why there are none."""
    pooled = comparison.pooled()
    note = "; ".join(comparison.notes_of_model)
    if not pooled:
        return [_no_contrast(MODEL, note or "no contrast could be estimated")]
    contrasts = []
    for pair in comparison.pairs:
        held = _pairs_of(comparison, pair) > 1
        said = note if held else "; ".join(filter(None, [note, BETWEEN_PEOPLE]))
        numbers = pooled.get((pair, "all"), {}) if held else {}
        contrasts.append(_row(comparison, pair, numbers, said) | {"analysis": MODEL})
    return contrasts


def _pairs_of(comparison, pair) -> int:
    """People who hold both sides of a contrast in one exercise at least."""
    return len(comparison.pairs_of_values(pair, "all")[0])


def own_differences(comparison: Comparison, *, seed: int) -> list[dict]:
    """The paired t test (Student 1908) and the sign-flip test (Fisher 1935) of each contrast.

    Of everybody who holds both sides, over the exercises done in both; visits are not in them.
    """
    tests = []
    for pair in comparison.pairs:
        differences = differences_of(*comparison.pairs_of_values(pair, "all"))
        people = {"n_participants": len(differences), "n_pairs": len(differences)}
        if len(differences) < 2:
            continue
        test = paired_t(differences)
        numbers = {"estimate": test.mean, "se": test.se, "df": float(test.df), "p": test.p}
        tests.append(_row(comparison, pair, numbers, test.reason) | people | {"analysis": PAIRED})
        flips = sign_flip(differences, rng=np.random.default_rng(seed))
        numbers = {"estimate": test.mean, "p": flips.p}
        note = f"smallest possible p {flips.attainable_minimum:.2g}"
        tests.append(_row(comparison, pair, numbers, note) | people | {"analysis": SIGN_FLIP})
    return tests


def leave_one_out(comparison: Comparison) -> list[dict]:
    """Every marginal contrast again without each participant in turn.

    Convention; with fewer than three participants there is no row.
    """
    if comparison.n_participants < 3:
        return []
    return [
        row | {"left_out": person}
        for person in comparison.participants
        for row in _again(comparison.without(person), LEFT_OUT)
    ]


def _again(
    comparison: Comparison,
    analysis: str,
    note: str = "",
    pairs: Sequence[tuple[str, str]] | None = None,
) -> list[dict]:
    """The marginal contrasts of other cells, or some of them, by the same estimator."""
    contrasts = []
    for pair in comparison.pairs if pairs is None else pairs:
        contrast, _ = comparison.within_person(pair, "all")
        numbers = {}
        if contrast is not None:
            names = ("estimate", "se", "df", "p", "n_pairs")
            numbers = {name: getattr(contrast, name) for name in names}
        reason = "" if contrast is not None else TOO_FEW
        said = "; ".join(filter(None, [note, reason]))
        contrasts.append(_row(comparison, pair, numbers, said) | {"analysis": analysis})
    return contrasts


def leave_out_extremes(results: Sequence[dict]) -> dict[str, dict[str, object]]:
    """Smallest and largest estimate without one participant, and who moves it most, by contrast.

    `results` come from `sensitivity_rows`.
    """
    table = pd.DataFrame(results, columns=columns_of("sensitivity"))
    left_out = table[(table["analysis"] == LEFT_OUT) & table["estimate"].notna()]
    ranges = {}
    for contrast, estimates in left_out.groupby("contrast", sort=False):
        size = estimates["difference"].astype(float)
        moved = np.abs(np.log(size)) if estimates["scale"].iloc[0] == "ratio" else size.abs()
        most = estimates.loc[moved.idxmax(), "left_out"] if moved.notna().any() else None
        ranges[contrast] = {
            "leave_out_low": estimates["estimate"].min(),
            "leave_out_high": estimates["estimate"].max(),
            "leave_out_most": most,
        }
    return ranges


def cells_of(
    comparison: Comparison, comparable: pd.DataFrame, *, by_exercise: bool, summed: bool = False
) -> np.ndarray:
    """Means (or sums) of other values in the cells of a comparison, missing where none is given.

    `comparable`: as `comparable_rows` gives it. Without `by_exercise` one value of a participant
    and condition stands in all exercises.
    """
    keys = ["participant_id", "condition", *(["exercise"] if by_exercise else [])]
    groups = comparable.groupby(keys)["y"]
    given = groups.sum() if summed else groups.mean()
    labels = [comparison.participants, comparison.conditions]
    if by_exercise:
        labels.append(comparison.exercises)
    table = given.reindex(pd.MultiIndex.from_product(labels, names=keys)).to_numpy(float)
    table = table.reshape([len(names) for names in labels])
    return table if by_exercise else np.repeat(table[:, :, None], comparison.y.shape[2], axis=2)


def own_baseline(comparison: Comparison, baseline: pd.DataFrame) -> np.ndarray:
    """The session's own baseline in each cell, missing where it was not measured.

    `baseline` holds `comparable_rows`: the same outcome in the window baseline, or what stands for
    it at rest before the sets of each exercise.
    """
    own_muscle = comparison.by_exercise and baseline["exercise"].notna().all()
    return cells_of(comparison, baseline, by_exercise=bool(own_muscle))


def baseline_adjusted(comparison: Comparison, baseline: pd.DataFrame) -> list[dict]:
    """Contrasts with the session's own baseline as covariate, and of the change from it.

    Only the baseline's deviation from the participant's own mean counts (Neuhaus and Kalbfleisch
    1998, Biometrics 54:638); the change is value minus baseline, a ratio on ratio scales. Where the
    plan adjusts already, the first is the contrast without. Convention.
    """
    if comparison.window == "baseline":
        return []
    planned = bool(comparison.covariates)
    first = WITHOUT_BASELINE if planned else BASELINE
    if baseline.empty:
        return [_no_contrast(kind, "not measured at baseline") for kind in (first, CHANGE)]
    at_rest = own_baseline(comparison, baseline)
    ranks = comparison.scale == "ordinal"
    plain = replace(comparison, covariates=())
    alternative = plain if planned else replace(comparison, covariates=(at_rest,))
    change = replace(plain, y=comparison.y - at_rest)
    missing = int((comparison.filled & np.isnan(at_rest)).sum())
    note = f"{missing} cells without the baseline left out" if missing else ""
    changes = (
        [_no_contrast(CHANGE, f"{RANKS}, which have no change")]
        if ranks
        else _again(change, CHANGE, note)
    )
    return [*_again(alternative, first, "" if planned else note), *changes]


def work_matched(comparison: Comparison, repetitions: pd.DataFrame) -> list[dict]:
    """Contrasts at equal repetitions: those done as a covariate within the participant.

    `repetitions` holds `comparable_rows` of reps_done in sets. Outcomes of single exercises take
    the mean repetitions of the cell, outcomes of a session its sum. Repetitions are affected by the
    condition, so that this is no total effect (Rosenbaum 1984, J R Stat Soc A 147:656).
    """
    if comparison.outcome == "reps_done" or comparison.window == "baseline":
        return []
    if repetitions.empty:
        return [_no_contrast(EQUAL_WORK, "repetitions were not noted")]
    in_exercises = bool(comparison.exercises)
    work = cells_of(comparison, repetitions, by_exercise=in_exercises, summed=not in_exercises)
    words = ("repetitions", "without repetitions", "repetitions go")
    return _beside(comparison, work, EQUAL_WORK, words)


def _beside(comparison, covariate, analysis, words) -> list[dict]:
    """Contrasts with a covariate that the condition moves, withheld where it tells little else.

    `words` name the covariate, cells without it, and that it goes with something.
    """
    what, without, what_goes = words
    if not _varies(np.where(comparison.filled, covariate, np.nan)):
        return [_no_contrast(analysis, f"{what} did not differ within participants")]
    missing = int((comparison.filled & np.isnan(covariate)).sum())
    note = f"{missing} cells {without} left out" if missing else ""
    # the same cells without the covariate, so that only what it shares with the condition differs
    plain = replace(comparison, y=np.where(np.isnan(covariate), np.nan, comparison.y), designs={})
    beside = replace(plain, covariates=(*comparison.covariates, covariate))
    contrasts = _again(beside, analysis, note)
    for pair, row in zip(comparison.pairs, contrasts, strict=True):
        inflation = variance_inflation(plain, beside, pair)
        if inflation is not None and inflation > LARGEST_INFLATION:
            why = (
                f"withheld: {what_goes} so closely with the condition that the variance is "
                f"{inflation:.3g} times as large, {LARGEST_INFLATION:g} at most"
            )
            row |= dict.fromkeys(SHOWN) | {"note": "; ".join(filter(None, [note, why]))}
    return contrasts


def variance_inflation(plain: Comparison, matched: Comparison, pair: tuple[str, str]):
    """By what a covariate multiplies the variance of a contrast for equal residuals, or None.

    The variance inflation factor (Marquardt 1970, Technometrics 12:591-612) of a contrast; the
    limit of 5 is a convention.
    """
    before, after = (assumption.estimator_of(pair, "all")[0] for assumption in (plain, matched))
    if before is None or after is None:
        return None
    return float(np.sum(after.weights**2) / np.sum(before.weights**2))


def at_prevailing_rate(comparison: Comparison, intervals: pd.DataFrame) -> list[dict]:
    """Contrasts of variability at one heart rate: the log of the mean interval as a covariate.

    `intervals` holds `comparable_rows` of mean_nn_ms in the same window. Whether to take the heart
    rate out is disputed: a condition that changes vagal drive changes both (de Geus et al. 2019,
    Psychophysiology 56:e13287), so that this is no total effect.
    """
    if comparison.outcome not in GROW_WITH_INTERVALS:
        return []
    if intervals.empty:
        return [_no_contrast(PREVAILING_RATE, "the mean interval was not measured in this window")]
    logs = intervals.assign(y=np.log(intervals["y"].astype(float)))
    level = cells_of(comparison, logs, by_exercise=bool(comparison.exercises))
    words = ("heart rate", "without a mean interval", "heart rate goes")
    return _beside(comparison, level, PREVAILING_RATE, words)


def _varies(cells: np.ndarray) -> bool:
    """Whether the values of a person in one exercise differ between conditions."""
    known = ~np.isnan(cells)
    high = np.where(known, cells, -np.inf).max(axis=1)
    low = np.where(known, cells, np.inf).min(axis=1)
    return bool((high > low).any())


def worst_case(comparison: Comparison) -> list[dict]:
    """The contrasts with every missing cell at the worst value seen in its exercise.

    For the lowest contrast a missing cell of the first condition takes the smallest value that
    anybody had in that exercise and one of the second the largest; for the highest the other way
    round (worst-case bounds, Horowitz and Manski 2000, J Am Stat Assoc 95:77).
    """
    filled = comparison.filled
    if filled.all():
        return [_no_contrast(kind, "no cell is missing") for kind in (LOWEST, HIGHEST)]
    if (~filled).all(axis=0).any():
        why = "nobody has a value in one of the exercises in one of the conditions: no bounds"
        return [_no_contrast(kind, why) for kind in (LOWEST, HIGHEST)]
    low = np.nanmin(comparison.y, axis=(0, 1), keepdims=True)
    high = np.nanmax(comparison.y, axis=(0, 1), keepdims=True)
    # a missing cell belongs to the visit of the other cells of its condition, where there are any
    known_visit = np.where(np.isnan(comparison.visits), -np.inf, comparison.visits).max(
        axis=2, keepdims=True
    )
    visits = np.where(
        np.isnan(comparison.visits),
        np.where(np.isinf(known_visit), np.nan, known_visit),
        comparison.visits,
    )
    bounds = []
    for analysis, *fillings in ((LOWEST, low, high), (HIGHEST, high, low)):
        for pair in comparison.pairs:
            y = comparison.y.copy()
            of_pair = [comparison.conditions.index(name) for name in pair]
            for n, filling in zip(of_pair, fillings, strict=True):
                y[:, n] = np.where(filled[:, n], y[:, n], filling[0])
            missing = int((~filled[:, of_pair]).sum())
            complete = replace(comparison, y=y, visits=visits, covariates=(), designs={})
            said = [f"cells filled in: {missing}"] if missing else []
            if comparison.layout.visit_in_model and not complete.layout.visit_in_model:
                said.append("without the visit, which is unknown where nothing was done")
            # people whose values are filled in are no pairs
            pairs_held = _pairs_of(comparison, pair)
            if pairs_held < 2:
                bounds.append(_row(comparison, pair, {}, TOO_FEW) | {"analysis": analysis})
                continue
            note = "; ".join(said)
            (row,) = _again(complete, analysis, note, pairs=[pair])
            bounds.append(row | {"n_pairs": pairs_held})
    return bounds


def missing_values(
    outcomes: pd.DataFrame, conditions: Sequence[str], primary: Sequence[tuple[str, str]]
) -> pd.DataFrame:
    """What is missing by outcome, window, condition and reason, and whether it goes with failure.

    `outcomes` has the columns of outcomes.tsv. A value that was asked for has a row of its own with
    its reason; a cell of participant and exercise without any row was not done. Outcomes that were
    given nowhere are left out unless primary. Columns as in missing.tsv: n_cells counts cells of
    participant and exercise that have no value for this reason, n_in_sets_to_failure the values
    missing in sets that ended in failure.
    """
    asked = outcomes[outcomes["condition"].isin(conditions)]
    event = ["participant_id", "session_id", "event_id"]
    failed = asked[(asked["outcome"] == "to_failure") & (asked["value"] == 1)]
    in_failure = pd.MultiIndex.from_frame(asked[event]).isin(
        pd.MultiIndex.from_frame(failed[event])
    )
    asked = asked.assign(
        exercise=asked["exercise"].fillna("").astype(str),
        absent=~asked["status"].isin(["ok", "flagged"]),
        failed=in_failure,
        # the measured figures in a reason differ from window to window
        reason=asked["reason"].fillna("").str.replace(r" \(here .*?\)", "", regex=True),
    )
    never_given = asked.groupby(["outcome", "window"])["absent"].transform("all")
    is_primary = pd.MultiIndex.from_frame(asked[["outcome", "window"]]).isin(list(primary))
    asked = asked[~never_given | is_primary]
    tables = [t for t in (_absent_values(asked), _cells_not_done(asked, conditions)) if len(t)]
    if not tables:
        return pd.DataFrame(columns=columns_of("missing"))
    missing = pd.concat(tables, ignore_index=True)
    missing = missing.reindex(columns=columns_of("missing"))
    keys = zip(missing["outcome"], missing["window"], strict=True)
    missing["primary"] = [key in set(primary) for key in keys]
    order = {name: n for n, name in enumerate(conditions)}
    return missing.sort_values(
        ["outcome", "window", "condition", "status", "reason"],
        key=lambda column: column.map(order) if column.name == "condition" else column,
        kind="stable",
        ignore_index=True,
    )


def _absent_values(outcomes: pd.DataFrame) -> pd.DataFrame:
    """Values that were asked for and not given, counted by reason."""
    cell = ["outcome", "window", "condition", "participant_id", "exercise"]
    empty = outcomes.groupby(cell)["absent"].all().rename("empty")
    absent = outcomes[outcomes["absent"]].join(empty, on=cell)
    absent["cell"] = absent["participant_id"].astype(str) + "/" + absent["exercise"]
    absent["empty_cell"] = absent["cell"].where(absent["empty"])
    by_reason = absent.groupby(["outcome", "window", "condition", "status", "reason"])
    return by_reason.agg(
        n_values=("cell", "size"),
        n_cells=("empty_cell", "nunique"),
        n_participants=("participant_id", "nunique"),
        n_in_sets_to_failure=("failed", "sum"),
    ).reset_index()


def _cells_not_done(outcomes: pd.DataFrame, conditions: Sequence[str]) -> pd.DataFrame:
    """Cells of participant and exercise for which nothing was asked in a condition."""
    done = outcomes[
        ["outcome", "window", "condition", "participant_id", "exercise"]
    ].drop_duplicates()
    not_done = []
    for (outcome, window), part in done.groupby(["outcome", "window"]):
        people = part["participant_id"].unique()
        exercises = part["exercise"].unique()
        for condition in conditions:
            there = part[part["condition"] == condition]
            n_cells = len(people) * len(exercises) - len(there)
            if n_cells:
                per_person = there.groupby("participant_id").size().reindex(people, fill_value=0)
                not_done.append(
                    {
                        "outcome": outcome,
                        "window": window,
                        "condition": condition,
                        "status": NOT_DONE,
                        "reason": "not done in this condition",
                        "n_cells": n_cells,
                        "n_participants": int((per_person < len(exercises)).sum()),
                    }
                )
    return pd.DataFrame(not_done)


def _row(comparison, pair, contrast, note) -> dict:
    return {
        "contrast": f"{pair[0]} - {pair[1]}",
        **{name: contrast.get(name) for name in SHOWN},
        "n_participants": comparison.n_participants,
        "n_rows": comparison.n_rows,
        "n_pairs": contrast.get("n_pairs", _pairs_of(comparison, pair)),
        "note": note,
    }


def _no_contrast(analysis: str, reason: str) -> dict:
    return {"analysis": analysis, "contrast": None, "note": reason}


def sensitivity_rows(
    comparison: Comparison, results: Sequence[dict], main: pd.DataFrame, rules: Rules
) -> list[dict]:
    """Rows as they stand in sensitivity.tsv, beside the estimate of the main analysis.

    `main` holds the marginal contrasts of contrasts.tsv. `difference` is a difference, on ratio
    scales a ratio. With fewer pairs than are tested there is no p-value.
    """
    by_contrast = main.set_index("contrast")
    shown = []
    for analysed in results:
        row = dict(analysed) | comparison.labels
        if row["contrast"] is not None:
            row["main_estimate"] = by_contrast.loc[row["contrast"], "estimate"]
            row |= _as_shown(row, comparison.scale == "ratio", rules)
        shown.append(row)
    return shown


def _as_shown(row, ratio, rules) -> dict:
    """What changes in a row: its interval, its scale given back, and its difference."""
    shown = {}
    if row["se"]:
        contrast = Contrast(row["estimate"], row["se"], row["df"], row["n_pairs"])
        shown["ci_low"], shown["ci_high"] = contrast.interval(rules.confidence)
    if ratio:
        shown = {name: as_ratio((row | shown)[name]) for name in ("estimate", "ci_low", "ci_high")}
    if row["n_pairs"] < rules.fewest_participants:
        shown["p"] = None
    now, before = (row | shown)["estimate"], row["main_estimate"]
    if pd.notna(now) and pd.notna(before):
        shown["difference"] = now / before if ratio else now - before
    return shown
