"""Contrasts between conditions: the model's beside each participant's own differences.

Contrasts come from the mixed model and, beside it, from each participant's differences; which of
the two is the primary result is settled by a rule that is stated before anybody looks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
import pandas as pd

from comparison.conditions import Comparison
from comparison.effect_sizes import effect_sizes, interpret_interval
from comparison.mixed_model import NOT_ESTIMABLE
from comparison.multiplicity import dunnett_two, holm
from comparison.paired import paired_t, sign_flip
from comparison.single_case import non_overlap, schedule_test
from results.decided import ALPHA
from study.settings import CompareConditions

Schedule = Literal["not_stated", "completely_randomised", "randomised_blocks"]

POOLED = "mixed model, Kenward-Roger"

PAIRED = "paired t, error of the contrast alone"

DESCRIPTIVE = "description only"

ONE_VISIT_EACH = (
    "one participant: condition cannot be told from day, and the sets of a session are no "
    "independent repetitions, so that nothing is tested"
)

NOT_STATED = (
    "one participant: conditions were repeated over visits, but how visits were allotted to them "
    "is not stated (session_schedule), so that nothing is tested"
)

# in the scale of the analysis, given back as ratios where that is logarithmic
BACK_TRANSFORMED = ("estimate", "ci_low", "ci_high")

DISAGREE = "the paired result decides: pooled and paired disagree about p < .05"

# of the values: differences below this are rounding
ROUNDING = 1e-12


@dataclass(frozen=True)
class Rules:
    """How contrasts are tested, stated beforehand; the section compare_conditions explains each."""

    error: Literal["pooled", "contrast"]
    adjustment: Literal["holm", "dunnett", "none"]
    confidence: float
    fewest_participants: int
    largest_sd_ratio: float
    session_schedule: Schedule
    seed: int

    @classmethod
    def of(cls, settings: CompareConditions, seed: int) -> Rules:
        names = [rule.name for rule in fields(cls) if rule.name != "seed"]
        return cls(**{name: getattr(settings, name) for name in names}, seed=seed)


def contrast_table(
    comparison: Comparison, rules: Rules, *, smallest_effect: float | None = None
) -> pd.DataFrame:
    """Marginal contrasts and, where there are exercises, those within each.

    Columns as in contrasts.tsv. `smallest_effect` is in the unit of the outcome, a ratio on ratio
    scales. Adjusted are the marginal contrasts as one family and those within exercises as a
    second one (Holm 1979), under "dunnett" only those with the reference.
    """
    pooled = comparison.pooled(confidence=rules.confidence)
    contrasts = [
        _contrast(comparison, pair, exercise, pooled.get((pair, exercise)), rules)
        for exercise in comparison.levels
        for pair in comparison.pairs
    ]
    if comparison.n_participants == 1:
        for contrast in contrasts:
            _add_single_case(comparison, contrast, rules)
    for exercise in comparison.levels:
        of_exercise = [c for c in contrasts if c["exercise"] == exercise]
        ratio = spread_ratio([c["sd_of_differences"] for c in of_exercise])
        for contrast in of_exercise:
            contrast["deciding"], why = primary_result(
                contrast,
                sd_ratio=ratio,
                largest_sd_ratio=rules.largest_sd_ratio,
                fewest_pairs=rules.fewest_participants,
            )
            contrast["note"].append(why)
    if rules.adjustment != "none":
        for marginal in (True, False):
            family = [c for c in contrasts if (c["exercise"] == "all") == marginal]
            _adjust(comparison, family, rules.adjustment)
    for contrast in contrasts:
        contrast["smallest_effect"] = smallest_effect
        contrast["reading"] = interpretation(contrast, comparison.scale, smallest_effect)
        if comparison.scale == "ratio":
            for name in BACK_TRANSFORMED:
                for column in (name, f"paired_{name}"):
                    contrast[column] = as_ratio(contrast.get(column))
        contrast["note"] = "; ".join(dict.fromkeys(filter(None, contrast["note"])))
    return pd.DataFrame(contrasts)


def _contrast(comparison, pair, exercise, from_model, rules) -> dict:
    """One contrast from the model and from the differences; notes are still a list."""
    first, second = comparison.pairs_of_values(pair, exercise)
    differences = differences_of(first, second)
    paired = paired_result(differences, confidence=rules.confidence)
    n_pairs = len(differences)
    notes = list(comparison.notes)
    contrast = {
        "outcome": comparison.outcome,
        "window": comparison.window,
        "exercise": exercise,
        "contrast": f"{pair[0]} - {pair[1]}",
        "scale": comparison.scale,
        "n_participants": comparison.n_participants,
        "n_rows": comparison.n_rows,
        "n_pairs": n_pairs,
        **{f"paired_{name}": value for name, value in paired.items()},
        "sd_of_differences": sd_of(differences),
        "note": notes,
        "p_adjusted": None,
    }
    contrast |= {k: v for k, v in (from_model or {}).items() if "satterthwaite" in k}
    if rules.error == "pooled" and from_model:
        contrast |= from_model | {"method": POOLED}
    else:
        contrast |= {**paired, "method": PAIRED}
        contrast["t"] = paired["estimate"] / paired["se"] if paired.get("se") else None
        if comparison.fit is not None and not from_model:
            notes.append(f"not from the model: {NOT_ESTIMABLE}")
    contrast |= _standardised(first, second, notes)
    contrast |= _sign_flips(differences, len(comparison.pairs), notes, rules.seed)
    if comparison.n_participants > 1 and n_pairs < 2:
        who = "one participant has" if n_pairs else "nobody has"
        notes.append(f"no paired test: {who} values in both")
    if paired["se"] == 0:
        notes.append("all differences are the same: nothing shows their error")
    _withhold_p(contrast, rules.fewest_participants)
    if comparison.scale == "ratio":
        notes.append("ratio of geometric means; se of its natural logarithm")
    return contrast


def _withhold_p(contrast, fewest_participants) -> None:
    """Take p-values out of a contrast where too few participants or pairs stand behind them."""
    n_participants, n_pairs = contrast["n_participants"], contrast["n_pairs"]
    if 1 < n_participants < fewest_participants:
        contrast["note"].append(f"{n_participants} participants: estimates without a p-value")
    if n_participants < fewest_participants:
        contrast |= dict.fromkeys(("t", "p", "paired_p", "sign_flip_p", "satterthwaite_p"))
        contrast["method"] = f"{contrast['method']}; {DESCRIPTIVE}"
    elif 1 < n_pairs < fewest_participants:
        contrast["note"].append(f"{n_pairs} pairs: paired result without a p-value")
        contrast |= dict.fromkeys(("paired_p", "sign_flip_p"))
        if contrast["method"] == PAIRED:
            contrast |= dict.fromkeys(("t", "p"))


def _standardised(first, second, notes) -> dict:
    try:
        sizes = effect_sizes(first, second)
    except ValueError as reason:
        if len(first) > 1:
            notes.append(f"no standardised difference: {reason}")
        return {}
    return {name: getattr(sizes, name) for name in ("d_av", "g_z", "g_z_low", "g_z_high")}


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
            f"with {len(differences)} pairs no sign-flip test can pass Holm's correction "
            f"over {n_contrasts} contrasts"
        )
    return {"sign_flip_p": flips.p, "sign_flip_minimum": smallest}


# ---------------------------------------------------- one participant


def _add_single_case(comparison, contrast, rules) -> None:
    """What one participant allows: non-overlap, over repeated visits a randomisation test."""
    pair = tuple(contrast["contrast"].split(" - "))
    contrast |= _overlap(comparison, pair, contrast["exercise"])
    visits = _visit_means(comparison, pair, contrast["exercise"])
    if not visits["condition"].duplicated().any():
        contrast["note"].append(ONE_VISIT_EACH)
        return
    if rules.session_schedule == "not_stated":
        contrast["note"].append(NOT_STATED)
        return
    blocks = None
    try:
        if rules.session_schedule == "randomised_blocks":
            blocks = (visits["visit"].astype(int) - 1) // len(comparison.conditions)
            if visits.assign(block=blocks).duplicated(["block", "condition"]).any():
                raise ValueError("the visits are no blocks with every condition once")
        test = schedule_test(
            visits["y"].to_numpy(),
            visits["condition"].to_list(),
            blocks=None if blocks is None else blocks.to_list(),
            pair=pair,
            rng=np.random.default_rng(rules.seed),
        )
    except ValueError as reason:
        contrast["note"].append(f"one participant, nothing is tested: {reason}")
        return
    contrast["randomisation_p"] = test.p
    contrast["randomisation_minimum"] = test.attainable_minimum
    contrast["note"].append(
        f"one participant: randomisation test over {test.total} schedules of "
        f"{len(visits)} visits, for this participant in these visits only"
    )


def _visit_means(comparison, pair, exercise) -> pd.DataFrame:
    """Mean of every visit in either condition, over the exercises done at all of them."""
    values = comparison.single_rows[comparison.single_rows["condition"].isin(pair)]
    if exercise != "all":
        values = values[values["exercise"] == exercise]
    values = values.assign(exercise=values["exercise"].fillna(""))
    means = values.groupby(["visit", "condition", "exercise"])["y"].mean().unstack("exercise")
    return means.dropna(axis=1).mean(axis=1).rename("y").dropna().reset_index()


def _overlap(comparison, pair, exercise) -> dict:
    """Non-overlap of single values, exercise by exercise, exercises weighing equally."""
    overlaps = []
    for name in comparison.exercises or (None,):
        values = comparison.single_rows
        if name is not None:
            if exercise not in ("all", name):
                continue
            values = values[values["exercise"] == name]
        first, second = (values.loc[values["condition"] == c, "y"] for c in pair)
        if len(first) and len(second):
            overlaps.append(non_overlap(second, first).nap)
    if not overlaps:
        return {}
    return {"nap": float(np.mean(overlaps)), "tau": 2 * float(np.mean(overlaps)) - 1}


# ---------------------------------------------------- adjustment, primary result, interpretation


def _adjust(comparison, family, adjustment) -> None:
    """Adjusted p-values of a family, from the p-values of the primary results."""
    if adjustment == "dunnett":
        reference = comparison.conditions[0] if comparison.conditions else None
        outside = [c for c in family if c["contrast"].split(" - ")[1] != reference]
        for contrast in outside:
            contrast["note"].append("not in the family of comparisons with the reference")
        family = [contrast for contrast in family if contrast not in outside]
    family = [contrast for contrast in family if _known(primary_p(contrast))]
    if not family:
        return
    method = "Holm"
    exact = _dunnett(comparison, family) if adjustment == "dunnett" else None
    if exact is not None:
        adjusted, method = exact, "Dunnett"
    else:
        adjusted = holm([primary_p(contrast) for contrast in family])
        paired = [contrast["paired_p"] for contrast in family]
        if all(map(_known, paired)) and ((adjusted < ALPHA) != (holm(paired) < ALPHA)).any():
            # p-values with different errors do not keep the level of the family together
            for contrast in family:
                if contrast["deciding"] == "pooled":
                    contrast["deciding"] = "paired"
                    contrast["note"].append(f"{DISAGREE} after adjustment")
            adjusted = holm(paired)
    for contrast, value in zip(family, adjusted, strict=True):
        contrast["p_adjusted"] = float(value)
        contrast["note"].append(f"p_adjusted: {method} over {len(family)} p-values that decide")


def _dunnett(comparison, family) -> np.ndarray | None:
    """Exact adjustment of two pooled marginal contrasts; None where it does not apply."""
    pooled = all(c["deciding"] == "pooled" and c["exercise"] == "all" for c in family)
    if not pooled or len(family) != 2:
        return None
    pairs = [tuple(contrast["contrast"].split(" - ")) for contrast in family]
    weights = np.array([comparison.weights(pair, "all") for pair in pairs])
    try:
        correlation = comparison.fit.correlations(weights)
        return dunnett_two([c["t"] for c in family], [c["df"] for c in family], correlation)
    except ValueError:
        return None


def _known(value: object) -> bool:
    return value is not None and not np.isnan(value)


def as_ratio(logarithm: float | None) -> float | None:
    """A ratio from its natural logarithm; infinite where it is beyond all numbers."""
    if not _known(logarithm):
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


def paired_result(differences: np.ndarray, *, confidence: float) -> dict[str, float | None]:
    """The contrast from each participant's own difference: estimate, se, df, interval, p.

    One difference gives an estimate only, none gives nothing; without variation there is neither
    interval nor p, because nothing shows how far the estimate could be off.
    """
    if len(differences) < 2:
        nothing = dict.fromkeys(("estimate", "se", "df", "ci_low", "ci_high", "p"))
        return nothing | ({"estimate": float(differences[0])} if len(differences) else {})
    result = paired_t(differences, level=confidence)
    known = result.p is not None
    return {
        "estimate": result.mean,
        "se": result.se,
        "df": float(result.df),
        "ci_low": result.ci_low if known else None,
        "ci_high": result.ci_high if known else None,
        "p": result.p,
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


def primary_result(
    contrast: Mapping, *, sd_ratio: float, largest_sd_ratio: float, fewest_pairs: int
) -> tuple[str, str]:
    """Which result is the primary one, `pooled` or `paired`, and why where it is the paired one.

    Stated beforehand: the paired result, where the SDs of the differences are more unequal than
    `largest_sd_ratio` (a pooled error is then wrong for every contrast), or where pooled and
    paired disagree about p < .05; never with fewer pairs than are tested. Where they disagree
    after adjustment, it decides for the whole family. Convention, from simulated error rates.
    """
    if not contrast["method"].startswith(POOLED):
        return "paired", ""
    too_few = contrast["n_pairs"] < fewest_pairs and _known(contrast["p"])
    if not _known(contrast.get("paired_se")) or too_few:
        return "pooled", ""
    # beyond rounding: whole numbers often give a ratio of exactly two
    if sd_ratio > largest_sd_ratio * (1 + 1e-9):
        times = "one is zero" if np.isinf(sd_ratio) else f"{sd_ratio:.1f}-fold"
        return "paired", f"the paired result decides: SDs of the differences unequal ({times})"
    tested = _known(contrast["p"]) and _known(contrast["paired_p"])
    if tested and (contrast["p"] < ALPHA) != (contrast["paired_p"] < ALPHA):
        return "paired", DISAGREE
    return "pooled", ""


def primary_p(contrast: Mapping) -> float | None:
    """The p-value of the primary result, before adjustment."""
    return contrast["paired_p"] if contrast["deciding"] == "paired" else contrast["p"]


def interpretation(contrast: Mapping, scale: str, smallest_effect: float | None) -> str | None:
    """The primary interval against the smallest effect of interest; None without one.

    Interval on the scale of the analysis, `smallest_effect` in the unit of the outcome. The words
    of `interpret_interval`, so far as the p-value bears them: "not shown" where the interval leaves
    out zero and the adjusted p-value is not below .05, "not tested" where there is no p-value.
    """
    prefix = "paired_" if contrast["deciding"] == "paired" else ""
    low, high = contrast.get(f"{prefix}ci_low"), contrast.get(f"{prefix}ci_high")
    if smallest_effect is None or not _known(low):
        return None
    adjusted = contrast["p_adjusted"]
    p = adjusted if _known(adjusted) else primary_p(contrast)
    if not _known(p):
        return "not tested"
    size = abs(np.log(smallest_effect)) if scale == "ratio" else smallest_effect
    words = interpret_interval(low, high, smallest_effect=size)
    return "not shown" if words == "different" and p >= ALPHA else words


def smallest_effect_in(
    sizes: Mapping[str, float | Mapping[str, float]], outcome: str, window: str
) -> float | None:
    """The smallest effect of interest of an outcome in a window, in its unit; None without one.

    `sizes` holds by outcome one size for all windows, or a size for each window that has one.
    """
    size = sizes.get(outcome)
    return size.get(window) if isinstance(size, Mapping) else size
