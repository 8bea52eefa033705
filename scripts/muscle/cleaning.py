"""Which samples of a saturation recording are unusable, and why."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from recordings.time_axis import kept_for_same, sampling_step_s, trace_of

MISSING = "missing reading"

OUT_OF_RANGE = "outside 0 to 100 %"

DROPOUT = "dropout read as zero"

STUCK = "stuck value"

SLIP = "sensor slip"

LIGHT_LEAK = "light leak"


@kept_for_same
def resolution(readings: ArrayLike) -> float:
    """Smallest difference between two different readings: the rounding step of the sensor.

    0 for a trace with fewer than two different readings.
    """
    levels = np.unique(np.asarray(readings, dtype=float))
    steps = np.diff(levels[np.isfinite(levels)])
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def clean_saturation(
    time_s: ArrayLike,
    smo2_pct: ArrayLike,
    *,
    stuck_s: float,
    slip_pct_per_s: float,
    dropout_jump_pct: float,
    leak_longest_s: float,
) -> pd.DataFrame:
    """Name every reading that is not muscle: dropouts, stuck values, slips and light leaks.

    Gives time_s, smo2_pct (NaN where unusable), reason (empty where usable) and level_segment, a
    count that rises at every slip: levels compare only where it is the same. The limits are
    conventions of the trade (hard limits 0 and 100 %, stuck 10 s, step 10 %/s); the rules:

    - zeros are a dropout when the trace jumps into or out of them by more than `dropout_jump_pct`
      and faster than `slip_pct_per_s`; zeros reached by a gradual fall are a muscle at its floor.
    - equal readings lasting `stuck_s` are stuck only where the noise of the rest of the trace
      makes such a run rarer than one in a million, even in the middle of a rounding step. A coarse
      quiet sensor repeats itself legitimately, so its plateaus stay.
    - a step is a difference between the medians of the second before and the second after of more
      than `slip_pct_per_s` times 1 s (or times the sampling step where that is longer) and of more
      than three times what is usual within 15 s, so that contractions are none. A step that stays
      is a slip, one that comes back within `leak_longest_s` is a light leak, as is a single reading
      twice as far from neighbours that agree.

    Raises ValueError for a time axis that does not rise.
    """
    time, reading = trace_of(time_s, smo2_pct)
    reason = np.full(len(time), "", dtype=object)
    reason[~np.isfinite(reading)] = MISSING
    with np.errstate(invalid="ignore"):
        reason[(reading < 0) | (reading > 100)] = OUT_OF_RANGE
    limits = {"slip_pct_per_s": slip_pct_per_s, "dropout_jump_pct": dropout_jump_pct}
    reason[_dropouts(time, reading, reason == "", **limits)] = DROPOUT
    reason[_stuck_readings(time, reading, reason == "", stuck_s=stuck_s)] = STUCK

    usable = np.flatnonzero(reason == "")
    slips, leaks = _slips_and_leaks(time[usable], reading[usable], slip_pct_per_s, leak_longest_s)
    level_segment = np.zeros(len(time), dtype=int)
    for first, last in slips:
        reason[usable[first:last]] = SLIP
        level_segment[usable[first] :] += 1
    leaks += [(at, at + 1) for at in _lone_readings(time[usable], reading[usable], slip_pct_per_s)]
    for first, last in leaks:
        reason[usable[first:last]] = LIGHT_LEAK
    return pd.DataFrame(
        {
            "time_s": time,
            "smo2_pct": np.where(reason == "", reading, np.nan),
            "reason": reason.astype(str),
            "level_segment": level_segment,
        }
    )


def unusable_spans(cleaned: pd.DataFrame) -> pd.DataFrame:
    """The unusable readings of `clean_saturation` as spans: start_s, end_s, n_readings, reason.

    `end_s` is the time of the next reading (of the last one at the end of the trace), so that
    `end_s - start_s` is the time lost.
    """
    reason = cleaned["reason"].to_numpy()
    time = cleaned["time_s"].to_numpy()
    spans = [
        {
            "start_s": time[first],
            "end_s": time[min(last, len(time) - 1)],
            "n_readings": last - first,
            "reason": reason[first],
        }
        for first, last in _runs_of_equal(reason)
        if reason[first]
    ]
    return pd.DataFrame(spans, columns=["start_s", "end_s", "n_readings", "reason"])


def levels_comparable(
    time_s: np.ndarray, level_segment: np.ndarray, start_s: float, end_s: float
) -> bool:
    """False when the sensor slipped between two times, so that levels no longer compare."""
    levels = level_segment[(time_s >= start_s) & (time_s <= end_s)]
    # the count never falls
    return not len(levels) or bool(levels[0] == levels[-1])


def _runs_of_equal(reading: np.ndarray) -> list[tuple[int, int]]:
    """First and one-past-last index of every run of equal values."""
    edges = _edges_of_runs(reading).tolist()
    return list(zip(edges[:-1], edges[1:], strict=True))


def _edges_of_runs(reading: np.ndarray) -> np.ndarray:
    """First index of every run of equal values, and one past the last of all."""
    changes = np.flatnonzero(reading[1:] != reading[:-1]) + 1
    return np.concatenate([np.zeros(min(1, len(reading)), int), changes, [len(reading)]])


def _dropouts(
    time: np.ndarray,
    reading: np.ndarray,
    usable: np.ndarray,
    *,
    slip_pct_per_s: float,
    dropout_jump_pct: float,
) -> np.ndarray:
    """Zeros that the trace jumps into or out of."""
    usable_at = np.flatnonzero(usable)
    dropout = np.zeros(len(time), dtype=bool)
    for first, last in _runs_of_equal(reading[usable_at] == 0):
        if reading[usable_at[first]] != 0:
            continue
        for inner, outer in ((first, first - 1), (last - 1, last)):
            if 0 <= outer < len(usable_at):
                apart_s = abs(time[usable_at[inner]] - time[usable_at[outer]])
                fastest = max(dropout_jump_pct, slip_pct_per_s * apart_s)
                dropout[usable_at[first:last]] |= reading[usable_at[outer]] > fastest
        if first == 0 and last == len(usable_at):
            dropout[usable_at] = True
    return dropout


def _stuck_readings(
    time: np.ndarray, reading: np.ndarray, usable: np.ndarray, *, stuck_s: float
) -> np.ndarray:
    """Runs of one value that the trace's own noise makes next to impossible."""
    from math import erf, log, sqrt

    usable_at = np.flatnonzero(usable)
    stuck = np.zeros(len(time), dtype=bool)
    if len(usable_at) < 3:
        return stuck
    edges = _edges_of_runs(reading[usable_at])
    runs = np.column_stack([edges[:-1], edges[1:]])
    lasts_s = time[usable_at[runs[:, 1] - 1]] - time[usable_at[runs[:, 0]]]
    long_run = lasts_s >= stuck_s
    if not long_run.any():
        return stuck
    elsewhere = np.ones(len(usable_at), dtype=bool)
    for first, last in runs[long_run]:
        elsewhere[first:last] = False
    if not elsewhere.any():
        # Nothing else to judge by: a trace that never changes is no recording of a muscle.
        stuck[usable_at] = True
        return stuck
    step = resolution(reading[usable_at])
    noise = _quiet_noise(time[usable_at][elsewhere], reading[usable_at][elsewhere], stuck_s, step)
    # A sensor that updates slower than its file repeats every value: count updates, not rows.
    shorter_s = lasts_s[~long_run]
    update_s = max(sampling_step_s(time), float(np.median(shorter_s)) + sampling_step_s(time))
    repeat = erf(step / (2 * sqrt(2) * noise)) if noise > 0 else 1.0
    for (first, last), last_s in zip(runs[long_run], lasts_s[long_run], strict=True):
        # A muscle at its floor sits on the lower rail, where rounding hides all noise.
        if reading[usable_at[first]] == 0:
            continue
        if repeat == 0 or last_s / update_s * log(repeat) < log(1e-6):
            stuck[usable_at[first:last]] = True
    return stuck


def _quiet_noise(time: np.ndarray, reading: np.ndarray, window_s: float, step: float) -> float:
    """Noise of the quieter quarter of a trace, less the most that rounding can add.

    Residuals about straight lines over windows; toggling between two neighbouring rounded values
    has an SD of half a step and proves no noise, so a quarter of the squared step is taken off.
    """
    window = ((time - time[0]) // window_s).astype(int)
    count = np.bincount(window)
    away = time - (np.bincount(window, time) / np.maximum(count, 1))[window]
    level = reading - (np.bincount(window, reading) / np.maximum(count, 1))[window]
    filled = count >= 4
    if not filled.any():
        return 0.0
    squares, joint, spread = (
        np.bincount(window, part)[filled] for part in (level**2, away * level, away**2)
    )
    residual = np.maximum(squares - joint**2 / spread, 0.0)
    spread = residual / (count[filled] - 2)
    return float(np.sqrt(max(0.0, np.quantile(spread, 0.25) - step**2 / 4)))


def _slips_and_leaks(
    time: np.ndarray, reading: np.ndarray, slip_pct_per_s: float, leak_longest_s: float
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Steps that stay, and spans between a step and its return, as index ranges."""
    if len(time) < 3:
        return [], []
    steep = _steep_places(time, reading, slip_pct_per_s)
    slips: list[tuple[int, int]] = []
    leaks: list[tuple[int, int]] = []
    number = 0
    while number < len(steep):
        at, jump = steep[number]
        following = steep[number + 1] if number + 1 < len(steep) else None
        if following and _step_comes_back(time, reading, (at, jump), following, leak_longest_s):
            leaks.append((at, following[0]))
            number += 2
            continue
        if _step_stays(time, reading, at, jump):
            slips.append((at, at + 1))
        number += 1
    return slips, leaks


def _lone_readings(time: np.ndarray, reading: np.ndarray, slip_pct_per_s: float) -> np.ndarray:
    """Single readings twice a slip away from two neighbours either side that agree."""
    if len(time) < 5:
        return np.empty(0, dtype=int)
    beside = np.sort([reading[:-4], reading[1:-3], reading[3:-1], reading[4:]], axis=0)
    away = np.abs(reading[2:-2] - beside[1:3].mean(axis=0))
    near = time[4:] - time[:-4] < 4.0
    lone = near & (away > 2 * slip_pct_per_s) & (away > 2 * (beside[3] - beside[0]))
    return np.flatnonzero(lone) + 2


def _steep_places(
    time: np.ndarray, reading: np.ndarray, slip_pct_per_s: float
) -> list[tuple[int, float]]:
    """First reading after every step too fast for muscle and for the ripple around it."""
    before = np.searchsorted(time, time[:-1] - 1.0, side="right")
    at = np.arange(1, len(time))
    after = np.searchsorted(time, time[1:] + 1.0, side="left")
    running = np.concatenate([[0.0], np.cumsum(reading)])
    mean_before = (running[at] - running[before]) / (at - before)
    mean_after = (running[after] - running[at]) / (after - at)
    rough = mean_after - mean_before
    limit = slip_pct_per_s * np.maximum(1.0, np.diff(time))
    height = np.zeros(len(rough))
    for step in np.flatnonzero(np.abs(rough) > limit / 2):
        exact = np.median(reading[at[step] : after[step]])
        exact -= np.median(reading[before[step] : at[step]])
        if abs(exact) <= limit[step]:
            continue
        # Contractions make steps too, again and again: the odd one stands out of its neighbours.
        around = slice(*np.searchsorted(time[1:], time[step] + np.array([-15.0, 15.0])))
        if abs(exact) > 3 * np.median(np.abs(rough[around])):
            height[step] = exact
    steps = []
    for first, last in _runs_of_equal(np.sign(height)):
        if height[first]:
            peak = first + int(np.argmax(np.abs(height[first:last])))
            steps.append((peak + 1, float(height[peak])))
    return steps


def _step_comes_back(
    time: np.ndarray,
    reading: np.ndarray,
    up: tuple[int, float],
    down: tuple[int, float],
    longest_s: float,
) -> bool:
    """Whether two steps are the two edges of one stretch that stands out of both neighbours."""
    (begin, jump), (end, back) = up, down
    lasts_s = time[end] - time[begin]
    if lasts_s > longest_s or abs(back + jump) > 0.5 * abs(jump):
        return False
    if lasts_s > 4.0 and not all(_step_stays(time, reading, *edge) for edge in (up, down)):
        return False
    outside = (time >= time[begin] - 4.0) & (time < time[end] + 4.0)
    outside[begin:end] = False
    height = np.median(reading[begin:end]) - np.median(reading[outside])
    return bool(height * np.sign(jump) >= 0.7 * abs(jump))


def _step_stays(time: np.ndarray, reading: np.ndarray, at: int, jump: float) -> bool:
    """Whether four seconds either side differ by most of the step, more than by the trend there."""
    marks = np.searchsorted(time, time[at] + np.array([-8.0, -4.0, 0.0, 4.0, 8.0]))
    levels = [
        np.median(reading[begin:end]) if end > begin else np.nan
        for begin, end in zip(marks[:-1], marks[1:], strict=True)
    ]
    trend, step, later = np.diff(levels) * np.sign(jump)
    # a trend on both sides against the step hides part of it
    beside = [known for known in (trend, later) if not np.isnan(known)]
    steepest = max(beside) if len(beside) == 2 else max([0.0, *beside])
    return bool(step - steepest >= 0.7 * abs(jump))


def depth_caution(
    adipose_thickness_mm: float | None,
    source_detector_mm: float | None,
    *,
    reached_share: float,
) -> str:
    """Why light may not reach the muscle under a sensor, or nothing.

    Light reaches about half of the distance between source and detector (`reached_share` 0.5); fat
    and skin thicker than that fill most of what is seen, raise apparent saturation and shrink its
    falls (J Biomed Opt 2009 14:044017). The share is a common rule of the trade, from memory.
    Where only one of the two was noted nothing can be judged, and that is said; where neither was,
    there is nothing to say.
    """
    known = [pd.notna(adipose_thickness_mm), pd.notna(source_detector_mm)]
    if not any(known):
        return ""
    if not all(known):
        lacking = "source-detector distance" if known[0] else "adipose thickness"
        return f"no {lacking} was noted: whether light reaches the muscle cannot be judged"
    reached_mm = reached_share * source_detector_mm
    if adipose_thickness_mm <= reached_mm:
        return ""
    return (
        f"mostly fat is measured: {adipose_thickness_mm:g} mm of it, light reaches about "
        f"{reached_mm:g} mm at a source-detector distance of {source_detector_mm:g} mm"
    )
