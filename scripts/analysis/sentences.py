"""What may be said about a contrast, and what may not."""

import pandas as pd

ALPHA = 0.05


def sentence_of_contrast(row, label: str, unit: str) -> str:
    """One contrast in words: direction, size, interval, p; never `no effect` for lack of evidence.

    `row` has the columns of contrasts.tsv. A difference is claimed only where the adjusted p-value
    is below .05; sameness only where the interval lies within the smallest effect of interest.
    """
    one, other = row.contrast.split(" - ")
    if pd.isna(row.estimate):
        return f"{label}: {one} and {other} could not be compared ({row.note or 'no values'})."
    size = size_of(row, unit)
    p = row.p if pd.isna(row.p_adjusted) else row.p_adjusted
    if pd.isna(p):
        return f"{label}, {one} against {other}: {size}; described only, no test."
    shown = f"p {'< .001' if p < 0.001 else '= ' + f'{p:.3f}'.lstrip('0')}"
    adjusted = "" if pd.isna(row.p_adjusted) else " adjusted"
    if p < ALPHA:
        neutral = 1.0 if row.scale == "ratio" else 0.0
        direction = "higher" if row.estimate > neutral else "lower"
        claim = f"{label} was {direction} with {one} than with {other}: {size}, {shown}{adjusted}."
        if row.reading == "equivalent":
            claim += " The difference is smaller than the smallest effect of interest."
        return claim
    if row.reading == "equivalent":
        return (
            f"{label}, {one} against {other}: {size}, within the smallest effect of interest: "
            f"shown to be no different in size that matters."
        )
    return (
        f"{label}, {one} against {other}: {size}, {shown}{adjusted}. No difference was shown; this "
        f"does not show that there is none."
    )


def size_of(row, unit: str) -> str:
    """Estimate with its interval, in the unit or as a ratio."""
    if row.scale == "ratio":
        text = f"ratio {row.estimate:.3g}"
    else:
        text = f"{row.estimate:+.3g}{' ' + unit if unit else ''}".replace("%", "percentage points")
    if pd.isna(row.ci_low):
        return text
    return f"{text} (95 % CI {row.ci_low:.3g} to {row.ci_high:.3g})"
