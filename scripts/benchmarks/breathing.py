"""How often the breathing rate of simulated sessions is told, how often rightly, and what it gives.

    python3.11 scripts/launch.py benchmark breathing [sessions]

A session is five minutes of rest and four sets with rests. Breathing, heart rate and the size of
all swings follow the sets; blood pressure swings at 0.1 Hz, and repetitions may move electrodes
and beats. Prints a TSV: share of rest and of sets in which a rate is told, and which of these rates
lie within 0.03 Hz of the truth, in percent; share of sets with a modulation at the breathing rate,
and the median of its power over the true one. A share of rates told where nothing breathes
(`rightly` n/a) is one of false rates.
"""

import sys
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.ndimage import uniform_filter1d

from demo import signals
from demo.signals import Step
from heart.breathing import WITHIN_HZ, Repetitions, respiration_from_beats
from heart.modulation import mean_power, respiratory_modulation
from heart.variability import NotEnough

STEP_S = 0.05

REST_S = 300.0

# a rate must be told in so much of a set for its modulation to be given
CASES = {
    "intervals": {},
    "intervals, slow rhythm three times stronger": {"slow": 0.09},
    "intervals, slow rhythm not smaller in sets": {"slow_in_sets": 1.0},
    "intervals, small swing": {"swing": 0.01, "jitter_s": 0.002},
    "intervals, repetitions move beats": {"movement_s": 0.004},
    "ECG": {"tilt": 0.08},
    "ECG, small swing and tilt": {"tilt": 0.03, "swing": 0.01},
    "ECG, no tilt": {"tilt": 0.0},
    "ECG, repetitions tilt the axis": {"tilt": 0.08, "movement": 0.10, "movement_s": 0.003},
    "ECG, breathing at the cadence": {"tilt": 0.08, "movement": 0.05, "at_cadence": True},
    "intervals, uneven breaths": {"uneven": 0.2},
    "intervals, breaths that last half to double": {"uneven": 0.4},
    "ECG, uneven breaths": {"tilt": 0.08, "uneven": 0.2},
    "ECG, breaths that last half to double": {"tilt": 0.08, "uneven": 0.4},
    "nothing breathes: intervals": {"swing": 0.0, "jitter_s": 0.002},
    "nothing breathes: intervals, broad slow rhythm": {"swing": 0.0, "slow_width_hz": 0.04},
    "nothing breathes: ECG, repetitions": {
        "tilt": 0.0,
        "swing": 0.0,
        "movement": 0.10,
        "movement_s": 0.003,
    },
}


class Session(NamedTuple):
    """Beats (s), their R amplitudes (None without ECG), true breathing (s, Hz), sets, and the true
    power of the modulation of heart rate at the breathing rate."""

    beat_time_s: np.ndarray
    amplitude: np.ndarray | None
    time_s: np.ndarray
    breathing_hz: np.ndarray
    sets: list[Repetitions]
    power: np.ndarray


def simulated_session(
    rng: np.random.Generator,
    *,
    swing: float = 0.03,
    slow: float = 0.03,
    slow_in_sets: float = 0.2,
    slow_width_hz: float = 0.015,
    jitter_s: float = 0.001,
    tilt: float | None = None,
    movement: float = 0.0,
    movement_s: float = 0.0,
    at_cadence: bool = False,
    uneven: float = 0.0,
) -> Session:
    """One session; `swing` and `slow` are amplitudes relative to heart rate, a fifth in sets.

    `uneven` is the standard deviation of the logarithm of how long breaths last; the true rate is
    then the mean of ten seconds.
    """
    cadence_hz = rng.uniform(0.22, 0.35)
    resting_hz, in_sets_hz = rng.uniform(0.2, 0.32), rng.uniform(0.35, 0.55)
    resting_bpm, in_sets_bpm = rng.uniform(55, 80), rng.uniform(95, 140)
    if at_cadence:
        in_sets_hz = cadence_hz
    sets, end_s = [], REST_S
    for _ in range(4):
        lasts_s = rng.uniform(40, 65)
        sets.append(Repetitions(end_s, end_s + lasts_s, cadence_hz))
        end_s += lasts_s + rng.uniform(80, 110)
    time_s = np.arange(0.0, end_s + 30.0, STEP_S)

    def course(resting, in_sets, on_s, off_s):
        steps = [
            step
            for one_set in sets
            for step in (Step(one_set.start_s, in_sets, on_s), Step(one_set.end_s, resting, off_s))
        ]
        return signals.first_order_course(time_s, initial=resting, steps=steps)

    wander = 1 + 0.05 * band(rng, time_s.size, 0.0, 0.03)
    breathing_hz = course(resting_hz, in_sets_hz, 12.0, 20.0) * wander
    breaths = np.cumsum(breathing_hz) * STEP_S
    if uneven:
        breaths = breaths_of_uneven_length(rng, breaths, uneven)
        breathing_hz = uniform_filter1d(np.gradient(breaths, STEP_S), int(10 / STEP_S))
    breath = np.cos(rng.uniform(0, 6.28) + 2 * np.pi * breaths)
    smaller = course(1.0, 0.2, 8.0, 60.0)
    slow_hz = rng.uniform(0.085, 0.11)
    modulation = (
        swing * smaller * breath
        + 0.7
        * slow
        * course(1.0, slow_in_sets, 8.0, 60.0)
        * band(rng, time_s.size, slow_hz, slow_width_hz)
        + 0.02 * band(rng, time_s.size, 0.0, 0.015)
    )
    rate_hz = course(resting_bpm, in_sets_bpm, 15.0, 30.0) / 60 * (1 + modulation)
    beats = np.cumsum(rate_hz) * STEP_S
    beat_time_s = np.interp(np.arange(1, int(beats[-1])), beats, time_s)
    beat_time_s = beat_time_s + rng.normal(0, jitter_s, beat_time_s.size)
    turning = np.zeros(beat_time_s.size)
    for one_set in sets:
        inside = (beat_time_s >= one_set.start_s) & (beat_time_s <= one_set.end_s)
        uneven = np.cumsum(rng.normal(0, 0.03, 40))
        since = beat_time_s[inside] - one_set.start_s
        turning[inside] = np.sin(
            2 * np.pi * (cadence_hz * since + np.interp(since, np.arange(40) / cadence_hz, uneven))
        )
    amplitude = None
    if tilt is not None:
        amplitude = 1 + tilt * np.interp(beat_time_s, time_s, breath) + movement * turning
        amplitude += rng.normal(0, 0.04, beat_time_s.size)
    beat_time_s = np.sort(np.round(beat_time_s + movement_s * turning, 3))
    power = (swing * smaller) ** 2 / 2
    return Session(beat_time_s, amplitude, time_s, breathing_hz, sets, power)


def breaths_of_uneven_length(
    rng: np.random.Generator, breaths: np.ndarray, spread: float
) -> np.ndarray:
    """Count of breaths over time, from the even one, whose lengths have so wide a logarithm."""
    length = np.exp(spread * rng.normal(size=2 * int(breaths[-1]) + 20))
    return np.interp(
        breaths, np.concatenate([[0.0], np.cumsum(length)]), np.arange(length.size + 1)
    )


def band(rng: np.random.Generator, size: int, centre_hz: float, width_hz: float) -> np.ndarray:
    """Noise of variance 1 about a frequency."""
    frequency_hz = np.fft.rfftfreq(size, STEP_S)
    noise = rng.normal(size=frequency_hz.size) + 1j * rng.normal(size=frequency_hz.size)
    series = np.fft.irfft(noise * np.exp(-0.5 * ((frequency_hz - centre_hz) / width_hz) ** 2), size)
    return series / series.std()


def told(session: Session) -> dict[str, object]:
    """Moments of rest and of sets at which a rate is told, and rightly; modulation of each set."""
    table = respiration_from_beats(session.beat_time_s, session.amplitude, repetitions=session.sets)
    time_s, rate_hz = table["time_s"].to_numpy(), table["rate_hz"].to_numpy()
    known = np.isfinite(rate_hz)
    truth_hz = np.interp(time_s, session.time_s, session.breathing_hz)
    right = np.abs(np.where(known, rate_hz, np.inf) - truth_hz) <= WITHIN_HZ
    at_rest = time_s < REST_S
    in_sets = np.any([(time_s >= s.start_s) & (time_s <= s.end_s) for s in session.sets], axis=0)
    ratios = [power_ratio(session, one_set, table) for one_set in session.sets]
    return {
        "rest": (at_rest.sum(), (known & at_rest).sum(), (right & at_rest).sum()),
        "sets": (in_sets.sum(), (known & in_sets).sum(), (right & in_sets).sum()),
        "ratios": ratios,
    }


def power_ratio(session: Session, one_set: Repetitions, table: pd.DataFrame) -> float:
    """Power of the modulation in one set over the true one; NaN where it is not given."""
    beats = session.beat_time_s
    near = beats[(beats > one_set.start_s - 60) & (beats < one_set.end_s + 60)]
    inside = (session.time_s >= one_set.start_s) & (session.time_s <= one_set.end_s)
    try:
        course = respiratory_modulation(near, table["time_s"], table["rate_hz"])
        power = mean_power(course, one_set.start_s, one_set.end_s)
    except NotEnough:
        return float("nan")
    true_power = session.power[inside].mean()
    return power / true_power if true_power > 0 else float("inf")


def case_row(name: str, sessions: int) -> dict[str, object]:
    """One row of the table."""
    results = [
        told(simulated_session(np.random.default_rng(seed), **CASES[name]))
        for seed in range(sessions)
    ]
    row: dict[str, object] = {"case": name}
    breathes = CASES[name].get("swing", 1.0) > 0
    for part in ("rest", "sets"):
        moments, known, right = np.sum([of_session[part] for of_session in results], axis=0)
        row[f"{part}_told_pct"] = 100 * known / moments
        row[f"{part}_rightly_pct"] = 100 * right / known if breathes and known else None
    ratios = np.concatenate([of_session["ratios"] for of_session in results])
    given = np.isfinite(ratios) if breathes else ~np.isnan(ratios)
    row["sets_with_modulation_pct"] = 100 * given.mean()
    row["modulation_over_truth"] = np.median(ratios[given]) if breathes and given.any() else None
    return row


def main(sessions: int) -> pd.DataFrame:
    """The table of all cases."""
    return pd.DataFrame([case_row(name, sessions) for name in CASES])


if __name__ == "__main__":
    table = main(int(sys.argv[1]) if len(sys.argv) > 1 else 36)
    table.to_csv(sys.stdout, sep="\t", index=False, na_rep="n/a", float_format="%.3g")
