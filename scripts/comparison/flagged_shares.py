"""How much of what a contrast rests on is flagged, and how much is withheld."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

COUNTED = ["asked", "flagged", "withheld"]

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
    sums = counted.groupby(keys)[COUNTED].sum().reset_index()
    return dict(list(sums.groupby(["outcome", "window"])))


def with_shares(contrasts: pd.DataFrame, counts: pd.DataFrame | None) -> pd.DataFrame:
    """Contrasts with the shares of their values that are flagged and withheld, in percent.

    `contrasts` has the columns exercise and contrast, `counts` is an entry of `shares_of`.
    """
    if counts is None:
        return contrasts
    cells = counts[["condition", "exercise", *COUNTED]].to_numpy(object).tolist()
    cells = [cell for cell in cells if cell[1]] or cells
    shares = []
    for contrast, exercise in zip(contrasts["contrast"], contrasts["exercise"], strict=True):
        pair = contrast.split(" - ")
        held = [cell[2:] for cell in cells if cell[0] in pair and exercise in ("all", cell[1])]
        asked, *counted = np.sum(held, axis=0) if held else (0, 0, 0)
        shares.append([100 * part / asked if asked else None for part in counted])
    names = [f"{name}_pct" for name in COUNTED[1:]]
    return contrasts.assign(**pd.DataFrame(shares, contrasts.index, names))
