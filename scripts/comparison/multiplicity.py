"""Adjusting p-values for the number of comparisons."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

# Between two corners the integrand is smooth; this many nodes reach double precision there.
NODES_PER_ARC = 64


def _checked(p: Sequence[float]) -> np.ndarray:
    values = np.asarray(p, dtype=float)
    if values.ndim != 1 or not ((values >= 0) & (values <= 1)).all():
        raise ValueError("p-values must be a list of numbers from 0 to 1, none missing")
    return values


def holm(p: Sequence[float]) -> np.ndarray:
    """Holm's step-down adjustment, in the order given (Holm 1979, Scand J Stat 6:65).

    Controls the chance of any false rejection under every dependence. Raises ValueError for
    values outside 0 to 1 or missing.
    """
    values = _checked(p)
    order = np.argsort(values, kind="stable")
    steps = values[order] * np.arange(len(values), 0, -1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted


def benjamini_hochberg(p: Sequence[float]) -> np.ndarray:
    """False discovery rate adjustment (Benjamini and Hochberg 1995, J R Stat Soc B 57:289).

    Raises ValueError for values outside 0 to 1 or missing.
    """
    values = _checked(p)
    order = np.argsort(values, kind="stable")[::-1]
    steps = values[order] * (len(values) / np.arange(len(values), 0, -1))
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.minimum.accumulate(steps), 1.0)
    return adjusted


def _plane_directions(correlation: np.ndarray) -> np.ndarray:
    """Unit vectors in the plane whose inner products are the correlations; one row each."""
    matrix = np.asarray(correlation, dtype=float)
    if matrix.ndim == 0:
        matrix = np.array([[1.0, float(matrix)], [float(matrix), 1.0]])
    if matrix.ndim != 2 or matrix.shape[0] != matrix.shape[1]:
        raise ValueError("correlation must be a number (two contrasts) or a square matrix")
    if not np.allclose(matrix, matrix.T, atol=1e-8) or not np.allclose(np.diag(matrix), 1):
        raise ValueError("correlation must be symmetric with ones on the diagonal")
    values, vectors = np.linalg.eigh(matrix)
    if values[0] < -1e-6 or (len(values) > 2 and values[-3] > 1e-6):
        raise ValueError(
            "these contrasts span more than two dimensions (more than three means): use holm"
        )
    if len(values) == 1:
        return np.array([[1.0, 0.0]])
    plane = vectors[:, -2:] * np.sqrt(np.maximum(values[-2:], 0.0))
    return plane / np.linalg.norm(plane, axis=1, keepdims=True)


def _any_beyond(bound: float, df: float, directions: np.ndarray) -> float:
    """P(max |T_i| >= bound) for t variates with a common denominator, T_i = direction_i . T.

    T is spherical in the plane, so P(R > r) = (1 + r^2/df)^(-df/2) exactly, and what is left is
    one integral over the angle; it is cut where another contrast becomes the first one passed.
    """
    if bound <= 0:
        return 1.0
    turned = np.arctan2(directions[:, 1], directions[:, 0])
    corners = [0.0, np.pi]
    for a, b in itertools.combinations(directions, 2):
        for normal in (a - b, a + b):
            if np.linalg.norm(normal) > 1e-9:
                corners.append((np.arctan2(normal[1], normal[0]) + np.pi / 2) % np.pi)
    corners = np.unique(np.clip(corners, 0.0, np.pi))
    nodes, weights = np.polynomial.legendre.leggauss(NODES_PER_ARC)
    lower, width = corners[:-1, None], np.diff(corners)[:, None]
    angle = lower + width * (nodes + 1) / 2
    reach = np.abs(np.cos(angle[..., None] - turned)).max(axis=-1)
    squared = (bound / np.maximum(reach, 1e-300)) ** 2
    normal = np.isinf(df)
    tail = np.exp(-squared / 2 if normal else -df / 2 * np.log1p(squared / df))
    return float(np.sum(tail * weights * width / 2) / np.pi)


def dunnett_two(
    t: Sequence[float], df: float | Sequence[float], correlation: float | np.ndarray
) -> np.ndarray:
    """Two-sided p-values adjusted for two contrasts, or for all contrasts among three means.

    Exact for t statistics with a common denominator (Dunnett 1955, J Am Stat Assoc 50:1096; with
    all pairs of three balanced means it is Tukey's). `correlation` is the correlation of the two
    estimates or the matrix of all; `df` (any positive number, not only whole ones) is one value
    or one per contrast, as Kenward-Roger gives. Raises ValueError when the contrasts span more
    than two dimensions.
    """
    statistics = np.abs(np.asarray(t, dtype=float))
    degrees = np.broadcast_to(np.asarray(df, dtype=float), statistics.shape)
    directions = _plane_directions(np.asarray(correlation))
    if statistics.shape != (len(directions),) or not np.isfinite(statistics).all():
        raise ValueError("one finite t value per contrast is needed")
    if not (degrees > 0).all():
        raise ValueError("df must be positive")
    return np.array(
        [_any_beyond(b, d, directions) for b, d in zip(statistics, degrees, strict=True)]
    )


def dunnett_two_critical(df: float, correlation: float | np.ndarray, *, alpha: float) -> float:
    """Half-width, in standard errors, of simultaneous intervals that belong to `dunnett_two`.

    Source: Dunnett 1955, J Am Stat Assoc 50:1096.
    """
    from scipy.optimize import brentq  # 0.1 s to load, and most callers never solve

    directions = _plane_directions(np.asarray(correlation))
    upper = 2.0
    while _any_beyond(upper, df, directions) > alpha:
        upper *= 2
    return float(brentq(lambda b: _any_beyond(b, df, directions) - alpha, 0.0, upper, xtol=1e-12))
