"""Slow variation of saturation at rest, which repeats of a single value would show as error."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from recordings.time_axis import sampling_step_s, usable_readings

BLOCK_S = 10.0

FEWEST_BLOCKS = 5

# memory of a rest that is too short to show it; convention
SHORT_REST_S, SHORT_MEMORY_S = 120.0, 30.0


@dataclass(frozen=True)
class RestingVariation:
    """A level that wanders by ``sd`` (unit of the trace) and forgets within ``memory_s``.

    Its autocorrelation is exp(-lag / memory_s). The same is assumed in sets and recovery.
    """

    sd: float
    memory_s: float

    def of_mean(self, length_s: float) -> float:
        """SD of a mean over a window."""
        return self.sd * float(np.sqrt(share_left_by_mean(length_s, self.memory_s)))

    def covariance(self, time_s: np.ndarray, weights: np.ndarray) -> np.ndarray:
        """Covariance of k weighted sums of n readings at `time_s`; `weights` has shape (k, n)."""
        second, first = np.unique(np.floor(time_s), return_index=True)
        joined = np.add.reduceat(weights, first, axis=1)
        alike = np.exp(-np.abs(second[:, None] - second) / self.memory_s)
        return self.sd**2 * joined @ alike @ joined.T


STEADY = RestingVariation(0.0, SHORT_MEMORY_S)


def share_left_by_mean(length_s: float, memory_s: float) -> float:
    """Variance of a mean over `length_s` as a share of that of the level, which forgets within
    `memory_s` (integral of the exponential autocorrelation)."""
    times = length_s / memory_s
    return 1.0 if times < 1e-6 else float(2 * (times - 1 + np.exp(-times)) / times**2)


def resting_variation(time_s: ArrayLike, readings: ArrayLike) -> RestingVariation:
    """Slow variation of a stretch of rest, from its means over BLOCK_S.

    Their variance less that of the noise inside the blocks, divided by what the mean over the whole
    stretch leaves of it, because a short rest hides slow changes. The memory follows from
    neighbouring blocks; below SHORT_REST_S it is taken as SHORT_MEMORY_S. The SD is widened as that
    of a t distribution with as many degrees of freedom as memories fit into the rest, at least 4.
    STEADY where fewer than FEWEST_BLOCKS blocks are usable or nothing is left beside the noise.
    Convention of this project; held in simulated rests of 90 s and more.
    """
    time, reading = usable_readings(time_s, readings)
    if len(time) < 2 * FEWEST_BLOCKS:
        return STEADY
    level, noise_variance = _block_means(time, reading)
    if len(level) < FEWEST_BLOCKS:
        return STEADY
    away = level - level.mean()
    seen = float(away @ away) / len(away) - noise_variance
    if seen <= 0:
        return STEADY
    joint = float(away[1:] @ away[:-1]) / (len(away) - 1)
    rest_s = time[-1] - time[0]
    memory_s = SHORT_MEMORY_S
    for _ in range(8 if rest_s >= SHORT_REST_S else 0):
        # about their own mean, both are too small by the variance of that mean
        hidden = _hidden(seen, rest_s, memory_s)
        memory_s = min(_memory_of_blocks((joint + hidden) / (seen + hidden)), rest_s / 4)
    variance = seen + _hidden(seen, rest_s, memory_s)
    variance /= share_left_by_mean(BLOCK_S, memory_s)
    freedom = max(rest_s / memory_s, 4.0)
    return RestingVariation(float(np.sqrt(variance * freedom / (freedom - 2))), memory_s)


def correlation_factor(residual: np.ndarray) -> float:
    """Readings per independent reading, (1 + r)/(1 - r) of the lag-1 autocorrelation r >= 0."""
    power = float(np.sum(residual**2))
    if len(residual) < 4 or power == 0:
        return 1.0
    lag = float(np.sum(residual[1:] * residual[:-1])) / power
    lag = min(max(lag, 0.0), 0.98)
    return (1 + lag) / (1 - lag)


def _hidden(seen: float, rest_s: float, memory_s: float) -> float:
    """Variance that means of blocks lack because they are taken about the mean of the rest."""
    of_block, of_rest = (share_left_by_mean(length_s, memory_s) for length_s in (BLOCK_S, rest_s))
    return seen * of_rest / (of_block - of_rest)


def _memory_of_blocks(alike: float) -> float:
    """Memory (s) at which means of neighbouring blocks correlate by `alike`."""
    memory_s = np.geomspace(BLOCK_S / 4, 30 * BLOCK_S, 60)
    kept = np.exp(-BLOCK_S / memory_s)
    share_of_mean = 2 * (BLOCK_S / memory_s - 1 + kept)
    return float(np.interp(alike, (1 - kept) ** 2 / share_of_mean, memory_s))


def _block_means(time: np.ndarray, reading: np.ndarray) -> tuple[np.ndarray, float]:
    """Means of the blocks that are at least half full, and their variance from noise alone."""
    block = np.floor((time - time[0]) / BLOCK_S).astype(int)
    count = np.bincount(block)
    full = count >= max(2.0, BLOCK_S / 2 / sampling_step_s(time))
    of_full = full[block]
    time, reading, block = time[of_full], reading[of_full], block[of_full]
    if not len(block):
        return np.zeros(0), 0.0
    shared = np.maximum(np.bincount(block), 1)
    clock = time - (np.bincount(block, time) / shared)[block]
    level = np.bincount(block, reading) / shared
    residual = reading - level[block]
    spread = np.maximum(np.bincount(block, clock**2), 1e-12)
    residual = residual - (np.bincount(block, clock * residual) / spread)[block] * clock
    freedom = max(1, len(residual) - 2 * int(full.sum()))
    noise = float(residual @ residual) / freedom * correlation_factor(residual)
    return level[np.bincount(block) > 0], noise / float(count[full].mean())
