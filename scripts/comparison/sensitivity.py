"""What the contrasts of a primary outcome would be under other assumptions about the same values.

Each function gives rows with the columns of sensitivity.tsv, or one row that says why there is
nothing. Estimates are on the scale of the analysis until `tabled` gives ratios back.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import pandas as pd

from comparison.conditions import Comparison, contrast_weights
from comparison.contrasts import as_ratio, differences_of, paired_result
from comparison.design import Design, ModelError
from comparison.mixed_model import fit
from results.columns import columns_of

LEFT_OUT = "one participant left out"

BASELINE = "own baseline as covariate"

CHANGE = "change from own baseline"

EQUAL_WORK = "at equal work, assumes no unmeasured confounder of work and outcome"

LOWEST = "missing cells at the worst, lowest contrast"

HIGHEST = "missing cells at the worst, highest contrast"

SHOWN = ("estimate", "se", "df", "ci_low", "ci_high", "p")

NOT_DONE = "not done"

PAIRED = "paired result"


def leave_one_out(
    comparison: Comparison, *, confidence: float, paired: Collection[str] = ()
) -> list[dict]:
    """Every marginal contrast again without each participant in turn.

    Contrasts named in `paired` and those that have no model are the paired ones. Convention; with
    fewer than three participants there is no row.
    """
    if comparison.n_participants < 3:
        return []
    return [
        {"analysis": LEFT_OUT, "left_out": person, **row}
        for person in comparison.participants
        for row in _marginal_rows(comparison, person, confidence, paired)
    ]


def _marginal_rows(comparison, left_out, confidence, paired) -> list[dict]:
    others = comparison.without(left_out)
    pooled = comparison.pooled_without(left_out, confidence=confidence)
    rows = []
    for pair in others.pairs:
        if pair in pooled and f"{pair[0]} - {pair[1]}" not in paired:
            rows.append(_row(others, pair, pooled[pair], ""))
        else:
            result = paired_result(
                differences_of(*others.pairs_of_values(pair, "all")), confidence=confidence
            )
            rows.append(_row(others, pair, result, PAIRED))
    return rows


def extremes(rows: Sequence[dict]) -> dict[str, dict[str, object]]:
    """Smallest and largest estimate without one participant, and who moves it most, by contrast.

    `rows` come from `tabled`.
    """
    table = pd.DataFrame(rows, columns=columns_of("sensitivity"))
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


def baseline_adjusted(
    comparison: Comparison, baseline: pd.DataFrame, *, confidence: float
) -> list[dict]:
    """Contrasts with the session's own baseline as covariates, and of the change from it.

    `baseline` holds rows of `usable`: the same outcome in the window baseline, or what stands for
    it at rest before the sets of each exercise. The value enters as mean of the participant (in
    that exercise) and deviation from that mean (Neuhaus and Kalbfleisch 1998, Biometrics 54:638);
    the change is value minus baseline, a ratio on ratio scales. Convention.
    """
    if comparison.window == "baseline":
        return []
    if baseline.empty:
        return [_nothing(kind, "not measured at baseline") for kind in (BASELINE, CHANGE)]
    own_muscle = comparison.by_exercise and baseline["exercise"].notna().all()
    within = ["exercise"] if own_muscle else []
    value = baseline.groupby(["participant_id", "condition", *within])["y"].mean()
    names = ["participant", "condition", *within]
    keys = pd.MultiIndex.from_frame(comparison.cells[names].astype(object))
    known = comparison.cells.assign(baseline=value.reindex(keys).to_numpy()).dropna(
        subset="baseline"
    )
    between = known.groupby(["participant", *within])["baseline"].transform("mean")
    known = known.assign(
        baseline_between=between,
        baseline_within=known["baseline"] - between,
        change=known["y"] - known["baseline"],
    )
    covariates = ("baseline_between", "baseline_within")
    return [
        *_refitted(comparison, known, BASELINE, confidence, covariates=covariates),
        *_refitted(comparison, known, CHANGE, confidence, response="change"),
    ]


def work_matched(
    comparison: Comparison, repetitions: pd.DataFrame, *, confidence: float
) -> list[dict]:
    """Contrasts at equal repetitions: those done, centred within the participant, as a covariate.

    `repetitions` holds rows of `usable` of reps_done in the sets. Outcomes of single exercises take
    the mean repetitions of the cell, outcomes of a session its sum. Repetitions are affected by the
    condition, so that this is no total effect (Rosenbaum 1984, J R Stat Soc A 147:656).
    """
    if comparison.outcome == "reps_done" or comparison.window == "baseline":
        return []
    if repetitions.empty:
        return [_nothing(EQUAL_WORK, "repetitions were not noted")]
    keys = ["participant_id", "condition"]
    names = ["participant", "condition"]
    if comparison.exercises:
        keys, names = [*keys, "exercise"], [*names, "exercise"]
    values = repetitions.groupby(keys)["y"]
    done = values.mean() if comparison.exercises else values.sum()
    if comparison.exercises and not comparison.by_exercise:
        names[-1] = "only"
    cells = comparison.cells.assign(only=(comparison.exercises or ("",))[0])
    index = pd.MultiIndex.from_frame(cells[names].astype(object))
    known = cells.assign(work=done.reindex(index).to_numpy()).dropna(subset="work")
    work = known["work"] - known.groupby("participant")["work"].transform("mean")
    if not work.abs().max() > 0:
        return [_nothing(EQUAL_WORK, "repetitions did not differ within participants")]
    return _refitted(
        comparison,
        known.assign(work_within=work),
        EQUAL_WORK,
        confidence,
        covariates=("work_within",),
    )


def _refitted(comparison, cells, analysis, confidence, *, response="y", covariates=()) -> list:
    """Marginal contrasts of another model of the same cells, or why there are none."""
    dropped = len(comparison.cells) - len(cells)
    notes = [f"{dropped} cells without the covariate left out"] if dropped else []
    pairs = [p for p in comparison.pairs if set(p) <= set(cells["condition"])]
    try:
        design = Design.of_cells(
            cells,
            by_exercise=comparison.by_exercise,
            with_visit=comparison.with_visit,
            covariates=covariates,
        )
        refitted = fit(design, cells[response].to_numpy(float))
        weights = [contrast_weights(design, pair, "all") for pair in pairs]
        tests = refitted.tests(np.array(weights), level=confidence) if pairs else []
    except ModelError as reason:
        return [_nothing(analysis, f"no model: {reason}")]
    notes += refitted.notes
    people = len(design.participants)
    return [
        _row(comparison, pair, test, "; ".join(filter(None, [*notes, test["note"]])))
        | {"analysis": analysis, "n_participants": people, "n_rows": len(cells)}
        for pair, test in zip(pairs, tests, strict=True)
    ]


def worst_case(comparison: Comparison, *, confidence: float) -> list[dict]:
    """The paired contrasts with every missing cell at the worst value seen in its exercise.

    For the lowest contrast a missing cell of the first condition takes the smallest value that
    anybody had in that exercise and one of the second the largest; for the highest the other way
    round (worst-case bounds, Horowitz and Manski 2000, J Am Stat Assoc 95:77).
    """
    filled = comparison.filled
    if filled.all():
        return [_nothing(kind, "no cell is missing") for kind in (LOWEST, HIGHEST)]
    if (~filled).all(axis=0).any():
        why = "nobody has a value in one of the exercises in one of the conditions: no bounds"
        return [_nothing(kind, why) for kind in (LOWEST, HIGHEST)]
    low = np.nanmin(comparison.y, axis=(0, 1), keepdims=True)
    high = np.nanmax(comparison.y, axis=(0, 1), keepdims=True)
    rows = []
    for analysis, *fillings in ((LOWEST, low, high), (HIGHEST, high, low)):
        for pair in comparison.pairs:
            of_pair = [comparison.conditions.index(name) for name in pair]
            means = [
                np.where(filled, comparison.y, filling)[:, n].mean(axis=1)
                for n, filling in zip(of_pair, fillings, strict=True)
            ]
            missing = int((~filled[:, of_pair]).sum())
            result = paired_result(differences_of(*means), confidence=confidence)
            note = f"{PAIRED}; cells filled in: {missing}" if missing else PAIRED
            rows.append(_row(comparison, pair, result, note) | {"analysis": analysis})
    return rows


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
    own = outcomes[outcomes["condition"].isin(conditions)]
    event = ["participant_id", "session_id", "event_id"]
    failed = own[(own["outcome"] == "to_failure") & (own["value"] == 1)]
    in_failure = pd.MultiIndex.from_frame(own[event]).isin(pd.MultiIndex.from_frame(failed[event]))
    own = own.assign(
        exercise=own["exercise"].fillna("").astype(str),
        absent=~own["status"].isin(["ok", "flagged"]),
        failed=in_failure,
        # the measured figures in a reason differ from window to window
        reason=own["reason"].fillna("").str.replace(r" \(here .*?\)", "", regex=True),
    )
    never_given = own.groupby(["outcome", "window"])["absent"].transform("all")
    is_primary = pd.MultiIndex.from_frame(own[["outcome", "window"]]).isin(list(primary))
    own = own[~never_given | is_primary]
    tables = [t for t in (_absent_values(own), _cells_not_done(own, conditions)) if len(t)]
    if not tables:
        return pd.DataFrame(columns=columns_of("missing"))
    found = pd.concat(tables, ignore_index=True)
    found = found.reindex(columns=columns_of("missing"))
    keys = zip(found["outcome"], found["window"], strict=True)
    found["primary"] = [key in set(primary) for key in keys]
    order = {name: n for n, name in enumerate(conditions)}
    return found.sort_values(
        ["outcome", "window", "condition", "status", "reason"],
        key=lambda column: column.map(order) if column.name == "condition" else column,
        kind="stable",
        ignore_index=True,
    )


def _absent_values(own: pd.DataFrame) -> pd.DataFrame:
    """Values that were asked for and not given, counted by reason."""
    cell = ["outcome", "window", "condition", "participant_id", "exercise"]
    empty = own.groupby(cell)["absent"].all().rename("empty")
    absent = own[own["absent"]].join(empty, on=cell)
    absent["cell"] = absent["participant_id"].astype(str) + "/" + absent["exercise"]
    rows = []
    reason = ["outcome", "window", "condition", "status", "reason"]
    for keys, rows_of_reason in absent.groupby(reason):
        labels = dict(zip(reason, keys, strict=True))
        rows.append(
            labels
            | {
                "n_values": len(rows_of_reason),
                "n_cells": rows_of_reason.loc[rows_of_reason["empty"], "cell"].nunique(),
                "n_participants": rows_of_reason["participant_id"].nunique(),
                "n_in_sets_to_failure": int(rows_of_reason["failed"].sum()),
            }
        )
    return pd.DataFrame(rows)


def _cells_not_done(own: pd.DataFrame, conditions: Sequence[str]) -> pd.DataFrame:
    """Cells of participant and exercise for which nothing was asked in a condition."""
    done = own[["outcome", "window", "condition", "participant_id", "exercise"]].drop_duplicates()
    rows = []
    for (outcome, window), part in done.groupby(["outcome", "window"]):
        people = part["participant_id"].unique()
        exercises = part["exercise"].unique()
        for condition in conditions:
            there = part[part["condition"] == condition]
            n_cells = len(people) * len(exercises) - len(there)
            per_person = there.groupby("participant_id").size().reindex(people, fill_value=0)
            if n_cells:
                rows.append(
                    {
                        "outcome": outcome,
                        "window": window,
                        "condition": condition,
                        "status": NOT_DONE,
                        "reason": "no such window in this condition",
                        "n_cells": n_cells,
                        "n_participants": int((per_person < len(exercises)).sum()),
                    }
                )
    return pd.DataFrame(rows)


def _row(comparison, pair, found, note) -> dict:
    return {
        "contrast": f"{pair[0]} - {pair[1]}",
        **{name: found.get(name) for name in SHOWN},
        "n_participants": comparison.n_participants,
        "n_rows": comparison.n_rows,
        "note": note,
    }


def _nothing(analysis: str, reason: str) -> dict:
    return {"analysis": analysis, "contrast": None, "note": reason}


def tabled(
    comparison: Comparison, rows: Sequence[dict], main: pd.DataFrame, *, fewest_participants: int
) -> list[dict]:
    """Rows as they stand in sensitivity.tsv, beside the estimate of the main analysis.

    `main` holds the marginal contrasts of contrasts.tsv. Paired rows stand beside the paired
    estimate. `difference` is a difference, on ratio scales a ratio. With fewer participants than
    `fewest_participants` there is no p-value.
    """
    by_contrast = main.set_index("contrast")
    labels = {
        "outcome": comparison.outcome,
        "window": comparison.window,
        "scale": comparison.scale,
    }
    shown = []
    for found in rows:
        row = dict(found) | labels
        if row["contrast"] is not None:
            column = "paired_estimate" if row["note"].startswith(PAIRED) else "estimate"
            row["main_estimate"] = by_contrast.loc[row["contrast"], column]
            row |= _as_shown(row, comparison.scale == "ratio", fewest_participants)
        shown.append(row)
    return shown


def _as_shown(row, ratio, fewest_participants) -> dict:
    """What changes in a row when its scale is given back and its difference is formed."""
    shown = {}
    if ratio:
        shown |= {name: as_ratio(row[name]) for name in ("estimate", "ci_low", "ci_high")}
    if row["n_participants"] < fewest_participants:
        shown["p"] = None
    now, before = (row | shown)["estimate"], row["main_estimate"]
    if pd.notna(now) and pd.notna(before):
        shown["difference"] = now / before if ratio else now - before
    return shown
