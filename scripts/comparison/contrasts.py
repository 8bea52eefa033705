"""Contrasts between conditions: differences within people, with an error clustered by person.

Every contrast comes from `comparison.within_person`; which differences may be called shown follows
from `comparison.claims`. What a single participant allows is in `comparison.single_case_table`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from comparison.claims import level_of_interval, shaffer_steps, stepwise
from comparison.conditions import Comparison
from comparison.effect_sizes import interpret_interval
from comparison.paired import sign_flip
from results.decided import ALPHA

DESCRIPTIVE = "description only"

ONE_PARTICIPANT = "one participant, no error between people: see single_case.tsv"

ALL_THE_SAME = "all differences are the same: nothing shows their error"

# in the scale of the analysis, given back as ratios where that is logarithmic
BACK_TRANSFORMED = ("estimate", "ci_low", "ci_high")

# of the values: differences below this are rounding
ROUNDING = 1e-12


@dataclass(frozen=True)
class Rules:
    """How contrasts are tested, stated beforehand; the section compare_conditions explains each."""

    confidence: float
    fewest_participants: int
    power: float
    seed: int


def contrast_table(
    comparison: Comparison,
    rules: Rules,
    *,
    adjusted: bool = True,
    claimed: frozenset[tuple[str, str]] = frozenset(),
    smallest_effect: float | None = None,
) -> pd.DataFrame:
    """Marginal contrasts and, where there are exercises, those within each.

    Columns as in contrasts.tsv. `smallest_effect` is in the unit of the outcome, a ratio on ratio
    scales. `adjusted` outcomes are tested: their marginal contrasts by Shaffer's steps, those
    within exercises, which carry no claim, by Holm's. `claimed` are pairs that a planned claim has
    shown already. The interval of a tested contrast has the level at which it agrees with `claim`.
    """
    contrasts = [
        _contrast(comparison, pair, exercise, rules)
        for exercise in comparison.levels
        for pair in comparison.pairs
    ]
    if adjusted:
        _test([row for row in contrasts if row["exercise"] == "all"], comparison, claimed, rules)
        _adjust_exercises([row for row in contrasts if row["exercise"] != "all"])
    for contrast in contrasts:
        paired = contrast.pop("paired")
        contrast["smallest_effect"] = smallest_effect
        if paired is not None:
            contrast["ci_low"], contrast["ci_high"] = paired.interval(contrast["confidence"])
        contrast["reading"] = interpretation(contrast, comparison.scale, smallest_effect)
        if comparison.scale == "ratio":
            for name in BACK_TRANSFORMED:
                contrast[name] = as_ratio(contrast.get(name))
        contrast["note"] = "; ".join(dict.fromkeys(filter(None, contrast["note"])))
    return pd.DataFrame(contrasts)


def _contrast(comparison, pair, exercise, rules) -> dict:
    """One contrast; its notes are still a list, and `paired` holds it on the scale of the analysis.

    With fewer pairs than are tested it is described: estimate and interval, no p-value.
    """
    differences = differences_of(*comparison.pairs_of_values(pair, exercise))
    paired, left_out = comparison.within_person(pair, exercise)
    contrast = _contrast_before_its_test(comparison, pair, exercise, differences)
    contrast |= {"paired": paired, "confidence": rules.confidence if paired else None}
    notes = contrast["note"]
    if left_out:
        notes.append(f"without {', '.join(left_out)}: too few people have both")
    tested = len(differences) >= rules.fewest_participants
    if paired is not None:
        contrast |= {"estimate": paired.estimate, "se": paired.se, "df": paired.df}
        contrast |= {"t": paired.t, "p": paired.p} if tested else {}
    elif len(differences) > 1:
        same = np.ptp(differences) == 0
        notes.append(ALL_THE_SAME if same else "no error: too few people determine this contrast")
        contrast |= {"se": 0.0} if same else {}
    if comparison.scale == "ordinal":
        notes.append(_in_points(comparison, pair, exercise))
    contrast |= _sign_flips(differences, len(comparison.pairs), notes, rules.seed)
    if comparison.n_participants == 1:
        notes.append(ONE_PARTICIPANT)
    elif len(differences) < 2:
        who = "one participant has" if len(differences) else "nobody has"
        notes.append(f"no comparison: {who} values in both")
    if not tested:
        contrast |= {"claim": "described", "method": f"{comparison.method}; {DESCRIPTIVE}"}
        contrast["sign_flip_p"] = None
        if len(differences) > 1:
            notes.append(f"{len(differences)} pairs: estimates without a p-value")
    if comparison.scale == "ratio":
        notes.append("ratio of geometric means; se of its natural logarithm")
    return contrast


def _contrast_before_its_test(comparison, pair, exercise, differences) -> dict:
    """What is known of a contrast from the people's differences, before their error."""
    return dict.fromkeys(("se", "df", "ci_low", "ci_high", "t", "p", "p_adjusted")) | {
        **comparison.labels,
        "exercise": exercise,
        "contrast": f"{pair[0]} - {pair[1]}",
        "n_participants": comparison.n_participants,
        "n_rows": comparison.n_rows,
        "n_pairs": len(differences),
        "estimate": float(differences.mean()) if len(differences) else None,
        "sd_of_differences": sd_of(differences),
        "method": comparison.method,
        "note": list(comparison.notes),
        "claim": "not tested",
    }


def _in_points(comparison, pair, exercise) -> str:
    """What a difference of relative effects is in the points of the ratings, without an error."""
    said = "difference of relative effects, from ranks"
    differences = differences_of(*comparison.as_noted.pairs_of_values(pair, exercise))
    return f"{said}; mean difference {differences.mean():+.3g} points" if len(differences) else said


def _sign_flips(differences, n_contrasts, notes, seed) -> dict:
    if len(differences) < 2:
        return dict.fromkeys(("sign_flip_p", "sign_flip_minimum"))
    flips = sign_flip(differences, rng=np.random.default_rng(seed))
    smallest = flips.attainable_minimum
    if smallest > ALPHA:
        notes.append(
            f"with {len(differences)} pairs no sign-flip test can reach .05 "
            f"(smallest p {smallest:.2g})"
        )
    elif smallest * n_contrasts > ALPHA:
        notes.append(
            f"with {len(differences)} pairs no sign-flip test can pass a correction "
            f"over {n_contrasts} contrasts"
        )
    return {"sign_flip_p": flips.p, "sign_flip_minimum": smallest}


# ---------------------------------------------------- what may be called shown


def _test(contrasts, comparison, claimed, rules) -> None:
    """Adjusted p-values of the marginal contrasts, which are shown, and the level of intervals.

    A difference is shown where Shaffer's steps show it or a planned claim contains it.
    """
    tested = [contrast for contrast in contrasts if _is_number(contrast.get("p"))]
    if not tested:
        return
    conditions, n = len(comparison.conditions), len(tested)
    whole = n == len(comparison.pairs)
    steps = shaffer_steps(conditions) if whole else list(range(n, 0, -1))
    p = [contrast["p"] for contrast in tested]
    alpha = 1 - rules.confidence
    adjusted, levels = stepwise(p, steps), level_of_interval(p, steps, alpha)
    by = "Shaffer's steps" if whole else "Holm's steps"
    for contrast, p_adjusted, level in zip(tested, adjusted, levels, strict=True):
        in_claim = tuple(contrast["contrast"].split(" - ")) in claimed
        shown = p_adjusted < alpha or in_claim
        contrast["p_adjusted"] = float(p_adjusted)
        contrast["claim"] = "yes" if shown else "no"
        contrast["confidence"] = float(rules.confidence if in_claim else 1 - level)
        contrast["note"].append(f"p_adjusted: {by} over {n} p-values")
        if in_claim and p_adjusted >= alpha:
            contrast["note"].append("shown as a part of the planned claim")


def _adjust_exercises(contrasts) -> None:
    """p-values within exercises after Holm: they are described and carry no claim."""
    tested = [contrast for contrast in contrasts if _is_number(contrast.get("p"))]
    n = len(tested)
    if not n:
        return
    adjusted = stepwise([contrast["p"] for contrast in tested], list(range(n, 0, -1)))
    for contrast, p_adjusted in zip(tested, adjusted, strict=True):
        contrast["p_adjusted"] = float(p_adjusted)
        contrast["note"].append(f"p_adjusted: Holm's steps over {n} p-values within exercises")


def _is_number(figure: object) -> bool:
    return figure is not None and not np.isnan(figure)


def as_ratio(logarithm: float | None) -> float | None:
    """A ratio from its natural logarithm; infinite where it is beyond all numbers."""
    if not _is_number(logarithm):
        return None
    with np.errstate(over="ignore"):
        return float(np.exp(logarithm))


def differences_of(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Each participant's difference; those that differ by rounding alone are the same."""
    differences = first - second
    rounding = ROUNDING * max((*np.abs(first), *np.abs(second)), default=0.0)
    if len(differences) == 0 or np.ptp(differences) > rounding:
        return differences
    middle = differences.mean()
    return np.full(len(differences), middle if abs(middle) > rounding else 0.0)


def sd_of(differences: np.ndarray) -> float | None:
    """Standard deviation of differences, exactly zero where all are the same; None for one."""
    if len(differences) < 2:
        return None
    return float(np.std(differences, ddof=1)) if np.ptp(differences) else 0.0


def interpretation(contrast: Mapping, scale: str, smallest_effect: float | None) -> str | None:
    """The interval against the smallest effect of interest; None without one.

    Interval on the scale of the analysis, `smallest_effect` in the unit of the outcome. The words
    of `interpret_interval`, so far as they were tested: "not shown" where the interval leaves out
    zero and nothing was claimed, "not tested" where there is no p-value.
    """
    low, high = contrast.get("ci_low"), contrast.get("ci_high")
    if smallest_effect is None or not _is_number(low):
        return None
    if not _is_number(contrast.get("p")):
        return "not tested"
    size = abs(np.log(smallest_effect)) if scale == "ratio" else smallest_effect
    words = interpret_interval(low, high, smallest_effect=size)
    return "not shown" if words == "different" and contrast["claim"] != "yes" else words


def smallest_effect_in(
    sizes: Mapping[str, float | Mapping[str, float]], outcome: str, window: str
) -> float | None:
    """The smallest effect of interest of an outcome in a window, in its unit; None without one.

    `sizes` holds by outcome one size for all windows, or a size for each window that has one.
    """
    size = sizes.get(outcome)
    return size.get(window) if isinstance(size, Mapping) else size
