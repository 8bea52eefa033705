"""Cubic spline through points, with the slopes and values that scipy.interpolate gives.

scipy.interpolate has it as well, but takes longer to load than all splines of a person to compute.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_banded


class CubicSpline:
    """The spline through (x, y), each of shape (n,), n of four or more and x rising.

    Its third derivative does not jump at the second and the last but one point ("not a knot": de
    Boor 1978, A Practical Guide to Splines, chapter IV).
    """

    def __init__(self, x: ArrayLike, y: ArrayLike):
        self._x, heights = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
        if self._x.ndim != 1 or self._x.shape != heights.shape or self._x.size < 4:
            raise ValueError(f"x {self._x.shape} and y {heights.shape} must be four or more points")
        step = np.diff(self._x)
        if not (np.isfinite(heights).all() and (step > 0).all()):
            raise ValueError("points must be finite and x must rise")
        rise = np.diff(heights) / step
        slope = _slopes(self._x, step, rise)
        bend = (slope[:-1] + slope[1:] - 2 * rise) / step
        self._cubic = bend / step
        self._square = (rise - slope[:-1]) / step - bend
        self._slope, self._height = slope[:-1], heights[:-1]

    def __call__(self, at: ArrayLike) -> np.ndarray:
        """Values of the spline; beyond its ends it goes on as its first and last piece."""
        piece, s = self._piece_and_distance(at)
        squared = s * s
        return (
            self._height[piece]
            + self._slope[piece] * s
            + self._square[piece] * squared
            + self._cubic[piece] * (squared * s)
        )

    def slope(self, at: ArrayLike) -> np.ndarray:
        """Slopes of the spline, in units of y per unit of x."""
        piece, s = self._piece_and_distance(at)
        return self._slope[piece] + self._square[piece] * s * 2 + self._cubic[piece] * (s * s) * 3

    def _piece_and_distance(self, at):
        at = np.asarray(at, dtype=float)
        piece = np.clip(np.searchsorted(self._x, at, side="right") - 1, 0, self._x.size - 2)
        return piece, at - self._x[piece]


def _slopes(x, step, rise):
    """Slope at each point: the second derivative does not jump there."""
    bands, right = np.zeros((3, x.size)), np.empty(x.size)
    bands[1, 1:-1] = 2 * (step[:-1] + step[1:])
    bands[0, 2:], bands[2, :-2] = step[:-1], step[1:]
    right[1:-1] = 3 * (step[1:] * rise[:-1] + step[:-1] * rise[1:])
    bands[1, 0], bands[0, 1] = step[1], x[2] - x[0]
    right[0] = ((step[0] + 2 * bands[0, 1]) * step[1] * rise[0] + step[0] ** 2 * rise[1]) / bands[
        0, 1
    ]
    bands[1, -1], bands[2, -2] = step[-2], x[-1] - x[-3]
    right[-1] = (
        step[-1] ** 2 * rise[-2] + (2 * bands[2, -2] + step[-1]) * step[-2] * rise[-1]
    ) / bands[2, -2]
    return solve_banded((1, 1), bands, right, overwrite_ab=True, overwrite_b=True)
