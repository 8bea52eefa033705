"""How much of what a contrast rests on is flagged, and how much is withheld."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

# outcome and window
Key = tuple[str, str]

# condition and exercise, and how many values were asked, flagged and withheld there
Counts = list[tuple[str, str, int, int, int]]


def shares_of(outcomes: pd.DataFrame, conditions: Sequence[str]) -> dict[Key, Counts]:
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
    sums = counted.groupby(keys)[["asked", "flagged", "withheld"]].sum()
    cells: dict[Key, Counts] = {}
    for (outcome, window, *cell), counts in zip(sums.index, sums.to_numpy().tolist(), strict=True):
        cells.setdefault((outcome, window), []).append((*cell, *counts))
    return {key: [cell for cell in held if cell[1]] or held for key, held in cells.items()}


def with_shares(contrasts: pd.DataFrame, counts: Counts | None) -> pd.DataFrame:
    """Contrasts with the shares of their values that are flagged and withheld, in percent.

    `contrasts` has the columns exercise and contrast, `counts` is an entry of `shares_of`.
    """
    if counts is None:
        return contrasts
    flagged_pct, withheld_pct = [], []
    for contrast, exercise in zip(contrasts["contrast"], contrasts["exercise"], strict=True):
        pair = contrast.split(" - ")
        held = [cell[2:] for cell in counts if cell[0] in pair and exercise in ("all", cell[1])]
        asked, flagged, withheld = map(sum, zip(*held, strict=True)) if held else (0, 0, 0)
        flagged_pct.append(100 * flagged / asked if asked else None)
        withheld_pct.append(100 * withheld / asked if asked else None)
    return contrasts.assign(flagged_pct=flagged_pct, withheld_pct=withheld_pct)
