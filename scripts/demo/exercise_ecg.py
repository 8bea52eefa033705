"""Exercise ECG with exact truth: waveforms by formula at given beat times, plus generated noise.

A heart beat is a sum of Gaussians (McSharry et al. 2003, IEEE Trans Biomed Eng 50:289-294). The
beat time is the main extremum of the noise-free QRS, exactly. Noise imitates what people produce
when they exercise: electrode motion, muscle activity, baseline wander and impacts.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

Floats = NDArray[np.float64]

Waves = tuple[tuple[float, float, float], ...]

# Each wave: amplitude (mV), centre after the main deflection (s), standard deviation (s).
# The shapes are drawn after textbook leads; their numbers are conventions of this project.
LEADS: dict[str, Waves] = {
    "lateral": (
        (0.12, -0.165, 0.022),
        (-0.10, -0.026, 0.009),
        (1.20, 0.0, 0.0105),
        (-0.22, 0.027, 0.010),
        (0.28, 0.250, 0.045),
    ),
    "septal": (
        (0.08, -0.160, 0.022),
        (0.35, -0.030, 0.009),
        (-1.30, 0.0, 0.0125),
        (0.32, 0.230, 0.050),
    ),
    "tall_t": (
        (0.15, -0.160, 0.024),
        (-0.08, -0.025, 0.008),
        (0.75, 0.0, 0.0115),
        (-0.35, 0.026, 0.011),
        (0.75, 0.240, 0.042),
    ),
    "two_humps": (
        (0.10, -0.170, 0.022),
        (0.45, -0.038, 0.011),
        (-0.35, -0.016, 0.009),
        (0.85, 0.0, 0.014),
        (-0.20, 0.230, 0.048),
    ),
    "chest_strap": (
        (0.06, -0.150, 0.020),
        (0.60, 0.0, 0.0110),
        (-0.45, 0.024, 0.0120),
        (0.10, 0.220, 0.045),
    ),
    "small": (
        (0.09, -0.160, 0.024),
        (-0.07, -0.025, 0.009),
        (0.30, 0.0, 0.012),
        (-0.12, 0.028, 0.012),
        (0.14, 0.240, 0.050),
    ),
}

ECTOPIC: dict[str, Waves] = {
    "upright": ((1.20, 0.0, 0.022), (0.70, 0.055, 0.020), (-0.50, 0.300, 0.065)),
    "inverted": ((0.40, -0.070, 0.016), (-1.30, 0.0, 0.024), (0.55, 0.290, 0.065)),
}


def _sum_of_waves(waves: Waves, at_s: Floats, stretch: Floats | float) -> Floats:
    """Waves at the given delays; those outside the QRS move with the QT interval."""
    total = np.zeros(np.broadcast(at_s, stretch).shape)
    for amplitude, centre_s, width_s in waves:
        factor = stretch if abs(centre_s) > 0.1 else 1.0
        total = total + amplitude * np.exp(
            -0.5 * ((at_s - centre_s * factor) / (width_s * factor)) ** 2
        )
    return total


@cache
def _main_deflection_s(waves: Waves) -> float:
    """Delay of the extremum of the noise-free QRS, to 1 microsecond."""
    at_s = np.arange(-0.02, 0.02, 1e-6)
    return float(at_s[np.argmax(np.abs(_sum_of_waves(waves, at_s, 1.0)))])


def noise_free_ecg(
    time_s: ArrayLike,
    beat_s: ArrayLike,
    *,
    lead: str | Waves = "lateral",
    ectopic: ArrayLike | None = None,
    ectopic_shape: str | Waves = "inverted",
) -> Floats:
    """Noise-free ECG (mV) at the times `time_s` (s, any axis) with beats at `beat_s` (s, sorted).

    `ectopic` marks beats (boolean, same length) that take the wide ectopic shape. P and T move with
    the square root of the interval (Bazett 1920, Heart 7:353-370); breathing at 0.4 Hz modulates
    amplitude by a tenth.
    """
    time_s, beat_s = np.asarray(time_s, float), np.asarray(beat_s, float)
    wide = np.zeros(beat_s.size, bool) if ectopic is None else np.asarray(ectopic, bool)
    intervals_s = np.diff(beat_s, prepend=2 * beat_s[0] - beat_s[min(1, beat_s.size - 1)])
    stretch = np.clip(np.sqrt(np.maximum(intervals_s, 0.2) / 0.85), 0.6, 1.2)
    normal = LEADS[lead] if isinstance(lead, str) else lead
    ectopic_waves = ECTOPIC[ectopic_shape] if isinstance(ectopic_shape, str) else ectopic_shape
    ecg_mv = np.zeros(time_s.size)
    for waves, chosen in ((normal, ~wide), (ectopic_waves, wide)):
        zero_s = _main_deflection_s(waves)
        for at_s, factor in zip(beat_s[chosen], stretch[chosen], strict=True):
            first, stop = np.searchsorted(time_s, (at_s - 0.4, at_s + 0.6))
            delay_s = time_s[first:stop] - at_s + zero_s
            ecg_mv[first:stop] += _sum_of_waves(waves, delay_s, factor)
    return ecg_mv * (1.0 + 0.1 * np.sin(2 * np.pi * 0.4 * time_s))


def beat_times(
    duration_s: float,
    *,
    heart_rate_bpm: ArrayLike,
    at_s: ArrayLike | None = None,
    generator: np.random.Generator,
) -> Floats:
    """Beat times (s) whose heart rate follows a course given at `at_s` (s; evenly spread if None).

    The standard deviation of the random part of each interval is 2 % of it.
    """
    course_bpm = np.atleast_1d(np.asarray(heart_rate_bpm, float))
    course_s = np.linspace(0.0, duration_s, course_bpm.size) if at_s is None else np.asarray(at_s)
    beats = [0.4]
    while beats[-1] < duration_s - 0.6:
        interval_s = 60.0 / np.interp(beats[-1], course_s, course_bpm)
        beats.append(beats[-1] + interval_s * (1.0 + 0.02 * generator.standard_normal()))
    return np.asarray(beats[:-1])


def with_ectopic_beats(
    beat_s: Floats, *, share: float, prematurity: float, generator: np.random.Generator
) -> tuple[Floats, NDArray[np.bool_]]:
    """Move a random share of the beats forward by a share of their interval; say which.

    The following interval is longer by as much: a full compensatory pause. Never two in a row.
    """
    chosen = generator.random(beat_s.size) < share
    chosen[:2] = chosen[-1] = False
    chosen[1:] &= ~chosen[:-1]
    moved = beat_s.copy()
    intervals_s = np.diff(beat_s, prepend=0.0)
    moved[chosen] -= prematurity * intervals_s[chosen]
    return moved, chosen


@dataclass(frozen=True)
class NoiseMix:
    """Shares of noise power, and episodes; a share of 0 leaves a kind out."""

    electrode_motion: float = 0.5
    muscle: float = 0.5
    baseline_wander: float = 0.0
    impacts: float = 0.0
    impact_rate_hz: float = 2.7
    bursts_per_min: float = 0.0
    burst_gain: float = 3.0


SQUATS = NoiseMix(electrode_motion=0.3, muscle=0.3, baseline_wander=3.0, bursts_per_min=4.0)


def _amplitude_density(frequency_hz: Floats, low_hz: float, high_hz: float, slope: float) -> Floats:
    """Square root of a power that falls as frequency^-slope between two frequencies."""
    density = np.maximum(frequency_hz, low_hz) ** (-slope / 2)
    density /= np.sqrt(1 + (low_hz / np.maximum(frequency_hz, 1e-9)) ** 4)
    return density / np.sqrt(1 + (frequency_hz / high_hz) ** 4)


def _shaped_noise(
    n: int, rate_hz: float, low_hz: float, high_hz: float, slope: float, generator
) -> Floats:
    """Gaussian noise with power falling as frequency^-slope between two frequencies, unit SD."""
    length = fft.next_fast_len(n + int(4 * rate_hz), real=True)
    density = _amplitude_density(fft.rfftfreq(length, 1.0 / rate_hz), low_hz, high_hz, slope)
    noise = fft.irfft(fft.rfft(generator.standard_normal(length)) * density, n=length)[:n]
    return noise / noise.std()


def _recorded_share(rate_hz: float, low_hz: float, high_hz: float, slope: float) -> float:
    """Share of the noise power below 500 Hz that a recorder with this sampling rate lets through.

    A recorder removes what lies above half its rate before it samples; so the noise within the
    band of the QRS is the same at every rate, and rates can be compared.
    """
    frequency_hz = np.arange(0.0, 500.0, 0.05)
    power = _amplitude_density(frequency_hz, low_hz, high_hz, slope) ** 2
    return float(power[frequency_hz < rate_hz / 2].sum() / power.sum())


def _envelope(n: int, rate_hz: float, depth: float, generator) -> Floats:
    """Slowly varying positive gain, log-normal, mean near 1."""
    n_knots = max(4, int(n / rate_hz / 1.5))
    knots = np.exp(depth * generator.standard_normal(n_knots))
    return np.interp(np.arange(n), np.linspace(0, n, n_knots), knots)


def _impacts(n: int, rate_hz: float, every_hz: float, generator) -> Floats:
    """Damped oscillations at nearly every footfall, as a loose electrode gives."""
    time_s = np.arange(n) / rate_hz
    noise = np.zeros(n)
    at_s = 0.2
    while at_s < time_s[-1]:
        first, stop = np.searchsorted(time_s, (at_s, at_s + 0.4))
        delay_s = time_s[first:stop] - at_s
        tone_hz, decay_s = generator.uniform(6, 14), generator.uniform(0.03, 0.07)
        noise[first:stop] += (
            generator.normal(1.0, 0.5)
            * np.sin(2 * np.pi * tone_hz * delay_s)
            * np.exp(-delay_s / decay_s)
        )
        at_s += (1 + 0.03 * generator.standard_normal()) / every_hz
    return noise / noise.std()


def footfalls(time_s: Floats, *, every_hz: ArrayLike, generator: np.random.Generator) -> Floats:
    """Electrode motion by footfalls, largest value 1: a damped oscillation of one shape a foot.

    `every_hz` is the step rate, or its course, evenly spread. Steps vary by 2 % in time and 15 % in
    size. Convention of this project: strong footfalls have a shape of their own, which a person's
    shoes and gait give them.
    """
    feet = []
    for _ in range(2):
        tone_hz, decay_s = generator.uniform(5.0, 13.0), generator.uniform(0.03, 0.08)
        phase, sign = generator.uniform(0.0, np.pi), generator.choice([-1.0, 1.0])
        feet.append((tone_hz, decay_s, phase, sign * generator.uniform(0.7, 1.0)))
    moved = np.zeros(time_s.size)
    course_hz = np.atleast_1d(np.asarray(every_hz, float))
    course_s = np.linspace(time_s[0], time_s[-1], course_hz.size)
    at_s, step = time_s[0] + 0.2, 0
    while at_s < time_s[-1] - 0.6:
        tone_hz, decay_s, phase, size = feet[step % len(feet)]
        first, stop = np.searchsorted(time_s, (at_s, at_s + 0.45))
        delay_s = time_s[first:stop] - at_s
        rise = 1.0 - np.exp(-delay_s / 0.008)
        tone = np.sin(2 * np.pi * tone_hz * delay_s + phase) * np.exp(-delay_s / decay_s)
        moved[first:stop] += size * (1.0 + 0.15 * generator.standard_normal()) * rise * tone
        at_s += (1.0 + 0.02 * generator.standard_normal()) / np.interp(at_s, course_s, course_hz)
        step += 1
    return moved / np.abs(moved).max()


def exercise_noise(
    n: int, rate_hz: float, *, mix: NoiseMix = NoiseMix(), generator: np.random.Generator
) -> Floats:
    """`n` samples of noise at `rate_hz` whose electrode motion and muscle activity have power 1.

    That power is counted up to 500 Hz; what lies above half of `rate_hz` is not recorded.

    Spectra follow the noise records of Moody, Muldrow & Mark 1984, Comput Cardiol 11:381-384, in
    outline: electrode motion mostly below 4 Hz but reaching the QRS band, muscle activity at 18 to
    60 Hz riding on slow movement, baseline wander below 0.7 Hz.
    """
    rhythm = max(mix.electrode_motion + mix.muscle, 1e-9)
    parts = (
        (mix.electrode_motion, (0.3, 20.0, 2.0), 0.5),
        (0.3 * mix.muscle, (18.0, 60.0, 0.0), 0.5),
        (0.7 * mix.muscle, (0.15, 1.5, 1.5), 0.0),
        (mix.baseline_wander, (0.15, 0.6, 1.0), 0.0),
    )
    noise = np.zeros(n)
    for share, (low_hz, high_hz, slope), depth in parts:
        if share > 0:
            part = _shaped_noise(n, rate_hz, low_hz, high_hz, slope, generator)
            part *= _envelope(n, rate_hz, depth, generator) if depth else 1.0
            recorded = share * _recorded_share(rate_hz, low_hz, high_hz, slope)
            noise += np.sqrt(recorded / rhythm) * part / part.std()
    if mix.impacts > 0:
        noise += np.sqrt(mix.impacts / rhythm) * _impacts(n, rate_hz, mix.impact_rate_hz, generator)
    for _ in range(generator.poisson(mix.bursts_per_min * n / rate_hz / 60.0)):
        length = int(generator.uniform(1.0, 4.0) * rate_hz)
        first = int(generator.integers(0, max(1, n - length)))
        burst = _shaped_noise(length, rate_hz, 0.6, 12.0, 1.0, generator) * np.hanning(length)
        noise[first : first + length] += mix.burst_gain * burst[: n - first]
    return noise


def exercise_ecg(
    beat_s: ArrayLike,
    *,
    rate_hz: float,
    snr_db: float | None,
    generator: np.random.Generator,
    lead: str | Waves = "lateral",
    ectopic: ArrayLike | None = None,
    ectopic_shape: str | Waves = "inverted",
    mix: NoiseMix = NoiseMix(),
) -> tuple[Floats, Floats]:
    """Time (s) and ECG (mV) with beats at `beat_s` (s) and noise at `snr_db` (None: none).

    The signal power of the ratio is the squared peak-to-peak height of the QRS over 8 (Moody,
    Muldrow & Mark 1984).
    """
    beat_s = np.asarray(beat_s, float)
    time_s = np.arange(int((beat_s[-1] + 0.6) * rate_hz)) / rate_hz
    ecg_mv = noise_free_ecg(time_s, beat_s, lead=lead, ectopic=ectopic, ectopic_shape=ectopic_shape)
    if snr_db is not None:
        waves = LEADS[lead] if isinstance(lead, str) else lead
        height_mv = np.ptp(_sum_of_waves(waves, np.arange(-0.06, 0.06, 0.001), 1.0))
        power = height_mv**2 / 8 / 10 ** (snr_db / 10)
        noise = exercise_noise(time_s.size, rate_hz, mix=mix, generator=generator)
        ecg_mv = ecg_mv + np.sqrt(power) * noise
    return time_s, ecg_mv
