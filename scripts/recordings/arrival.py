"""The even axis of samples whose stamps say when they arrived: in bursts, late, or rounded.

A recorder samples evenly; what stands in its file may be the moment at which a packet came in. The
samples lie on a straight line through their stamps, between real losses. Convention, no source.
"""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# stamps nearer than this to an even axis are rounded
ROUNDED_S = 0.001

# the middle of stamps may leave the line by so much
DRIFT_S = 0.005

MANY_STEPS = 256

# packets of a recorder are shorter than this by far
PACKETS_S = 1.0


def usual_step_s(time_s: Floats) -> float | None:
    """Usual step in s: the median, or where stamps come in bursts that of the mean over many."""
    forward_s = np.diff(time_s)[:: max(1, time_s.size // 20000)]
    forward_s = forward_s[forward_s > 0]
    if forward_s.size == 0:
        return None
    median_s = float(np.median(forward_s))
    many = min(MANY_STEPS, time_s.size - 1)
    mean_s = float(np.median((time_s[many:] - time_s[:-many])[:: max(1, many // 4)]) / many)
    return mean_s if mean_s > 0 and abs(mean_s / median_s - 1) > 0.02 else median_s


def stays_late(time_s: Floats, steps: NDArray[np.int64], usual_step_s: float) -> NDArray[np.bool_]:
    """Whether samples were lost at each of the steps numbered `steps`.

    All that follows is late by at least half of the step then; a packet that arrives late is
    followed by others that do not.
    """
    if not steps.size:
        return np.zeros(0, dtype=bool)
    n = np.arange(time_s.size)
    total = np.concatenate(([0.0], np.cumsum(time_s - usual_step_s * n)))
    many = max(1, int(round(PACKETS_S / usual_step_s)))
    first, stop = np.maximum(steps + 1 - many, 0), np.minimum(steps + 1 + many, time_s.size)
    before = (total[steps + 1] - total[first]) / (steps + 1 - first)
    after = (total[stop] - total[steps + 1]) / (stop - steps - 1)
    excess_s = time_s[steps + 1] - time_s[steps] - usual_step_s
    return after - before > 0.5 * excess_s


def arrival_line(time_s: Floats, usual_step_s: float) -> tuple[float, float] | None:
    """Start (s) and rate (Hz) of the even axis about which stamps scatter, None without one.

    The line is that of least squares. Medians over a second (over four stamps where they are rarer)
    may not leave it by more than half of what stamps scatter within that time, or `DRIFT_S`: where
    they do, samples were lost or the rate changed.
    """
    n = np.arange(time_s.size)
    slope_s = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    rest_s = time_s - slope_s * n
    if rest_s.max() - rest_s.min() > 2 * ROUNDED_S:
        centre = n.mean()
        slope_s = float((n - centre) @ (time_s - time_s.mean()) / np.square(n - centre).sum())
        rest_s = time_s - slope_s * n
    start_s = float(rest_s.mean())
    if slope_s <= 0 or abs(slope_s / usual_step_s - 1.0) >= 0.02:
        return None
    if max(rest_s.max() - start_s, start_s - rest_s.min()) > ROUNDED_S:
        width = max(4, int(round(1.0 / slope_s)))
        whole = rest_s[: rest_s.size // width * width].reshape(-1, width)
        if whole.size:
            slow_s = np.median(whole, axis=1)
            within_s = np.median(np.ptp(whole, axis=1))
            allowed_s = max(DRIFT_S, 0.5 * within_s)
            if np.abs(slow_s - np.median(slow_s)).max() > allowed_s:
                return None
        start_s = float(np.median(rest_s))
    return start_s, 1.0 / slope_s
