"""The readings of one sensor, with what every number that is measured from them rests on."""

from dataclasses import dataclass

import numpy as np

from muscle.resting_variation import STEADY, RestingVariation
from recordings.time_axis import sampling_step_s, trace_of, usable_share


@dataclass(frozen=True)
class Readings:
    """Times in s and readings (NaN where unusable) of a sensor, both of shape (n,), times rising.

    `least_usable` is the share of a window below which nothing is measured in it, `at_rest` the
    slow variation that every error holds, `ripple_hz` the rate of contractions, over whole numbers
    of which means are taken and beside which lines are fitted (None: no ripple is known).
    """

    time: np.ndarray
    reading: np.ndarray
    least_usable: float
    at_rest: RestingVariation = STEADY
    ripple_hz: float | None = None

    def __post_init__(self):
        for name, array in zip(("time", "reading"), trace_of(self.time, self.reading), strict=True):
            object.__setattr__(self, name, array)

    def too_few(self, start_s: float, end_s: float) -> str:
        """Why nothing can be measured in a window; empty where it can."""
        if not end_s > start_s:
            return "the window is empty"
        share = usable_share(self.time, self.reading, start_s, end_s)
        # Windows that end with the trace lack up to one sampling step, which is no gap.
        share += min(1.0, sampling_step_s(self.time) / (end_s - start_s)) if share > 0 else 0.0
        if share < self.least_usable:
            needed = f"{100 * self.least_usable:g} % needed"
            return f"{100 * min(share, 1.0):.0f} % of the window is usable, {needed}"
        return ""
