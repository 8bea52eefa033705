"""What a contrast decides: at which level, by which of two results, and what stands against it."""

import pandas as pd

ALPHA = 0.05

SAME_ORDER = "everybody had the same order: condition and visit cannot be separated"

DECIDED = ("estimate", "se", "df", "ci_low", "ci_high", "p")


def as_decided(contrasts: pd.DataFrame) -> pd.DataFrame:
    """Rows of contrasts.tsv with the result that decides in the place of the main one.

    Where `deciding` is "paired", estimate, se, df, interval and p are those of the paired result.
    """
    paired = contrasts["deciding"] == "paired"
    columns = {n: contrasts[f"paired_{n}"].where(paired, contrasts[n]) for n in DECIDED}
    return contrasts.assign(**columns)
