"""How much of what a contrast rests on is flagged, and how much is withheld."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

# outcome and window
Key = tuple[str, str]


def shares_of(outcomes: pd.DataFrame, conditions: Sequence[str]) -> dict[Key, pd.DataFrame]:
    """How many values of each outcome were asked, flagged and withheld, by condition and exercise.

    As in the comparison, what belongs to sets counts alone where there is any.
    """
    asked = outcomes[outcomes["condition"].isin(conditions)]
    counted = asked.assign(
        exercise=asked["exercise"].fillna("").astype(str),
        flagged=asked["status"] == "flagged",
        withheld=asked["status"].isin(["refused", "missing"]),
        asked=True,
    )
    keys = ["outcome", "window", "condition", "exercise"]
    sums = counted.groupby(keys)[["asked", "flagged", "withheld"]].sum().reset_index()
    return dict(list(sums.groupby(["outcome", "window"])))


def with_shares(contrasts: pd.DataFrame, counts: pd.DataFrame | None) -> pd.DataFrame:
    """Contrasts with the shares of their values that are flagged and withheld, in percent.

    `contrasts` has the columns exercise and contrast, `counts` is an entry of `shares_of`.
    """
    if counts is None:
        return contrasts
    if (counts["exercise"] != "").any():
        counts = counts[counts["exercise"] != ""]
    cells = list(counts[["condition", "exercise", "asked", "flagged", "withheld"]].itertuples())
    shares = []
    for row in contrasts.itertuples():
        pair = row.contrast.split(" - ")
        of_pair = [c for c in cells if c.condition in pair and row.exercise in ("all", c.exercise)]
        asked = sum(cell.asked for cell in of_pair)
        shares.append(
            {
                f"{name}_pct": 100 * sum(getattr(c, name) for c in of_pair) / asked
                if asked
                else None
                for name in ("flagged", "withheld")
            }
        )
    return contrasts.assign(**pd.DataFrame(shares, index=contrasts.index))
