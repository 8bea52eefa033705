"""What disturbs an ECG under exercise, put on any recording whose beats are known.

Every disturbance takes time (s), ECG (mV), its beats (s), the height of its QRS (mV), noise and a
seeded generator, and gives stamps (s), ECG and the
spans (s) in which the heart cannot be seen. Sizes are conventions of this project, drawn after
what recordings of exercise show.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from demo.exercise_ecg import NoiseMix, exercise_noise

Floats = NDArray[np.float64]

Noise = Callable[[str, int, float, np.random.Generator], Floats]

MOVEMENT, MUSCLE = "electrode motion", "muscle activity"

_KINDS = {
    MOVEMENT: NoiseMix(electrode_motion=1.0, muscle=0.0),
    MUSCLE: NoiseMix(electrode_motion=0.0, muscle=1.0),
}


def height_of(ecg_mv: Floats) -> float:
    """Height of the QRS in mV, about: nearly the whole range of an undisturbed recording."""
    return float(np.ptp(np.quantile(ecg_mv, [0.005, 0.995])))


def generated_noise(kind: str, n: int, rate_hz: float, generator: np.random.Generator) -> Floats:
    """`n` samples of noise of a kind by formula, of unit standard deviation."""
    noise = exercise_noise(n, rate_hz, mix=_KINDS[kind], generator=generator)
    return noise / noise.std()


def recorded_noise(of_kind: dict[str, Floats], recorded_hz: float) -> Noise:
    """The same from recordings of noise alone, whose samples are given by kind."""

    def excerpt(kind: str, n: int, rate_hz: float, generator: np.random.Generator) -> Floats:
        recorded = of_kind[kind]
        length = int(n * recorded_hz / rate_hz) + 2
        first = int(generator.integers(0, recorded.size - length))
        at = np.arange(n) * recorded_hz / rate_hz
        noise = np.interp(at, np.arange(length), recorded[first : first + length])
        return (noise - noise.mean()) / noise.std()

    return excerpt


def bursts(
    time_s: Floats,
    kind: str,
    *,
    per_min: float,
    strength: tuple[float, float],
    noise: Noise,
    generator: np.random.Generator,
) -> Floats:
    """Noise that swells and fades within 1 to 6 s, of a standard deviation of so much at most."""
    rate_hz = 1.0 / (time_s[1] - time_s[0])
    total = np.zeros(time_s.size)
    for _ in range(int(round(per_min * time_s.size / rate_hz / 60.0))):
        n = int(generator.uniform(1.0, 6.0) * rate_hz)
        first = int(generator.integers(0, time_s.size - n))
        swell = np.sqrt(np.hanning(n)) * generator.uniform(*strength)
        total[first : first + n] += swell * noise(kind, n, rate_hz, generator)
    return total


def mains_hum(time_s: ArrayLike, mains_hz: float, *, drift_hz: float = 0.0) -> Floats:
    """A line of mains hum of amplitude 1, whose frequency drifts by `drift_hz` within a minute."""
    time_s = np.asarray(time_s, float)
    frequency_hz = mains_hz + drift_hz * np.sin(2 * np.pi * time_s / 60)
    return np.sin(2 * np.pi * np.cumsum(frequency_hz) * (time_s[1] - time_s[0]))


def electrode_steps(
    time_s: ArrayLike, *, every_s: float = 8.0, generator: np.random.Generator
) -> Floats:
    """A level that steps up or down by half to all of 1 about every `every_s`, and stays."""
    time_s = np.asarray(time_s, float)
    first_s = time_s[0] + 5.0 + generator.uniform(0.0, 2.0)
    level = np.zeros_like(time_s)
    for at_s in np.arange(first_s, time_s[-1] - 5.0, every_s):
        level[time_s >= at_s] += generator.choice([-1, 1]) * generator.uniform(0.5, 1.0)
    return level


def packet_stamps(time_s: ArrayLike, *, packet: int = 8, generator: np.random.Generator) -> Floats:
    """Stamps of samples that arrive in packets, each late by up to 40 ms, to the ms."""
    time_s = np.asarray(time_s, float)
    late_s = np.repeat(generator.uniform(0.0, 0.04, time_s.size // packet + 1), packet)
    return np.maximum.accumulate(np.round(time_s + late_s[: time_s.size], 3))


def lone_spikes(
    time_s: Floats, beats_s: Floats, *, share: float, generator: np.random.Generator
) -> Floats:
    """Spikes of 8 to 30 ms and half to one and a half times 1, of either sign, 0.15 to 0.4 s after
    a share of the beats."""
    spikes = np.zeros(time_s.size)
    for beat_s in beats_s[generator.random(beats_s.size) < share]:
        at_s, width_s = beat_s + generator.uniform(0.15, 0.4), generator.uniform(0.002, 0.008)
        first, stop = np.searchsorted(time_s, (at_s - 0.05, at_s + 0.05))
        size = generator.choice([-1, 1]) * generator.uniform(0.5, 1.5)
        spikes[first:stop] += size * np.exp(-0.5 * ((time_s[first:stop] - at_s) / width_s) ** 2)
    return spikes


def moved_electrode(
    time_s: Floats, *, times: int, change_sign: bool, generator: np.random.Generator
) -> Floats:
    """Gain by which the heart is seen: another one, of 0.3 to 2, after each of so many moves."""
    at_s = time_s[0] + np.ptp(time_s) * (np.arange(times) + generator.uniform(0.5, 1.0)) / times
    gain = np.ones(time_s.size)
    for number, moved_s in enumerate(at_s):
        sign = (-1) ** (number + 1) if change_sign else 1
        gain[time_s >= moved_s] = sign * np.exp(generator.uniform(np.log(0.3), np.log(2.0)))
    return gain


def lost_contact(
    time_s: Floats, *, times: int, generator: np.random.Generator
) -> list[tuple[float, float]]:
    """Spans (start, end in s) of 1 to 8 s in which a cable is off."""
    first_s = time_s[0] + 10 + np.sort(generator.uniform(0, np.ptp(time_s) - 25, times))
    return [(float(at_s), float(at_s + generator.uniform(1.0, 8.0))) for at_s in first_s]


def _lost(time_s, ecg_mv, beats_s, height_mv, noise, generator):
    """The cable goes off: the rail, with the edges that a recorder then shows."""
    lost = ecg_mv.copy()
    spans_s = lost_contact(time_s, times=4, generator=generator)
    for start_s, end_s in spans_s:
        off = (time_s >= start_s) & (time_s < end_s)
        lost[off] = generator.choice([-1, 1]) * 8 * height_mv
    return time_s, lost, spans_s


def _clipped(time_s, ecg_mv, beats_s, height_mv, noise, generator):
    """A quarter of the QRS on either side of the usual level is all that the recorder shows."""
    middle = np.median(ecg_mv)
    return time_s, np.clip(ecg_mv, middle - 0.25 * height_mv, middle + 0.25 * height_mv), []


def _added(disturbance):
    """A disturbance in units of the QRS that is added to the recording."""

    def disturbed(time_s, ecg_mv, beats_s, height_mv, noise, generator):
        return time_s, ecg_mv + height_mv * disturbance(time_s, beats_s, noise, generator), []

    return disturbed


def _bursts(kind, strength):
    return _added(
        lambda t, b, noise, g: bursts(
            t, kind, per_min=6.0, strength=strength, noise=noise, generator=g
        )
    )


def _drift(time_s):
    return np.sin(2 * np.pi * 0.3 * time_s)


def _everything(time_s, ecg_mv, beats_s, height_mv, noise, generator):
    """A bad day: every disturbance that a recorder can show at once, each mildly."""
    ecg_mv = ecg_mv * moved_electrode(time_s, times=1, change_sign=False, generator=generator)
    for kind in (MOVEMENT, MUSCLE):
        ecg_mv = ecg_mv + height_mv * bursts(
            time_s, kind, per_min=3.0, strength=(0.1, 0.4), noise=noise, generator=generator
        )
    ecg_mv += 2 * height_mv * electrode_steps(time_s, every_s=15.0, generator=generator)
    ecg_mv += 0.1 * height_mv * mains_hum(time_s, 50.0, drift_hz=0.05)
    return packet_stamps(time_s, generator=generator), ecg_mv, []


DISTURBANCES = {
    "movement in bursts": _bursts(MOVEMENT, (0.2, 0.8)),
    "muscle activity in bursts": _bursts(MUSCLE, (0.1, 0.5)),
    "steps of up to twice the QRS": _added(lambda t, b, n, g: 2 * electrode_steps(t, generator=g)),
    "steps of up to five times the QRS": _added(
        lambda t, b, n, g: 5 * electrode_steps(t, generator=g)
    ),
    "steps and a drift of ten times the QRS": _added(
        lambda t, b, n, g: 5 * electrode_steps(t, generator=g) + 5 * _drift(t)
    ),
    "mains hum of half the QRS": _added(lambda t, b, n, g: 0.25 * mains_hum(t, 50.0, drift_hz=0.1)),
    "mains hum as high as the QRS": _added(lambda t, b, n, g: 0.5 * mains_hum(t, 60.0)),
    "lone spikes after beats": _added(
        lambda t, b, n, g: lone_spikes(t, b, share=0.02, generator=g)
    ),
    "gain changes": lambda t, e, b, h, n, g: (
        t,
        e * moved_electrode(t, times=3, change_sign=False, generator=g),
        [],
    ),
    "sign and gain changes": lambda t, e, b, h, n, g: (
        t,
        e * moved_electrode(t, times=2, change_sign=True, generator=g),
        [],
    ),
    "cable lost": _lost,
    "clipped": _clipped,
    "stamps of packets": lambda t, e, b, h, n, g: (packet_stamps(t, generator=g), e, []),
    "stamps that jitter": lambda t, e, b, h, n, g: (
        np.round(np.sort(t + g.uniform(-0.004, 0.004, t.size)), 3),
        e,
        [],
    ),
    "a bad day": _everything,
}


def disturbed(
    name: str,
    time_s: Floats,
    ecg_mv: Floats,
    beats_s: Floats,
    *,
    seed: int,
    noise: Noise = generated_noise,
) -> tuple[Floats, Floats, list[tuple[float, float]]]:
    """Stamps (s) and ECG (mV) of a recording under one of DISTURBANCES, and the spans (s) in which
    no heart is to be seen."""
    generator = np.random.default_rng([sum(map(ord, name)), seed])
    return DISTURBANCES[name](time_s, ecg_mv, beats_s, height_of(ecg_mv), noise, generator)
