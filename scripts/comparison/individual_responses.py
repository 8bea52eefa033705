"""Whether people respond differently: spread of their true differences, apart from that of bouts.

The variance of the observed differences between people is that of their true responses plus what
bouts add; the second is known where bouts are repeated and is taken off (Hopkins 2015, Sportscience
19:1; Atkinson and Batterham 2015, Exp Physiol 100:577). Where each condition was one visit the
result still holds what varies from visit to visit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from comparison.conditions import Comparison
from comparison.contrasts import as_ratio
from results.columns import columns_of

NO_BOUTS = "no bouts were repeated: their share in the spread is not known"

NOTHING_BEYOND = "bouts alone explain the spread between people"


@dataclass(frozen=True)
class Spread:
    """SD of true responses with its interval (None: not known), and that of bouts in a difference.

    `noise` holds by person the variance that bouts add to the difference.
    """

    sd: float | None
    low: float | None
    high: float | None
    bout_sd: float | None
    bout_df: float | None
    differences: pd.Series
    noise: pd.Series
    note: str


def variance_interval(square: float, df: float) -> tuple[float, float]:
    """95 % interval of a variance from chi squared."""
    return tuple(float(square * df / scipy.special.chdtri(df, tail)) for tail in (0.025, 0.975))


def difference_of_variances(
    first: float, first_df: float, second: float, second_df: float
) -> tuple[float, float]:
    """Interval of one variance less another, from the interval of each (Zou and Donner 2008)."""
    low_1, high_1 = variance_interval(first, first_df)
    low_2, high_2 = variance_interval(second, second_df)
    size = first - second
    return (
        size - np.hypot(first - low_1, high_2 - second),
        size + np.hypot(high_1 - first, second - low_2),
    )


def bout_variance(bouts: pd.DataFrame) -> tuple[float, int]:
    """Variance of bouts about their person, a shift from bout to bout taken out; with its df.

    `bouts` hold participant_id, exercise, number (of the bout) and y of one condition. Each
    exercise is fitted by people and bouts, the residuals are pooled.
    """
    total, df = 0.0, 0
    for _, of_exercise in bouts.groupby("exercise", sort=False):
        people = pd.factorize(of_exercise["participant_id"])[0]
        numbers = pd.factorize(of_exercise["number"])[0]
        design = np.hstack(
            [people[:, None] == np.arange(people.max() + 1), numbers[:, None] == np.unique(numbers)]
        ).astype(float)
        y = of_exercise["y"].to_numpy(float)
        fitted, _, rank, _ = np.linalg.lstsq(design, y, rcond=None)
        total += float(np.sum((y - design @ fitted) ** 2))
        df += len(y) - int(rank)
    return (total / df if df else np.nan), df


def spreads_of_responses(comparison: Comparison) -> dict[tuple[str, str], Spread]:
    """The spread of true responses of each contrast over the exercises.

    Differences are each person's own, over the exercises done in both conditions; on the scale of
    the analysis.
    """
    bouts = comparison.single_rows
    bouts = bouts.assign(exercise=bouts["exercise"].fillna(""))
    by_cell = bouts.groupby(["participant_id", "condition", "exercise"])
    bouts = bouts.assign(number=by_cell.cumcount())
    cells = by_cell["y"].agg(["mean", "size"]).unstack("condition")
    variances = {
        condition: bout_variance(bouts[bouts["condition"] == condition])
        for condition in cells["mean"]
    }
    return {
        pair: _spread(*_differences_and_noise(cells, variances, pair)) for pair in comparison.pairs
    }


def _spread(differences, noise, bout_sd, bout_df) -> Spread:
    n = len(differences)

    def without(note):
        return Spread(None, None, None, bout_sd, bout_df, differences, noise, note)

    if n < 3:
        return without("fewer than 3 people with both conditions")
    if bout_sd is None:
        return without(NO_BOUTS)
    observed = float(differences.var(ddof=1))
    of_bouts = float(noise.mean())
    low, high = difference_of_variances(observed, n - 1, of_bouts, bout_df)
    of_responses = observed - of_bouts
    return Spread(
        sd=float(np.sqrt(max(of_responses, 0.0))),
        low=float(np.sqrt(max(low, 0.0))),
        high=float(np.sqrt(max(high, 0.0))),
        bout_sd=bout_sd,
        bout_df=bout_df,
        differences=differences,
        noise=noise,
        note="" if of_responses > 0 else NOTHING_BEYOND,
    )


def _differences_and_noise(cells, variances, pair):
    """Each person's difference, the variance that bouts add to it, its root mean and df.

    cells : mean and size of the bouts of each person in each exercise, by condition
    variances : of bouts, with their df, by condition
    """
    if set(pair) <= set(cells["mean"]):
        cells = cells[cells["mean"][list(pair)].notna().all(axis=1)]
    if cells.empty or not set(pair) <= set(cells["mean"]):
        return pd.Series(dtype=float), pd.Series(dtype=float), None, None
    mean, size = cells["mean"], cells["size"]
    people = cells.index.get_level_values("participant_id")
    differences = (mean[pair[0]] - mean[pair[1]]).groupby(people).mean()
    n_exercises = pd.Series(1, index=cells.index).groupby(people).sum()
    parts, terms = [], []
    for condition in pair:
        variance, df = variances[condition]
        if not df:
            return differences, pd.Series(np.nan, index=differences.index), None, None
        part = variance * (1 / size[condition]).groupby(people).sum() / n_exercises**2
        parts.append(part)
        terms.append((float(part.mean()), df))
    noise = sum(parts)
    total = sum(square for square, _ in terms)
    # Satterthwaite 1946: the variance of bouts may differ between conditions
    spread = sum(square**2 / df for square, df in terms)
    df = total**2 / spread if spread else float(sum(df for _, df in terms))
    return differences, noise, float(np.sqrt(total)), float(df)


def responses_table(comparison: Comparison, spreads: dict[tuple[str, str], Spread]) -> pd.DataFrame:
    """Every person's difference with what bouts leave open, and drawn to the mean by it.

    Columns as in individual_responses.tsv. `expected` is mean plus share of the person's deviation,
    the share being that of true responses in its variance (best linear prediction; Robinson 1991).
    """
    responses = []
    for pair, spread in spreads.items():
        whole = float(spread.differences.mean()) if len(spread.differences) else np.nan
        for person, difference in spread.differences.items():
            row = {"participant_id": person, "contrast": f"{pair[0]} - {pair[1]}"}
            row |= {"difference": float(difference), "note": spread.note}
            if spread.bout_df:
                error = float(np.sqrt(spread.noise[person]))
                half = error * float(scipy.special.stdtrit(spread.bout_df, 0.975))
                row |= {"se": error, "ci_low": difference - half, "ci_high": difference + half}
            if spread.sd is not None:
                true = spread.sd**2
                share = true / (true + float(spread.noise[person])) if true else 0.0
                row |= {"share": share, "expected": whole + share * (difference - whole)}
            responses.append(row)
    table = pd.DataFrame(responses).assign(**comparison.labels)
    table = table.reindex(columns=columns_of("individual_responses"))
    if comparison.scale == "ratio":
        for name in ("difference", "ci_low", "ci_high", "expected"):
            table[name] = [as_ratio(logarithm) for logarithm in table[name]]
    return table
