"""Outcomes against the pressure applied, as a share of the measured occlusion pressure.

Only differences within a person and exercise count: sets of one person and exercise at different
pressures. The slope is that of least squares about their means; the monotone trend is Kendall's tau
of pairs of such sets (Kendall 1938, Biometrika 30:81-93). The dose at which saturation reaches a
level is read off the mean line, inside the doses that were applied only. Errors come from the
people, by leaving one out at a time. Pressure is chosen by condition, so that whatever else goes
with the condition goes with the dose.
"""

from __future__ import annotations

import numpy as np

from comparison.correlation_by_level import deviations, means_of
from comparison.jackknife import Jackknifed, jackknife

# slopes are given for this much more of the occlusion pressure
STEP_PCT = 10.0


def dose_slope(
    dose_pct: np.ndarray, y: np.ndarray, group: np.ndarray, person: np.ndarray
) -> Jackknifed:
    """Change of y for 10 % more of the occlusion pressure, within groups; arrays (sets,).

    `group` numbers the person and exercise of each set from 0.
    """
    x, y = deviations(dose_pct / STEP_PCT, group), deviations(y, group)

    def statistic(kept):
        spread = x[kept] @ x[kept]
        return float(x[kept] @ y[kept] / spread) if spread > 1e-12 else np.nan

    return jackknife(statistic, person)


def dose_trend(
    dose_pct: np.ndarray, y: np.ndarray, group: np.ndarray, person: np.ndarray
) -> Jackknifed:
    """Kendall's tau of dose and y over the pairs of sets of one group at different doses.

    1 where y rises with every rise of the dose, -1 where it falls with every one.
    """
    first, second = _pairs_within(group)
    differ = dose_pct[first] != dose_pct[second]
    first, second = first[differ], second[differ]
    sign = np.sign(dose_pct[second] - dose_pct[first]) * np.sign(y[second] - y[first])

    def statistic(kept):
        counted = kept[first]
        return float(sign[counted].mean()) if counted.any() else np.nan

    return jackknife(statistic, person)


def _pairs_within(group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of both sets of every pair of one group."""
    order = np.argsort(group, kind="stable")
    members = np.split(order, np.flatnonzero(np.diff(group[order])) + 1)
    pairs = [np.stack([m[i] for i in np.triu_indices(len(m), 1)]) for m in members]
    return tuple(np.concatenate(pairs, axis=1))


def dose_at(
    level: float, dose_pct: np.ndarray, y: np.ndarray, group: np.ndarray, person: np.ndarray
) -> Jackknifed:
    """Dose at which the mean line of y reaches `level`; NaN outside the doses applied.

    The line goes through the mean of the groups' means with the slope within groups.
    """

    def statistic(kept):
        used = np.unique(group[kept], return_inverse=True)[1]
        x, kept_y = dose_pct[kept], y[kept]
        within = deviations(x, used)
        spread = within @ within
        if spread <= 1e-12:
            return np.nan
        per_pct = float(within @ deviations(kept_y, used) / spread)
        if per_pct == 0:
            return np.nan
        start = means_of(x, used).mean(), means_of(kept_y, used).mean()
        return start[0] + (level - start[1]) / per_pct

    dose = jackknife(statistic, person)
    applied = dose_pct.min() <= dose.value <= dose_pct.max()
    return dose if applied else Jackknifed(np.nan, dose.df)
