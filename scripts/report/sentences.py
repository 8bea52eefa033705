"""What may be said about a contrast, and what may not."""

import pandas as pd

from results.decided import ALPHA, SAME_ORDER
from results.format import interval, p_in_words
from results.words import in_words

SAME_ORDER_CLAIM = (
    "Everybody had the conditions in the same order, so that this is not called an effect of "
    "pressure."
)


def same_order(compared):
    """Whether everybody had the conditions in one order, as the primary outcomes say."""
    # a sparse secondary outcome may come from people who happen to share an order
    leading = compared[(compared["primary"] == "yes") & (compared["exercise"] == "all")]
    return bool(leading["note"].fillna("").str.contains(SAME_ORDER, regex=False).any())


def is_comparison(contrasts: pd.DataFrame) -> pd.Series:
    """Which rows of contrasts.tsv compare: those with an interval or a randomisation test.

    An estimate without either rests on one participant, or on differences that are all the same.
    """
    chance = contrasts.get("randomisation_p", pd.Series(dtype=float)).reindex(contrasts.index)
    return contrasts["estimate"].notna() & (contrasts["ci_low"].notna() | chance.notna())


def why_no_comparison(row) -> str:
    """Why one row of contrasts.tsv compares nothing; empty where it does."""
    if pd.notna(row.ci_low) or pd.notna(getattr(row, "randomisation_p", None)):
        return ""
    pairs = getattr(row, "n_pairs", None)
    return "one participant only: no comparison" if pairs == 1 else "no interval: no comparison"


def sentence_of_contrast(
    row, label: str, unit: str, *, same_order: bool = False, confidence: float = 0.95
) -> str:
    """One contrast in words: direction, size, interval, p; never `no effect` for lack of evidence.

    `row` has the columns of contrasts.tsv, the result that decides in its main columns. A
    difference is claimed only where the adjusted p-value is below .05; sameness only where the
    interval lies within the smallest effect of interest. With `same_order` a difference is one of
    visits and not called an effect of the condition.
    """
    one, other = row.contrast.split(" - ")
    if pd.isna(row.estimate):
        return f"{label}: {one} and {other} could not be compared ({row.note or 'no values'})."
    if why := why_no_comparison(row):
        return f"{label}, {one} against {other}: {why}."
    size = size_of(row, unit, confidence=confidence)
    chance = getattr(row, "randomisation_p", None)
    if pd.notna(chance):
        return (
            f"{label}, {one} against {other}, in this participant over these visits: {size}; "
            f"randomisation p = {chance:.2g}, smallest possible {row.randomisation_minimum:.2g}."
        )
    p = deciding_p(row)
    if pd.isna(p):
        return f"{label}, {one} against {other}: {size}; described only, no test."
    shown = p_in_words(p)
    adjusted = "" if pd.isna(row.p_adjusted) else " adjusted"
    if getattr(row, "deciding", "pooled") == "paired":
        adjusted += ", paired"
    if p < ALPHA:
        return _difference(row, label, unit, f"{size}, {shown}{adjusted}", same_order)
    if row.reading == "equivalent":
        return (
            f"{label}, {one} against {other}: {size}, within {_of_interest(row, unit)}: "
            f"shown to be no different in size that matters."
        )
    if row.reading == "inconclusive":
        return (
            f"{label}, {one} against {other}: {size}, {shown}{adjusted}. Inconclusive: the "
            "interval holds both no difference and one of interest."
        )
    return (
        f"{label}, {one} against {other}: {size}, {shown}{adjusted}. No difference was shown; this "
        f"does not show that there is none."
    )


def sentence_against_others(
    rows: pd.DataFrame, label: str, condition: str, *, same_order: bool = False
) -> str:
    """Whether one condition differed from each of the others, in one sentence.

    `rows`: the contrasts over all exercises of one primary outcome in which `condition` is the
    first; at least two. With `same_order` a difference is not called an effect of the condition.
    """
    by_verdict = {}
    for row in rows.itertuples():
        by_verdict.setdefault(verdict_of(row), []).append(row.contrast.split(" - ")[1])
    said = [
        f"{verdict} with {condition} than with {in_words(by_verdict[verdict], both=True)}"
        for verdict in ("lower", "higher")
        if verdict in by_verdict
    ]
    if "same" in by_verdict:
        said.append(
            f"{condition} shown to be no different from {in_words(by_verdict['same'])} in size "
            "that matters"
        )
    if "not shown" in by_verdict:
        said.append(
            f"no difference of {condition} from {in_words(by_verdict['not shown'], 'or')} was shown"
        )
    if "not estimated" in by_verdict:
        said.append(
            f"{condition} could not be compared with {in_words(by_verdict['not estimated'])}"
        )
    order = f" {SAME_ORDER_CLAIM}" if same_order and {"lower", "higher"} & set(by_verdict) else ""
    return f"{label}: {'; '.join(said)}.{order}"


def verdict_of(row) -> str:
    """What one contrast shows: `lower`, `higher`, `same`, `not shown` or `not estimated`."""
    p = deciding_p(row)
    if pd.isna(row.estimate) or why_no_comparison(row):
        return "not estimated"
    if pd.isna(p) or p >= ALPHA:
        return "same" if row.reading == "equivalent" else "not shown"
    return "lower" if row.estimate < neutral_of(row) else "higher"


def deciding_p(row) -> float:
    """The adjusted p-value where there is one."""
    return row.p if pd.isna(row.p_adjusted) else row.p_adjusted


def neutral_of(row) -> float:
    """No difference on the scale of a contrast."""
    return 1.0 if row.scale == "ratio" else 0.0


def _difference(row, label, unit, found, same_order):
    one, other = row.contrast.split(" - ")
    direction = "higher" if row.estimate > neutral_of(row) else "lower"
    if same_order:
        claim = (
            f"{label} was {direction} at the visits with {one} than at those with {other}: {found}."
            f" {SAME_ORDER_CLAIM}"
        )
    else:
        claim = f"{label} was {direction} with {one} than with {other}: {found}."
    if row.reading == "equivalent":
        claim += f" The difference is smaller than {_of_interest(row, unit)}."
    return claim


def _of_interest(row, unit):
    """The smallest effect of interest with its size, which may differ from window to window."""
    size = row.smallest_effect
    shown = f"a ratio of {size:g}" if row.scale == "ratio" else in_unit(f"{size:g}", unit)
    return f"the smallest effect of interest ({shown})"


def in_unit(shown: str, unit: str) -> str:
    """A difference with its unit; of a percentage, in percentage points."""
    return f"{shown} {unit.replace('%', 'percentage points')}".strip()


def size_of(row, unit: str, *, confidence: float) -> str:
    """Estimate with its interval, in the unit or as a ratio."""
    if row.scale == "ratio":
        text = f"ratio {row.estimate:.3g}"
    else:
        text = in_unit(f"{row.estimate:+.3g}", unit)
    if pd.isna(row.ci_low):
        return text
    return f"{text} ({100 * confidence:g} % CI {interval(row.ci_low, row.ci_high)})"
