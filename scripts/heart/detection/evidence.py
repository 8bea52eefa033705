"""How far a candidate stands out of the signal around it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from heart.detection import settings
from heart.detection.arrays import Floats
from heart.detection.traces import Traces, running_quantile


def local_level(time_s: Floats, strength: Floats, quantile: float, reach_s: float) -> Floats:
    """Local level of the strong candidates, never below a tenth of the usual level."""
    level = running_quantile(time_s, strength, quantile, at_s=time_s, reach_s=reach_s)
    return np.maximum(level, 0.1 * np.median(level))


def first_evidence(peak_s: Floats, strength: Floats) -> tuple[Floats, Floats]:
    """Evidence of envelope peaks before any waveform is known, and their local level."""
    level = local_level(peak_s, strength, 0.9, settings.LEVEL_REACH_S)
    weak = running_quantile(peak_s, strength, 0.3, at_s=peak_s, reach_s=settings.NOISE_REACH_S)
    evidence = settings.STRENGTH_WEIGHT * np.log(np.maximum(strength / level, 1e-3))
    evidence += settings.STRENGTH_EVIDENCE
    standing_out = standing_out_evidence(strength, 2.0 * level, weak * 4.0 / 3.0)
    return np.maximum(evidence, np.minimum(standing_out, 4.0)), level


def standing_out_evidence(strength: Floats, usual: Floats, noise: Floats) -> Floats:
    """Evidence of a complex of any shape: how far it rises out of the quiet between beats."""
    barrier = np.maximum(settings.STANDING_OUT_SHARE * usual, settings.STANDING_OUT_NOISE * noise)
    ratio = np.maximum(strength / np.maximum(barrier, 1e-9), 1e-9)
    return np.minimum(settings.STANDING_OUT_GAIN * np.log(ratio), settings.STANDING_OUT_MOST)


def usual_and_noise(
    traces: Traces, beats: NDArray[np.int64], at_s: Floats
) -> tuple[Floats, Floats]:
    """Local strength of the beats and local strength of what lies between them."""
    height = traces.envelope[beats]
    usual = running_quantile(
        traces.time_s[beats], height, 0.5, at_s=at_s, reach_s=settings.LEVEL_REACH_S
    )
    usual = np.maximum(usual, 0.1 * np.median(height))
    sampled = np.arange(0, traces.time_s.size, max(1, int(round(0.06 * traces.rate_hz))))
    between = ~any_within(sampled, beats, int(round(0.12 * traces.rate_hz)))
    sampled = sampled[traces.inside[sampled] & between]
    if sampled.size == 0:
        return usual, np.zeros(at_s.size)
    noise = running_quantile(
        traces.time_s[sampled],
        traces.envelope[sampled],
        0.7,
        at_s=at_s,
        reach_s=settings.NOISE_REACH_S,
    )
    return usual, noise


def any_within(
    sought: NDArray[np.int64], among: NDArray[np.int64], reach: int
) -> NDArray[np.bool_]:
    """For each place whether any of `among` (sorted) lies within `reach`."""
    after = np.searchsorted(among, sought)
    distance = np.minimum(
        np.abs(among[np.minimum(after, among.size - 1)] - sought),
        np.abs(among[np.maximum(after - 1, 0)] - sought),
    )
    return distance <= reach
