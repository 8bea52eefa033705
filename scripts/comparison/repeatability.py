"""How well a measurement repeats: intraclass correlation, error of measurement, detectable change.

Forms of the intraclass correlation as Shrout and Fleiss 1979, Psychol Bull 86:420-428, with the
intervals that McGraw and Wong 1996 (Psychol Methods 1:30-46) give for them; standard error of
measurement and smallest detectable change as Weir 2005, J Strength Cond Res 19:231-240.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from comparison.contrasts import as_ratio
from comparison.jackknife import jackknife
from results.columns import columns_of

AGREEMENT = "ICC(2,1), agreement"

CONSISTENCY = "ICC(3,1), consistency"

BASELINES = "resting baselines of different visits"

BOUTS = "bouts of one session, within exercise and condition"

FEWEST_PEOPLE = 3

# an error below this part of the values' own size is rounding
ROUNDING = 1e-10

# two values of one person differ by more than this many errors of measurement in 5 of 100 pairs
DETECTABLE = 1.96 * np.sqrt(2)


@dataclass(frozen=True)
class MeanSquares:
    """Two-way analysis of variance of people by repeats: mean squares and degrees of freedom."""

    people: float
    repeats: float
    residual: float
    n: int
    k: int

    @property
    def df_people(self) -> int:
        return self.n - 1

    @property
    def df_residual(self) -> int:
        return (self.n - 1) * (self.k - 1)

    @classmethod
    def of(cls, table: np.ndarray) -> MeanSquares:
        """Of complete values (people, repeats). Raises ValueError for fewer than two of either."""
        table = np.asarray(table, dtype=float)
        n, k = table.shape
        if min(n, k) < 2 or not np.isfinite(table).all():
            raise ValueError("needs complete values of two people and two repeats at least")
        whole = table.mean()
        of_people, of_repeats = table.mean(axis=1), table.mean(axis=0)
        rest = table - of_people[:, None] - of_repeats + whole
        return cls(
            people=float(k * np.sum((of_people - whole) ** 2) / (n - 1)),
            repeats=float(n * np.sum((of_repeats - whole) ** 2) / (k - 1)),
            residual=float(np.sum(rest**2) / ((n - 1) * (k - 1))),
            n=n,
            k=k,
        )


def agreement(squares: MeanSquares) -> float:
    """ICC(2,1): agreement of single values, repeats drawn at random (Shrout and Fleiss 1979)."""
    s = squares
    return (s.people - s.residual) / (
        s.people + (s.k - 1) * s.residual + s.k * (s.repeats - s.residual) / s.n
    )


def consistency(people: float, residual: float, k: float) -> float:
    """ICC(3,1) from mean squares: single values but for a shift of all people alike."""
    return (people - residual) / (people + (k - 1) * residual)


def agreement_interval(squares: MeanSquares) -> tuple[float, float]:
    """95 % interval of ICC(2,1) (Shrout and Fleiss 1979, degrees of freedom of Satterthwaite)."""
    s, icc = squares, agreement(squares)
    ratio = s.repeats / s.residual
    a = s.k * icc * ratio
    b = s.n * (1 + (s.k - 1) * icc) - s.k * icc
    df = (s.k - 1) * (s.n - 1) * (a + b) ** 2
    df /= (s.n - 1) * s.k**2 * icc**2 * ratio**2 + b**2
    upper = scipy.special.fdtri(s.df_people, df, 0.975)
    lower = scipy.special.fdtri(df, s.df_people, 0.975)
    spread = s.k * s.repeats + (s.k * s.n - s.k - s.n) * s.residual
    return (
        float(s.n * (s.people - upper * s.residual) / (upper * spread + s.n * s.people)),
        float(s.n * (lower * s.people - s.residual) / (spread + s.n * lower * s.people)),
    )


def error_of_measurement(residual: float, df: float) -> tuple[float, float, float]:
    """Root of a residual mean square with its 95 % interval from chi squared."""
    tails = 0.025, 0.975
    limits = [residual * df / scipy.special.chdtri(df, tail) for tail in tails]
    return tuple(float(np.sqrt(square)) for square in (residual, *limits))


def repeatability_table(
    comparable: pd.DataFrame, *, outcome: str, window: str, scale: str
) -> pd.DataFrame:
    """Repeatability of one outcome in one window, from baselines or from bouts.

    values : participant_id, visit, exercise, condition, event_id, event_onset_s and y, which is on
        the scale of the analysis

    Columns as in repeatability.tsv; on ratio scales errors are factors.
    """
    if window == "baseline":
        row = {"of": BASELINES} | repeatability_of_baselines(comparable)
    else:
        row = {"of": BOUTS} | repeatability_of_bouts(comparable)
    if scale == "ratio":
        for name in ("mean", "sem", "sem_low", "sem_high", "detectable_change"):
            row[name] = as_ratio(row.get(name))
    labels = {"outcome": outcome, "window": window, "scale": scale}
    return pd.DataFrame([labels | row], columns=columns_of("repeatability"))


def repeatability_of_baselines(comparable: pd.DataFrame) -> dict:
    """Agreement of the resting values of people over their visits, of those who have all."""
    means = comparable.groupby(["participant_id", "visit"])["y"].mean().unstack("visit")
    complete = means.dropna().to_numpy()
    n, k = complete.shape
    left_out = len(means) - n
    notes = [f"left out, without every visit: {left_out}"] if left_out else []
    row = {"n_participants": n, "repeats": k, "n_values": complete.size}
    if n < FEWEST_PEOPLE or k < 2:
        why = "one visit" if k < 2 else f"fewer than {FEWEST_PEOPLE} people with every visit"
        return row | {"note": "; ".join([why, *notes])}
    squares = MeanSquares.of(complete)
    row |= {"mean": float(complete.mean())}
    if not squares.residual > (ROUNDING * np.abs(complete).max()) ** 2:
        return row | {"note": "all repeats are the same"}
    low, high = agreement_interval(squares)
    shift = scipy.special.fdtrc(k - 1, squares.df_residual, squares.repeats / squares.residual)
    icc = {"form": AGREEMENT, "icc": agreement(squares), "icc_low": low, "icc_high": high}
    return (
        row
        | icc
        | _errors(squares.residual, squares.df_residual)
        | {"shift_p": float(shift), "note": "; ".join(notes)}
    )


def repeatability_of_bouts(comparable: pd.DataFrame) -> dict:
    """Consistency of the bouts of a session, pooled over exercises and conditions.

    A stratum is one exercise in one condition; in each, people who have all its bouts count. Mean
    squares are summed over strata; the interval comes from leaving one person out at a time,
    because strata hold the same people.
    """
    people, strata = bouts_of(comparable)
    row = {
        "n_participants": len(people),
        "n_values": int(sum(table.size for table in strata)),
        "repeats": float(np.mean([table.shape[1] for table in strata])) if strata else None,
    }
    if len(people) < FEWEST_PEOPLE:
        why = "no bouts were repeated" if not strata else f"fewer than {FEWEST_PEOPLE} people"
        return row | {"note": why}
    row["n_values"] = int(sum(np.isfinite(table).sum() for table in strata))
    row["mean"] = float(np.mean([np.nanmean(table) for table in strata]))
    everybody = np.ones((1, len(people)), dtype=bool)
    (between,), (residual,), (df,) = pooled_squares(strata, everybody)
    size = max(np.nanmax(np.abs(table)) for table in strata)
    if not residual > (ROUNDING * size) ** 2:
        return row | {"note": "all repeats are the same"}
    k = row["repeats"]

    def log_ratio(kept: np.ndarray) -> float:
        # the log of the ratio of mean squares is closer to normal than the correlation
        (of_people,), (of_bouts,), _ = pooled_squares(strata, kept[None])
        return float(np.log(of_people / of_bouts)) if min(of_people, of_bouts) > 0 else np.nan

    def back(log_of_ratio: float) -> float:
        ratio = np.exp(log_of_ratio)
        return float((ratio - 1) / (ratio + k - 1))

    icc = jackknife(log_ratio, np.array(people, dtype=object), back=back)
    limits = {"icc_low": icc.low, "icc_high": icc.high}
    return (
        row
        | {"form": CONSISTENCY, "icc": consistency(between, residual, k)}
        | {name: None if np.isnan(limit) else limit for name, limit in limits.items()}
        | _errors(residual, df)
        | {"note": "" if np.isfinite(icc.low) else "no interval of the correlation"}
    )


def pooled_squares(
    strata: list[np.ndarray], kept: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean squares of people and of the residual over strata, and the residual's df.

    strata : values (people, bouts), missing where a person has not all bouts of a stratum
    kept : people that count, (sets of people, people); a result for each set
    """
    between, df_between, residual, df = (np.zeros(len(kept)) for _ in range(4))
    for k in {table.shape[1] for table in strata}:
        bouts = np.array([table for table in strata if table.shape[1] == k])
        complete = np.isfinite(bouts[..., 0])
        counts = kept[:, None] & complete
        n = counts.sum(axis=-1)
        bouts = np.where(complete[..., None], bouts, 0.0)
        of_people = bouts.mean(axis=-1)
        of_bouts = (counts[..., None] * bouts).sum(axis=-2) / np.maximum(n, 1)[..., None]
        whole = of_bouts.mean(axis=-1)
        about = (of_people - whole[..., None]) ** 2
        between += k * (counts * about).sum(axis=(-2, -1))
        rest = bouts - of_people[..., None] - of_bouts[..., None, :] + whole[..., None, None]
        residual += (counts[..., None] * rest**2).sum(axis=(-3, -2, -1))
        df_between += np.maximum(n - 1, 0).sum(axis=-1)
        df += (k - 1) * np.maximum(n - 1, 0).sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return between / df_between, residual / df, df


def bouts_of(comparable: pd.DataFrame) -> tuple[list[str], list[np.ndarray]]:
    """People, and their bouts (people, bouts) in every exercise and condition with several bouts.

    Of people who have a condition at several visits the first counts; who has not every bout of a
    stratum is missing in it.
    """
    ordered = comparable.sort_values(["visit", "event_onset_s"], kind="stable")
    ordered = ordered.assign(exercise=ordered["exercise"].fillna(""))
    cell = ["participant_id", "exercise", "condition"]
    first = ordered.groupby(cell, sort=False)["session_id"].transform("first")
    ordered = ordered[ordered["session_id"] == first]
    number = ordered.groupby(cell, sort=False).cumcount()
    wide = ordered.set_index([*cell, number])["y"].unstack("participant_id")
    strata = []
    for _, of_cell in wide.groupby(level=["exercise", "condition"], sort=False):
        bouts = of_cell.to_numpy().T
        complete = ~np.isnan(bouts).any(axis=1)
        if bouts.shape[1] > 1 and complete.sum() > 1:
            strata.append(np.where(complete[:, None], bouts, np.nan))
    if not strata:
        return [], []
    held = np.any([np.isfinite(table[:, 0]) for table in strata], axis=0)
    return list(wide.columns[held]), [table[held] for table in strata]


def _errors(residual: float, df: float) -> dict:
    sem, low, high = error_of_measurement(residual, df)
    return {
        "sem": sem,
        "sem_low": low,
        "sem_high": high,
        "df": float(df),
        "detectable_change": float(DETECTABLE * sem),
    }
