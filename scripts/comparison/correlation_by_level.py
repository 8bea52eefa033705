"""How two outcomes go together: within sessions, between sessions of a person, between people.

The three can have opposite signs, and one number over all sets averages them and counts sets as if
they were people. Each level is the correlation of its own deviations (Snijders and Bosker 2012,
section 3.6): sets about the mean of their session, session means about the mean of their person,
person means about each other. Errors come from the people, on Fisher's z.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from comparison.jackknife import FEWEST_PEOPLE, Jackknifed, jackknife

# Fisher's z of a perfect correlation is infinite
LARGEST_R = 1 - 1e-12

WITHIN_SESSION = "within session"
BETWEEN_SESSIONS = "between sessions of a person"
BETWEEN_PEOPLE = "between people"
WITHIN_CONDITION = "within person and condition"


@dataclass(frozen=True)
class Level:
    """A correlation with the people and values behind it."""

    correlation: Jackknifed
    n_people: int
    n_values: int


def means_of(y: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Mean of each group, in the order of its number."""
    return np.bincount(group, y) / np.bincount(group)


def deviations(y: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Values less the mean of their group; `group` holds numbers from 0."""
    return y - means_of(y, group)[group]


def correlation(x: np.ndarray, y: np.ndarray) -> float:
    """Correlation of deviations whose means are zero; NaN where one of them does not vary."""
    size = np.sqrt((x @ x) * (y @ y))
    return float(x @ y / size) if size > 1e-12 else np.nan


def _fisher_z(r: float) -> float:
    return float(np.arctanh(np.clip(r, -LARGEST_R, LARGEST_R)))


def correlation_of_deviations(
    x: np.ndarray, y: np.ndarray, group: np.ndarray, person: np.ndarray
) -> Level:
    """Correlation of x and y about the means of their groups; each group within one person.

    A value that is alone in its group has no deviation and takes no part.
    """
    several = np.bincount(group)[group] > 1
    if not several.any():
        return Level(Jackknifed(np.nan, 0), 0, 0)
    group, person = np.unique(group[several], return_inverse=True)[1], person[several]
    x, y = deviations(x[several], group), deviations(y[several], group)
    about_groups = jackknife(
        lambda kept: _fisher_z(correlation(x[kept], y[kept])), person, back=lambda z: np.tanh(z)
    )
    return Level(about_groups, len(np.unique(person)), len(x))


def correlation_between_people(x: np.ndarray, y: np.ndarray, person: np.ndarray) -> Level:
    """Correlation of the means of people, with its t test on n - 2 degrees of freedom.

    The interval is Fisher's, with standard error 1 / sqrt(n - 3) (Fisher 1921, Metron 1:3-32).
    """
    mean_x, mean_y = means_of(x, person), means_of(y, person)
    n = len(mean_x)
    r = correlation(mean_x - mean_x.mean(), mean_y - mean_y.mean())
    if n < FEWEST_PEOPLE or not np.isfinite(r):
        return Level(Jackknifed(r, n - 2), n, len(x))
    z, se = _fisher_z(r), 1 / np.sqrt(n - 3)
    half = scipy.special.ndtri(0.975) * se
    t = r * np.sqrt((n - 2) / max(1 - r * r, 1e-12))
    p = float(2 * scipy.special.stdtr(n - 2, -abs(t)))
    low, high = float(np.tanh(z - half)), float(np.tanh(z + half))
    return Level(Jackknifed(r, n - 2, low, high, p), n, len(x))


def by_level(
    x: np.ndarray,
    y: np.ndarray,
    *,
    person: np.ndarray,
    session: np.ndarray,
    condition: np.ndarray,
) -> dict[str, Level]:
    """The correlation at every level; all arrays (sets,), labels as numbers from 0.

    `session` numbers the sessions of all people, `condition` people and conditions together; the
    numbers of each label leave none out.
    """
    of_session = np.unique(session, return_index=True)[1]
    sessions = means_of(x, session), means_of(y, session), person[of_session]
    return {
        WITHIN_SESSION: correlation_of_deviations(x, y, session, person),
        WITHIN_CONDITION: correlation_of_deviations(x, y, condition, person),
        BETWEEN_SESSIONS: correlation_of_deviations(
            sessions[0], sessions[1], sessions[2], sessions[2]
        ),
        BETWEEN_PEOPLE: correlation_between_people(x, y, person),
    }
