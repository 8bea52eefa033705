"""Beats with known modulation for the tests: an integral pulse frequency model in a few lines."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

GRID_HZ = 200.0


def beats_at(time_s: np.ndarray, rate_hz: np.ndarray) -> np.ndarray:
    """Beat wherever the integral of the rate reaches a whole number (Hyndman & Mohn 1975)."""
    phase = np.concatenate([[0.0], np.cumsum((rate_hz[1:] + rate_hz[:-1]) / 2 * np.diff(time_s))])
    return np.interp(np.arange(int(phase[-1]) + 1), phase, time_s)


def grid_s(duration_s: float) -> np.ndarray:
    return np.arange(0.0, duration_s + 1.0 / GRID_HZ, 1.0 / GRID_HZ)


def tones(duration_s: float, hr_bpm: float, *parts: tuple[float, float, float]) -> np.ndarray:
    """Beats of a steady rate modulated by (frequency, amplitude, phase) parts."""
    time = grid_s(duration_s)
    modulation = sum(a * np.cos(2 * np.pi * f * time + p) for f, a, p in parts)
    return beats_at(time, hr_bpm / 60.0 * (1.0 + modulation))


def tone_power_ms2(frequency_hz: float, amplitude: float, hr_bpm: float) -> float:
    """Leading-order interval power of one tone: T0^2 A^2 / 2 x sinc^2(f T0)."""
    mean_s = 60.0 / hr_bpm
    return (1000 * mean_s * amplitude) ** 2 / 2 * np.sinc(frequency_hz * mean_s) ** 2


def narrow_noise(
    size: int, centre_hz: float, width_hz: float, rms: float, rng: np.random.Generator
) -> np.ndarray:
    """Gaussian process of expected `rms` around a centre frequency, on the 200 Hz grid."""
    length = 1 << int(np.ceil(np.log2(size)))
    frequency = np.fft.rfftfreq(length, 1.0 / GRID_HZ)
    shape = np.exp(-0.25 * ((frequency - centre_hz) / width_hz) ** 2)
    noise = rng.normal(size=(2, frequency.size)) * shape
    course = np.fft.irfft(noise[0] + 1j * noise[1], length)[:size]
    return course * rms * length / (2 * np.sqrt((shape**2).sum()))


class Ramp(NamedTuple):
    """Beats of a set and the courses that made them, on the 200 Hz grid."""

    beat_time_s: np.ndarray
    time_s: np.ndarray
    respiration_hz: np.ndarray
    respiratory_power: np.ndarray
    start_s: float
    end_s: float


def exercise_ramp(rng: np.random.Generator, *, jitter_s: float = 0.0005) -> Ramp:
    """Rate 70 to 150 per minute in 60 s, breathing 0.25 to 0.60 Hz, its effect 0.03 to 0.008.

    40 s before and after; LF noise of rms 0.015 at 0.1 Hz; breathing irregular by 4 %.
    """
    before_s, set_s, after_s = 40.0, 60.0, 40.0
    time = grid_s(before_s + set_s + after_s)
    up = np.clip((time - before_s) / set_s, 0, 1)
    down = np.clip((time - before_s - set_s) / 60.0, 0, 1)
    share = up - 0.6 * down
    rate = (70.0 + 80.0 * share) / 60.0
    wander = narrow_noise(time.size, 0.0, 0.012, 1.0, rng)
    breathing = (0.25 + 0.35 * share) * (1 + 0.04 * wander / wander.std())
    amplitude = 0.03 - 0.022 * up + 0.0066 * down
    phase = 2 * np.pi * np.cumsum(breathing) / GRID_HZ + rng.uniform(0, 2 * np.pi)
    low = narrow_noise(time.size, 0.1, 0.008, 0.015, rng)
    beats = beats_at(time, rate * (1 + amplitude * np.cos(phase) + low))
    return Ramp(
        beats + rng.normal(0, jitter_s, beats.size),
        time,
        breathing,
        amplitude**2 / 2,
        before_s,
        before_s + set_s,
    )
