"""How well beat series are repaired: errors of known place and size put into clean series.

    python3.11 scripts/launch.py benchmark repair [--beats FOLDER] [--out table.tsv]

Compares no repair, a 20 % threshold with linear interpolation, neurokit2's default repair and our
own on simulated rest and exercise and, with --beats, on files of real beat times (one sample
number per line, at --rate-hz). One row per material, share of errors and method: median and 90th
percentile of the absolute error of RMSSD, SDNN, LF and HF in %. Share 0 is the price of repair in
a clean series. Not part of the automatic tests.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import scipy.signal
from scipy.interpolate import CubicSpline

from demo.heart_period import inject_errors, simulate_beats
from engine.command_line import parser_of
from heart.repair.intervals import repair_intervals

INDICES = ("rmssd", "sdnn", "lf", "hf")


def resting_beats(rng: np.random.Generator) -> np.ndarray:
    """300 s at 55-80 bpm, SDNN about 44 and RMSSD about 34 ms."""
    breathing_hz = rng.uniform(0.2, 0.3)
    return simulate_beats(
        300,
        heart_rate_bpm=rng.uniform(55, 80),
        breathing_rate_hz=breathing_hz,
        breathing_modulation=0.02,
        random_bands=[(0.1, 0.015, 0.032), (0.0, 0.02, 0.026), (breathing_hz, 0.03, 0.024)],
        breathing_irregularity=0.08,
        jitter_s=0.002,
        rng=rng,
    ).beat_time_s


def exercise_beats(rng: np.random.Generator) -> np.ndarray:
    """180 s between 110 and 150 bpm, slowly rising, RMSSD about 3.2 ms."""
    start_bpm, end_bpm = np.sort(rng.uniform(110, 150, 2))
    return simulate_beats(
        180,
        heart_rate_bpm=lambda time_s: start_bpm + (end_bpm - start_bpm) * 0.4 * time_s / 180,
        breathing_rate_hz=rng.uniform(0.4, 0.6),
        breathing_modulation=0.006,
        random_bands=[(0.1, 0.015, 0.010), (0.0, 0.015, 0.025)],
        breathing_irregularity=0.05,
        jitter_s=0.0005,
        rng=rng,
    ).beat_time_s


def variability(beat_time_s: np.ndarray) -> np.ndarray:
    """RMSSD and SDNN in ms, LF and HF in ms2; Hann window over the whole series, 4 Hz cubic."""
    intervals_ms = 1000 * np.diff(beat_time_s)
    grid = np.arange(beat_time_s[1], beat_time_s[-1], 0.25)
    level = scipy.signal.detrend(CubicSpline(beat_time_s[1:], intervals_ms)(grid))
    frequency_hz, density = scipy.signal.periodogram(level, 4, "hann", nfft=4096, detrend=False)
    highest_hz = 0.40 if intervals_ms.mean() > 600 else 1.0

    def band(low_hz: float, high_hz: float) -> float:
        inside = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return float(density[inside].sum() * frequency_hz[1])

    rmssd = np.sqrt(np.mean(np.diff(intervals_ms) ** 2))
    sdnn = intervals_ms.std(ddof=1)
    return np.array([rmssd, sdnn, band(0.04, 0.15), band(0.15, highest_hz)])


def without_repair(beat_time_s: np.ndarray) -> np.ndarray:
    """The series as it is."""
    return beat_time_s


def by_threshold(beat_time_s: np.ndarray) -> np.ndarray:
    """Intervals more than 20 % off the last good one are interpolated; a common filter."""
    intervals = np.diff(beat_time_s)
    good = np.zeros(intervals.size, dtype=bool)
    last = np.median(intervals[:11])
    for index, interval in enumerate(intervals):
        good[index] = abs(interval / last - 1) <= 0.2
        last = interval if good[index] else last
    time_s = beat_time_s[1:]
    mended = np.interp(time_s, time_s[good], intervals[good])
    return beat_time_s[0] + np.append(0.0, np.cumsum(mended))


def by_neurokit(beat_time_s: np.ndarray) -> np.ndarray:
    """neurokit2's default repair at 1000 Hz."""
    import neurokit2

    peaks = np.round(1000 * beat_time_s).astype(int)
    return np.asarray(neurokit2.signal_fixpeaks(peaks, sampling_rate=1000)[1]) / 1000


def by_us(beat_time_s: np.ndarray) -> np.ndarray:
    """The project's own repair, without an ECG."""
    return np.sort(repair_intervals(beat_time_s)["nn_time_s"].dropna().to_numpy())


METHODS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "none": without_repair,
    "threshold 20 %": by_threshold,
    "neurokit2": by_neurokit,
    "own": by_us,
}


def compare(
    material: str, series: list[np.ndarray], *, share: float, rng: np.random.Generator
) -> list[dict]:
    """Rows of the benchmark for one kind of series and one share of errors."""
    errors: dict[str, list[np.ndarray]] = {method: [] for method in METHODS}
    cpu_s = dict.fromkeys(METHODS, 0.0)
    for clean in series:
        disturbed = inject_errors(clean, share=share, rng=rng)[0] if share else clean
        truth = variability(clean)
        for method, repair in METHODS.items():
            started = time.process_time()
            repaired = repair(disturbed)
            cpu_s[method] += time.process_time() - started
            errors[method].append(100 * np.abs(variability(repaired) / truth - 1))
    scores = []
    for method in METHODS:
        table = np.array(errors[method])
        row = {
            "material": material,
            "n_series": len(series),
            "errors_pct": 100 * share,
            "method": method,
        }
        for column, index in enumerate(INDICES):
            row[f"{index}_median_pct"] = np.median(table[:, column])
            row[f"{index}_p90_pct"] = np.quantile(table[:, column], 0.9)
        row["cpu_ms_per_series"] = 1000 * cpu_s[method] / len(series)
        scores.append(row)
    return scores


def main() -> None:
    parser = parser_of("benchmark repair", __doc__)
    parser.add_argument("--beats", type=Path, help="folder of real beat times")
    parser.add_argument("--rate-hz", type=float, default=250.0, help="their sampling rate")
    parser.add_argument("--series", type=int, default=20, help="simulated series of each kind")
    parser.add_argument("--seed", type=int, default=2024)
    parser.add_argument("--out", type=Path, help="where the table goes; the screen by default")
    chosen = parser.parse_args()
    rng = np.random.default_rng(chosen.seed)
    by_us(resting_beats(rng)), by_neurokit(resting_beats(rng))  # imports do not count
    materials = {
        "rest": [resting_beats(rng) for _ in range(chosen.series)],
        "exercise": [exercise_beats(rng) for _ in range(chosen.series)],
    }
    if chosen.beats:
        files = sorted(path for path in chosen.beats.iterdir() if path.suffix in (".tsv", ".txt"))
        materials["real"] = [np.loadtxt(path) / chosen.rate_hz for path in files]
    scores = []
    for material, series in materials.items():
        for share in (0.0, 0.005, 0.01, 0.02, 0.05):
            scores += compare(material, series, share=share, rng=rng)
    table = pd.DataFrame(scores)
    table.to_csv(chosen.out or sys.stdout, sep="\t", index=False, float_format="%.3g")


if __name__ == "__main__":
    main()
