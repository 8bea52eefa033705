"""Beats of a resting heart with breathing and slower variation, for the tests."""

from __future__ import annotations

from functools import cache

import numpy as np

from demo.heart_period import simulate_beats


@cache
def sinus_beats(
    seed: int = 0, *, duration_s: float = 200.0, heart_rate_bpm: float = 66.0
) -> np.ndarray:
    """Beat times (s) of clean sinus rhythm: breathing at 0.25 Hz, a slower band, 2 ms of jitter.

    Many tests take the same ones: they are made once and cannot be altered.
    """
    beats = simulate_beats(
        duration_s,
        heart_rate_bpm=heart_rate_bpm,
        breathing_rate_hz=0.25,
        breathing_modulation=0.03,
        random_bands=[(0.1, 0.015, 0.02)],
        breathing_irregularity=0.05,
        jitter_s=0.002,
        rng=np.random.default_rng(seed),
    ).beat_time_s
    beats.flags.writeable = False
    return beats
