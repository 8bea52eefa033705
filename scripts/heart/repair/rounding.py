"""How finely a list of beat intervals is written, and whether somebody smoothed it before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class IntervalRounding:
    """How finely a list of intervals is written, and whether somebody smoothed it before.

    `step_ms` is NaN where no step is found; `sentence` says the step, the RMSSD that rounding alone
    leaves, the largest jump and signs of filtering.
    """

    step_ms: float
    sentence: str


FEWEST_INTERVALS = 30


# sampling rates and decimal steps met in interval files, coarsest first
ROUNDING_STEPS = (
    ("100 ms", 100.0),
    ("50 ms", 50.0),
    ("40 ms (25 Hz)", 40.0),
    ("25 ms (40 Hz)", 25.0),
    ("20 ms", 20.0),
    ("10 ms", 10.0),
    ("8 ms (125 Hz)", 8.0),
    ("1/128 s", 1000 / 128),
    ("5 ms", 5.0),
    ("4 ms (250 Hz)", 4.0),
    ("1/256 s", 1000 / 256),
    ("2 ms (500 Hz)", 2.0),
    ("1/512 s", 1000 / 512),
    ("1 ms", 1.0),
    ("1/1024 s", 1000 / 1024),
)


def interval_rounding(rr_ms: np.ndarray) -> IntervalRounding:
    """Find the step to which intervals are rounded, and signs of filtering before the export.

    `rr_ms` holds at least 30 intervals in ms as read, unrepaired. Filtering is suspected, never
    proven: intervals lie on straight lines more often than rounding explains, or less than 1 % of
    the power of their differences is faster than 0.4 cycles per beat (every one of 66 open
    recordings of rest and exercise has more than 3 %). Raises ValueError for fewer or non-finite
    intervals. Source of the floors: variance step^2 / 12 per rounded value, carried through
    the difference; Hejjel & Roth 2004, Physiol Meas 25:1405-1411, for the effect. Signs of
    filtering: convention.
    """
    intervals = np.asarray(rr_ms, dtype=float)
    if intervals.size < FEWEST_INTERVALS or not np.all(np.isfinite(intervals)):
        raise ValueError("rounding needs at least 30 finite intervals")
    if np.ptp(intervals) == 0:
        sentence = f"All intervals are {intervals[0]:g} ms: no heart does that."
        return IntervalRounding(float("nan"), sentence)
    name, step_ms = _rounding_step(intervals)
    known_step_ms = 0.0 if np.isnan(step_ms) else step_ms
    jump_pct = float(100 * np.max(np.abs(np.diff(intervals)) / intervals[:-1]))
    signs = []
    if _fast_share(intervals) < 0.01:
        signs.append("neighbouring intervals follow each other more smoothly than hearts do")
    if _straight_runs_exceed(intervals, known_step_ms):
        signs.append("stretches lie exactly on straight lines, as interpolation leaves them")
    rounding = f"Intervals are multiples of {name}" if name else "Intervals show no rounding step"
    if name:
        rounding += (
            f": rounding alone gives an RMSSD of {step_ms / np.sqrt(6):.1f} ms (intervals rounded) "
            f"or {step_ms / np.sqrt(2):.1f} ms (beat times rounded)"
        )
    filtering = f"they look filtered: {'; '.join(signs)}" if signs else "no sign of filtering"
    return IntervalRounding(
        step_ms,
        f"{rounding}; the largest jump is {jump_pct:.0f} %; {filtering}.",
    )


def _rounding_step(intervals: np.ndarray) -> tuple[str, float]:
    """Name and size in ms of the coarsest step that explains the intervals as they are written."""
    written_ms = next(
        (
            10.0**-decimals
            for decimals in range(4)
            if np.all(np.abs(intervals - np.round(intervals, decimals)) < 1e-6)
        ),
        0.0,
    )
    for name, step_ms in ROUNDING_STEPS:
        whole = written_ms > 0 and abs(step_ms / written_ms - round(step_ms / written_ms)) < 1e-9
        tolerance_ms = 1e-6 if whole else written_ms / 2 + 1e-3
        if tolerance_ms > step_ms / 6:
            continue
        off_ms = np.abs(intervals - step_ms * np.round(intervals / step_ms))
        if np.mean(off_ms <= tolerance_ms) >= 0.99:
            return name, step_ms
    return "", float("nan")


def _fast_share(intervals: np.ndarray) -> float:
    """Share of the power of the differences above 0.4 cycles per beat, outliers drawn in."""
    change = np.diff(intervals)
    change = change - np.median(change)
    spread = 1.4826 * np.median(np.abs(change))
    if spread > 0:
        change = np.clip(change, -4 * spread, 4 * spread)
    power = np.abs(np.fft.rfft(change * np.hanning(change.size))) ** 2
    return float(power[np.fft.rfftfreq(change.size) > 0.4].sum() / power.sum())


def _straight_runs_exceed(intervals: np.ndarray, step_ms: float) -> bool:
    """Whether five intervals in a line occur more often than chance and rounding explain."""
    bend = np.diff(intervals, 2)
    straight = np.abs(bend) < max(0.25 * step_ms, 1e-6)
    runs = int((straight[:-2] & straight[1:-1] & straight[2:]).sum())
    spread = 1.4826 * np.median(np.abs(bend))
    if spread < 3 * step_ms or spread == 0:
        return False  # too coarsely rounded to tell
    by_chance = step_ms / (spread * np.sqrt(2 * np.pi))
    return runs > 5 + 5 * bend.size * by_chance**3
