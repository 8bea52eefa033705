"""What may be said about a contrast, and what may not."""

import pandas as pd

from results.decided import SAME_ORDER
from results.format import interval, p_in_words, significant
from results.words import in_words
from study.plan import AS_PLANNED, NOT_FROZEN

SAME_ORDER_CLAIM = (
    "Everybody had the conditions in the same order, so that this is not called an effect of "
    "pressure."
)


def same_order(compared):
    """Whether everybody had the conditions in one order, as every contrast of the study says."""
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    return bool(leading["note"].fillna("").str.contains(SAME_ORDER, regex=False).any())


def is_comparison(contrasts: pd.DataFrame) -> pd.Series:
    """Which rows of contrasts.tsv compare: those with an interval.

    An estimate without one rests on one participant, or on differences that are all the same.
    """
    return contrasts["estimate"].notna() & contrasts["ci_low"].notna()


def why_no_comparison(row) -> str:
    """Why one row of contrasts.tsv compares nothing; empty where it does."""
    if pd.notna(row.ci_low):
        return ""
    pairs = getattr(row, "n_pairs", None)
    return "one participant only: no comparison" if pairs == 1 else "no interval: no comparison"


def sentence_of_contrast(row, label: str, unit: str, *, same_order: bool = False) -> str:
    """One contrast in words: direction, size, interval, p; never `no effect` for lack of evidence.

    `row` has the columns of contrasts.tsv. A difference is claimed only where `claim` says yes;
    sameness only where the interval lies within the smallest effect of interest. With `same_order`
    a difference is one of visits and not called an effect of the condition.
    """
    condition, base = row.contrast.split(" - ")
    if pd.isna(row.estimate):
        return f"{label}: {condition} and {base} could not be compared ({row.note or 'no values'})."
    if why := why_no_comparison(row):
        return f"{label}, {condition} against {base}: {why}."
    size = size_of(row, unit)
    size = ", ".join(filter(None, [size, basis_of(row)]))
    if row.claim == "described" or pd.isna(row.p):
        return f"{label}, {condition} against {base}: {size}; described only, no test."
    p = row.p if pd.isna(row.p_adjusted) else row.p_adjusted
    adjusted = "" if pd.isna(row.p_adjusted) else " adjusted"
    shown = f"{size}, {p_in_words(p)}{adjusted}"
    if row.claim == "yes":
        return _difference(row, label, unit, shown, same_order)
    if row.reading == "equivalent":
        return (
            f"{label}, {condition} against {base}: {size}, within {_of_interest(row, unit)}: "
            f"shown to be no different in size that matters (two one-sided tests, each at "
            f"{50 * (1 - row.confidence):.3g} %)."
        )
    if row.reading == "inconclusive":
        return (
            f"{label}, {condition} against {base}: {shown}. Inconclusive: the "
            "interval holds both no difference and one of interest."
        )
    return (
        f"{label}, {condition} against {base}: {shown}. No difference was shown; this "
        f"does not show that there is none."
    )


def basis_of(row) -> str:
    """What stands behind a contrast: pairs, and the share of values flagged and withheld."""
    pairs = getattr(row, "n_pairs", None)
    if pairs is None or pd.isna(pairs):
        return ""
    said = f"{pairs:.0f} pairs" if pairs != 1 else "1 pair"
    return ", ".join([said, *shares_in_words(row)])


def shares_in_words(row) -> list[str]:
    """The shares of the values of a contrast that are flagged and withheld, where known."""
    said = []
    for name in ("flagged", "withheld"):
        share = getattr(row, f"{name}_pct", None)
        if share is not None and pd.notna(share):
            said.append(f"{share:.0f} % {name}" if not 0 < share < 0.5 else f"under 1 % {name}")
    return said


def basis_of_all(contrasts: pd.DataFrame) -> str:
    """What stands behind several contrasts: pairs, and shares of values flagged and withheld."""
    said = []
    if "n_pairs" in contrasts and contrasts["n_pairs"].notna().all():
        unit = "pair" if (contrasts["n_pairs"] == 1).all() else "pairs"
        said.append(f"{_span(contrasts['n_pairs'])} {unit}")
    for name in ("flagged", "withheld"):
        shares = contrasts.get(f"{name}_pct")
        if shares is not None and shares.notna().all() and (shares > 0).any():
            said.append(f"{_span(shares)} % {name}")
    return ", ".join(said)


def _span(numbers):
    low, high = (f"{number:.0f}" for number in (numbers.min(), numbers.max()))
    return low if low == high else f"{low} to {high}"


def sentence_of_claim(
    claim, contrasts: pd.DataFrame, label: str, *, same_order: bool = False
) -> str:
    """A planned claim with its verdict, its parts and what differs from the plan, in one sentence.

    `claim` has the columns of claims.tsv, `contrasts` are those of its outcome over all exercises.
    With `same_order` a difference is not called an effect of the condition.
    """
    p = "" if pd.isna(claim.p_adjusted) else f"{p_in_words(claim.p_adjusted)} over all claims"
    parts = claim.parts if isinstance(claim.parts, str) else ""
    behind = "; ".join(filter(None, [p, parts]))
    behind = f" ({behind})" if behind else ""
    if claim.verdict == "shown":
        said = f"{_directions(claim, contrasts)}{behind}."
        if same_order:
            said += f" {SAME_ORDER_CLAIM}"
    elif claim.verdict == "not shown":
        said = f"that {claim.claim} was not shown{behind}; {_instead(claim, contrasts)}."
    elif claim.verdict == "described":
        said = f"that {claim.claim} is not claimed, only described: {claim.note}{behind}."
    else:
        said = f"that {claim.claim} was not tested: {claim.note}{behind}."
    if claim.plan == AS_PLANNED:
        said += " As planned."
    elif claim.plan != NOT_FROZEN:
        said += " Not as planned."
    return f"{label}: {said}"


def _instead(claim, contrasts) -> str:
    """What stands in the place of a claim that was not shown: small differences, or nothing."""
    condition = claim.claim.partition(" differs from ")[0]
    parts = [row for row in contrasts.itertuples() if condition in row.contrast.split(" - ")]
    if parts and all(verdict_of(row) == "same" for row in parts):
        return (
            "each of its differences was shown to be smaller than the smallest effect of interest"
        )
    return "this does not show that there is no difference"


def _directions(claim, contrasts) -> str:
    """Lower or higher than which conditions; the claim itself where no one condition leads it."""
    condition, separator, _ = claim.claim.partition(" differs from ")
    if not separator:
        return f"{claim.claim} was tested, at least one was shown"
    by_direction = {}
    for row in contrasts.itertuples():
        first, second = row.contrast.split(" - ")
        if condition in (first, second):
            above = (row.estimate > neutral_of(row)) == (condition == first)
            compared = second if condition == first else first
            by_direction.setdefault("higher" if above else "lower", []).append(compared)
    return "; ".join(
        f"{direction} with {condition} than with {in_words(conditions, both=True)}"
        for direction, conditions in sorted(by_direction.items(), reverse=True)
    )


def verdict_of(row) -> str:
    """What a contrast shows: `lower`, `higher`, `same`, `not shown`, `described`, `not estimated`.

    `described` has fewer pairs than are tested.
    """
    if pd.isna(row.estimate) or why_no_comparison(row):
        return "not estimated"
    if row.claim == "described":
        return "described"
    if row.claim != "yes":
        return "same" if row.reading == "equivalent" else "not shown"
    return "lower" if row.estimate < neutral_of(row) else "higher"


def neutral_of(row) -> float:
    """No difference on the scale of a contrast."""
    return 1.0 if row.scale == "ratio" else 0.0


def _difference(row, label, unit, verdict, same_order):
    condition, base = row.contrast.split(" - ")
    direction = "higher" if row.estimate > neutral_of(row) else "lower"
    if same_order:
        at, those = ("in", "sets") if "within a visit" in str(row.note) else ("at", "visits")
        claim = (
            f"{label} was {direction} {at} the {those} with {condition} than {at} those with "
            f"{base}: {verdict}. {SAME_ORDER_CLAIM}"
        )
    else:
        claim = f"{label} was {direction} with {condition} than with {base}: {verdict}."
    if row.reading == "equivalent":
        claim += f" The difference is smaller than {_of_interest(row, unit)}."
    return claim


def _of_interest(row, unit):
    """The smallest effect of interest with its size, which may differ from window to window."""
    size = row.smallest_effect
    named = {"ratio": f"a ratio of {size:g}", "ordinal": f"a relative effect of {size:g}"}
    shown = named.get(row.scale) or in_unit(f"{size:g}", unit)
    return f"the smallest effect of interest ({shown})"


def in_unit(shown: str, unit: str) -> str:
    """A difference with its unit; of a percentage, in percentage points."""
    return f"{shown} {unit.replace('%', 'percentage points')}".strip()


def size_of(row, unit: str) -> str:
    """Estimate with its interval and the level of it, in the unit or as a ratio."""
    if row.scale == "ratio":
        text = f"ratio {significant(row.estimate)}"
    elif row.scale == "ordinal":
        text = f"relative effect {significant(row.estimate, signed=True)}"
    else:
        text = in_unit(significant(row.estimate, signed=True), unit)
    if pd.isna(row.ci_low):
        return text
    level = getattr(row, "confidence", 0.95)
    return f"{text} ({100 * level:.3g} % CI {interval(row.ci_low, row.ci_high)})"
