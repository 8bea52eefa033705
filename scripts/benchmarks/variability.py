"""Compare speed and truth of our variability code with neurokit2; prints one table.

    python3.11 scripts/launch.py benchmark variability

Times are processor seconds of this process, best of several runs: read them as ratios.
"""

from __future__ import annotations

import time
import timeit
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd

from demo.heart_period import interval_power_ms2, simulate_beats
from heart import modulation, precision, spectrum, variability

BANDS_HZ = {"lf_power_ms2": (0.04, 0.15), "hf_power_ms2": (0.15, 0.40)}
LF, HF = (0.10, 0.03), (0.25, 0.03)


def beats_with_two_tones(duration_s: float, *, hr_bpm: float, phase: float = 0.0) -> np.ndarray:
    """Beat times in s of a heart modulated at 0.10 and 0.25 Hz."""
    tones = [(hz, amplitude, phase * (1 + hz)) for hz, amplitude in (LF, HF)]
    return simulate_beats(duration_s, heart_rate_bpm=hr_bpm, tones=tones).beat_time_s


def processor_s(task: Callable[[], object], *, repeats: int) -> float:
    """Least processor time in s of `repeats` calls."""
    return min(timeit.repeat(task, timer=time.process_time, number=1, repeat=repeats))


def speed_rows() -> list[dict[str, object]]:
    """Time and frequency domain of 200 windows of 60 s, both ways."""
    import neurokit2 as nk

    beats = beats_with_two_tones(2400.0, hr_bpm=80.0)
    starts = np.linspace(2.0, 2330.0, 200)
    pieces = [beats[(beats >= start) & (beats <= start + 60.0)] for start in starts]

    def ours_time() -> None:
        for piece in pieces:
            intervals = 1000.0 * np.diff(piece)
            differences = np.diff(intervals)
            variability.mean_nn_ms(intervals)
            precision.precise_sdnn_ms(intervals)
            precision.precise_rmssd_ms(differences)
            variability.pnn50_pct(differences, interval_count=intervals.size)
            variability.sd1_ms(intervals)
            variability.sd2_ms(intervals)

    def ours_frequency() -> None:
        for piece in pieces:
            estimate = spectrum.interval_spectrum(piece[1:], 1000.0 * np.diff(piece))
            for band in BANDS_HZ.values():
                precision.precise_band_power_ms2(estimate, *band)

    def theirs(function: Callable[..., pd.DataFrame], **settings: object) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for piece in pieces:
                peaks = np.round(1000.0 * (piece - piece[0])).astype(int)
                function(peaks, sampling_rate=1000, **settings)

    measured = {
        "200 x 60 s, time domain": (ours_time, lambda: theirs(nk.hrv_time)),
        "200 x 60 s, LF and HF": (
            ours_frequency,
            lambda: theirs(nk.hrv_frequency, normalize=False),
        ),
    }
    speeds, totals = [], [0.0, 0.0]
    for what, (ours, of_library) in measured.items():
        ours()
        quick, slow = processor_s(ours, repeats=9), processor_s(of_library, repeats=1)
        totals = [totals[0] + quick, totals[1] + slow]
        speeds.append(_speed_row(what, quick, slow))
    speeds.append(_speed_row("200 x 60 s, both", *totals))
    course = processor_s(
        lambda: modulation.respiratory_modulation(
            beats, beats[::9], np.full(beats[::9].size, 0.25)
        ),
        repeats=3,
    )
    speeds.append({"what": "respiratory modulation, 40 min", "ours": f"{1000 * course:.1f} ms"})
    return speeds


def _speed_row(what: str, quick: float, slow: float) -> dict[str, object]:
    return {
        "what": what,
        "ours": f"{1000 * quick:.1f} ms",
        "neurokit2": f"{1000 * slow:.0f} ms",
        "ratio": f"{slow / quick:.0f}x",
    }


def true_powers_ms2(hr_bpm: float) -> list[float]:
    """Power of the intervals in both bands, to leading order."""
    return [
        interval_power_ms2(heart_rate_bpm=hr_bpm, frequency_hz=hz, modulation_amplitude=amplitude)
        for hz, amplitude in (LF, HF)
    ]


def truth_rows() -> list[dict[str, object]]:
    """Measured over true power, LF / HF, of every estimator; mean over eight phases."""
    errors = []
    for duration_s in (60.0, 120.0, 300.0):
        for hr_bpm in (60.0, 90.0, 120.0, 180.0):
            for method in ("multitaper", "welch", "autoregressive", "lomb_scargle"):
                shares = []
                for phase in np.arange(8) * np.pi / 4.0:
                    beats = beats_with_two_tones(duration_s, hr_bpm=hr_bpm, phase=phase)
                    estimate = spectrum.interval_spectrum(
                        beats[1:], 1000.0 * np.diff(beats), method=method
                    )
                    powers = [spectrum.band_power(estimate, *b) for b in BANDS_HZ.values()]
                    shares.append(np.divide(powers, true_powers_ms2(hr_bpm)))
                low, high = np.mean(shares, axis=0)
                errors.append(
                    {
                        "what": f"{method}, {duration_s:.0f} s, {hr_bpm:.0f} per min",
                        "ours": f"LF {low:.3f} HF {high:.3f}",
                    }
                )
    return errors


def main() -> None:
    """Print the table."""
    table = pd.DataFrame(speed_rows() + truth_rows()).fillna("")
    print(table.to_string(index=False))


if __name__ == "__main__":
    main()
