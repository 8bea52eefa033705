"""The claims that a study planned: what each needs, whether it is shown, and at which error.

A claim holds where all its parts do (`comparison.claims` gives the steps and their sources). Over
several claims the error is kept by Holm's steps or by the declared order. With fewer pairs in a
part than are tested, a claim is described and never made.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from comparison.claims import in_order, level_of_interval, shaffer, shaffer_steps, stepwise
from comparison.conditions import Comparison
from comparison.within_person import Contrast
from results.words import in_words
from study.settings import DIFFERS, PlannedClaim

Key = tuple[str, str]


@dataclass(frozen=True)
class Part:
    """One difference of a claim: condition and reference, the contrast, and who holds both."""

    pair: tuple[str, str]
    contrast: Contrast | None
    n_pairs: int


@dataclass
class Tested:
    """A claim with its parts, p-value and verdict; `levels` are the errors of the intervals."""

    planned: PlannedClaim
    text: str
    parts: list[Part]
    scale: str
    verdict: str
    why: str = ""
    p: float | None = None
    p_adjusted: float | None = None
    levels: Sequence[float] = ()


def judge_claims(
    comparisons: Mapping[Key, Comparison],
    claims: Sequence[PlannedClaim],
    conditions: Sequence[str],
    *,
    across: str,
    alpha: float,
    fewest_pairs: int,
) -> list[Tested]:
    """Every claim with its verdict: `shown`, `not shown`, `not tested` or `described`."""
    tested = [
        _parts_of(claim, comparisons.get((claim.outcome, claim.window)), conditions)
        for claim in claims
    ]
    for judged in tested:
        if judged.why:
            continue
        fewest = min(part.n_pairs for part in judged.parts)
        if fewest < fewest_pairs:
            judged.verdict, judged.why = "described", f"{fewest} pairs in one of the differences"
        elif any(part.contrast is None for part in judged.parts):
            judged.why = "the error of one of the differences could not be estimated"
        else:
            judged.p = _p_of(judged, len(conditions))
    candidates = [judged for judged in tested if judged.p is not None]
    p = [judged.p for judged in candidates]
    if across == "holm":
        steps = list(range(len(p), 0, -1))
        adjusted, levels = stepwise(p, steps), level_of_interval(p, steps, alpha)
    else:
        adjusted, levels = _tested_in_order(tested), [alpha] * len(p)
    for judged, p_adjusted, level in zip(candidates, adjusted, levels, strict=True):
        judged.p_adjusted = float(p_adjusted)
        judged.verdict = "shown" if p_adjusted < alpha else "not shown"
        if judged.verdict == "not shown" and across == "in_order" and judged.p < alpha:
            judged.verdict, judged.why = "not tested", "an earlier claim of the order was not shown"
        judged.levels = _levels_of_parts(judged, float(level), len(conditions))
    return tested


def _parts_of(claim, comparison, conditions) -> Tested:
    """A claim with its differences, later condition minus earlier, not yet judged."""
    if claim.claim == DIFFERS:
        other_conditions = [name for name in conditions if name != claim.condition]
        text = f"{claim.condition} differs from {in_words(other_conditions, both=True)}"
        wanted = {frozenset((claim.condition, compared)) for compared in other_conditions}
    else:
        text = "every difference between conditions"
        wanted = {frozenset((a, b)) for a in conditions for b in conditions if a != b}
    if comparison is None:
        return Tested(claim, text, [], "identity", "not tested", "nothing could be compared")
    pairs = [pair for pair in comparison.pairs if frozenset(pair) in wanted]
    parts = [
        Part(
            pair,
            comparison.within_person(pair, "all")[0],
            len(comparison.pairs_of_values(pair, "all")[0]),
        )
        for pair in pairs
    ]
    missing = "" if len(pairs) == len(wanted) and pairs else "a condition has no values"
    return Tested(claim, text, parts, comparison.scale, "not tested", missing)


def _p_of(claim: Tested, n_conditions: int) -> float:
    """The p-value of a claim: its largest, or of every difference the smallest by its steps."""
    p = [part.contrast.p for part in claim.parts]
    if claim.planned.claim == DIFFERS:
        return max(p)
    return float(shaffer(p, n_conditions).min())


def _tested_in_order(tested: Sequence[Tested]) -> list[float]:
    """Adjusted p-values in the declared order; a claim that cannot be tested ends it."""
    adjusted = in_order([1.0 if claim.p is None else claim.p for claim in tested])
    return [float(a) for a, claim in zip(adjusted, tested, strict=True) if claim.p is not None]


def _levels_of_parts(claim: Tested, level: float, n_conditions: int) -> list[float]:
    if claim.planned.claim == DIFFERS:
        return [level] * len(claim.parts)
    p = [part.contrast.p for part in claim.parts]
    return list(level_of_interval(p, shaffer_steps(n_conditions), level))


def shown_pairs(tested: Sequence[Tested], key: Key) -> frozenset[tuple[str, str]]:
    """Differences of an outcome that a claim has shown as its parts."""
    return frozenset(
        part.pair
        for claim in tested
        if (claim.planned.outcome, claim.planned.window) == key
        and claim.verdict == "shown"
        and claim.planned.claim == DIFFERS
        for part in claim.parts
    )


def claim_row(claim: Tested, *, plan: str, confidence: float) -> dict:
    """A claim as a row of claims.tsv."""
    known = [part.n_pairs for part in claim.parts]
    return {
        "claim": claim.text,
        "outcome": claim.planned.outcome,
        "window": claim.planned.window,
        "verdict": claim.verdict,
        "parts": "; ".join(
            _part_in_words(part, level, claim.scale)
            for part, level in zip(
                claim.parts, claim.levels or [1 - confidence] * len(claim.parts), strict=True
            )
        ),
        "p": claim.p,
        "p_adjusted": claim.p_adjusted,
        "n_pairs": min(known) if known else 0,
        "note": claim.why,
        "plan": plan,
    }


def _part_in_words(part: Part, level: float, scale: str) -> str:
    name = " - ".join(part.pair)
    if part.contrast is None:
        return f"{name}: no estimate with an error ({part.n_pairs} pairs)"
    numbers = [part.contrast.estimate, *part.contrast.interval(1 - level)]
    if scale == "ratio":
        with np.errstate(over="ignore"):
            numbers = [float(np.exp(number)) for number in numbers]
    estimate, low, high = (f"{number:.3g}" for number in numbers)
    return (
        f"{name}: {estimate} ({100 * (1 - level):.3g} % CI {low} to {high}; {part.n_pairs} pairs)"
    )
