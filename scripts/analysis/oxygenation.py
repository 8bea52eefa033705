"""Muscle oxygen saturation: what can be used, how deep it falls, how it comes back.

Every function takes a time axis in seconds that may be irregular and a trace in percent, and gives
back numbers or tables without touching its arguments. Readings that cannot be used are NaN; a mean,
an integral or a crossing never reaches across them. Saturation is the balance of delivery and use
in the volume under the sensor (Barstow 2019 J Appl Physiol 126:1360): levels are comparable within
one person, site and sensor only.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

Status = Literal["ok", "flagged", "refused"]

MISSING = "missing reading"
OUT_OF_RANGE = "outside 0 to 100 %"
DROPOUT = "dropout read as zero"
STUCK = "stuck value"
SLIP = "sensor slip"
LIGHT_LEAK = "light leak"


@dataclass(frozen=True)
class Estimate:
    """A number with its uncertainty, or the reason why there is none.

    Fields: ``value`` and ``se`` (standard error) in the unit of the quantity, NaN when refused;
    ``status``; ``reason`` (empty when ok); ``at_s``, the time at which the value was read, where
    there is one (a nadir, a peak), else NaN.
    """

    value: float
    se: float
    status: Status = "ok"
    reason: str = ""
    at_s: float = float("nan")

    @classmethod
    def refused(cls, reason: str) -> "Estimate":
        """An estimate that was not made, and why."""
        return cls(float("nan"), float("nan"), "refused", reason)

    @property
    def usable(self) -> bool:
        """True unless refused."""
        return self.status != "refused"


@dataclass(frozen=True)
class ExponentialRecovery:
    """The four parameters of E - A exp(-(t - delay)/tau), the fit's R2 and its half-time.

    Percent for ``end`` and ``amplitude``, seconds for ``delay``, ``tau`` and ``half_time``
    (delay + tau ln 2, counted from the start of recovery). When the fit is refused, all five carry
    the same reason.
    """

    end: Estimate
    amplitude: Estimate
    delay: Estimate
    tau: Estimate
    half_time: Estimate
    r2: float


# --- the time axis ---------------------------------------------------------------------------


def _trace(time_s: ArrayLike, value: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Both as float arrays, checked: same length, times finite and rising."""
    time = np.asarray(time_s, dtype=float)
    reading = np.asarray(value, dtype=float)
    if time.ndim != 1 or time.shape != reading.shape:
        raise ValueError(f"time {time.shape} and values {reading.shape} must be equally long rows")
    if not np.all(np.isfinite(time)) or np.any(np.diff(time) <= 0):
        raise ValueError("times must be finite and strictly rising")
    return time, reading


def sampling_step_s(time_s: ArrayLike) -> float:
    """Typical time between readings: the median step of the time axis, in seconds.

    NaN for fewer than two readings.
    """
    time = np.asarray(time_s, dtype=float)
    return float(np.median(np.diff(time))) if len(time) > 1 else float("nan")


class _Stretches:
    """The trace as straight lines between neighbouring usable readings, ready to be integrated.

    A step of the time axis longer than 2.5 typical steps is a gap and belongs to no line, as is
    every step that touches an unusable reading.
    """

    def __init__(self, time_s: ArrayLike, value: ArrayLike):
        time, reading = _trace(time_s, value)
        step = np.diff(time)
        joined = np.isfinite(reading[:-1]) & np.isfinite(reading[1:])
        if len(step):
            joined &= step <= 2.5 * np.median(step)
        self.start_s, self.step_s = time[:-1][joined], step[joined]
        self.first, self.last = reading[:-1][joined], reading[1:][joined]
        self._covered = np.concatenate([[0.0], np.cumsum(self.step_s)])
        area = self.step_s * (self.first + self.last) / 2
        self._area = np.concatenate([[0.0], np.cumsum(area)])

    def until(self, moment_s: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
        """Seconds covered by lines, and the area under them, from the start to each moment."""
        moment = np.asarray(moment_s, dtype=float)
        if not len(self.start_s):
            return np.zeros(moment.shape), np.zeros(moment.shape)
        line = np.clip(np.searchsorted(self.start_s, moment, side="right") - 1, 0, None)
        inside = np.clip(moment - self.start_s[line], 0.0, self.step_s[line])
        rise = (self.last[line] - self.first[line]) / self.step_s[line]
        covered = self._covered[line] + inside
        return covered, self._area[line] + inside * (self.first[line] + rise * inside / 2)

    def within(self, start_s: float, end_s: float) -> "_Stretches":
        """The lines cut to a window."""
        cut_start = np.maximum(self.start_s, start_s)
        cut_end = np.minimum(self.start_s + self.step_s, end_s)
        keep = cut_end > cut_start
        rise = ((self.last - self.first) / self.step_s)[keep]
        part = object.__new__(_Stretches)
        part.start_s, part.step_s = cut_start[keep], (cut_end - cut_start)[keep]
        part.first = self.first[keep] + rise * (cut_start - self.start_s)[keep]
        part.last = part.first + rise * part.step_s
        return part


def usable_share(time_s: ArrayLike, value: ArrayLike, start_s: float, end_s: float) -> float:
    """Share of a window, 0 to 1, in which neighbouring usable readings follow each other."""
    if end_s <= start_s:
        return 0.0
    covered, _ = _Stretches(time_s, value).until([start_s, end_s])
    return float((covered[1] - covered[0]) / (end_s - start_s))


def centred_mean(
    time_s: ArrayLike, value: ArrayLike, window_s: float, *, min_usable_share: float = 1.0
) -> np.ndarray:
    """Mean over the time window centred on each reading.

    The trace is integrated as straight lines between usable readings, so the window is exactly
    `window_s` long at any sampling rate and on an irregular axis, and delays nothing (a trailing
    mean of w seconds delays by w/2). NaN where less than `min_usable_share` of the window is
    usable, which includes both ends of the trace; gaps are left out, never bridged. Convention.
    """
    time, _ = _trace(time_s, value)
    if window_s <= 0:
        raise ValueError("the window must be longer than 0 s")
    lines = _Stretches(time_s, value)
    covered_before, area_before = lines.until(time - window_s / 2)
    covered_after, area_after = lines.until(time + window_s / 2)
    covered = covered_after - covered_before
    # One part in a billion keeps rounding of the running sums from emptying full windows.
    enough = covered >= min_usable_share * window_s * (1 - 1e-9)
    enough &= covered > 0
    mean = np.full(len(time), np.nan)
    np.divide(area_after - area_before, covered, out=mean, where=enough)
    return mean


def whole_contractions_s(window_s: float, contraction_rate_hz: float | None) -> float:
    """The shortest whole number of contractions that lasts at least `window_s`, in seconds.

    A mean over whole contractions cancels their ripple; over one and a half it does not. Without
    a rate the window is given back as it is. Convention.
    """
    if contraction_rate_hz is None or not np.isfinite(contraction_rate_hz):
        return window_s
    # A hair of tolerance: 4 s at a measured 0.4999 Hz is two contractions, not three.
    return max(1.0, np.ceil(window_s * contraction_rate_hz - 0.05)) / contraction_rate_hz


# --- cleaning --------------------------------------------------------------------------------


def resolution(value: ArrayLike) -> float:
    """Smallest difference between two different readings: the rounding step of the sensor.

    0 for a trace with fewer than two different readings.
    """
    levels = np.unique(np.asarray(value, dtype=float))
    steps = np.diff(levels[np.isfinite(levels)])
    steps = steps[steps > 1e-6]
    return float(steps.min()) if len(steps) else 0.0


def clean_saturation(
    time_s: ArrayLike,
    smo2_pct: ArrayLike,
    *,
    stuck_s: float = 10.0,
    slip_pct_per_s: float = 10.0,
    dropout_jump_pct: float = 5.0,
    leak_longest_s: float = 30.0,
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
      is a slip, one that comes back within `leak_longest_s` is a light leak.

    Raises ValueError for a time axis that does not rise.
    """
    time, reading = _trace(time_s, smo2_pct)
    reason = np.full(len(time), "", dtype=object)
    reason[~np.isfinite(reading)] = MISSING
    with np.errstate(invalid="ignore"):
        reason[(reading < 0) | (reading > 100)] = OUT_OF_RANGE
    limits = {"slip_pct_per_s": slip_pct_per_s, "dropout_jump_pct": dropout_jump_pct}
    reason[_dropouts(time, reading, reason == "", **limits)] = DROPOUT
    reason[_stuck(time, reading, reason == "", stuck_s=stuck_s)] = STUCK

    usable = np.flatnonzero(reason == "")
    slips, leaks = _steps(time[usable], reading[usable], slip_pct_per_s, leak_longest_s)
    level_segment = np.zeros(len(time), dtype=int)
    for first, last in slips:
        reason[usable[first:last]] = SLIP
        level_segment[usable[first] :] += 1
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
    rows = [
        {
            "start_s": time[first],
            "end_s": time[min(last, len(time) - 1)],
            "n_readings": last - first,
            "reason": reason[first],
        }
        for first, last in _runs(reason)
        if reason[first]
    ]
    return pd.DataFrame(rows, columns=["start_s", "end_s", "n_readings", "reason"])


def levels_comparable(cleaned: pd.DataFrame, start_s: float, end_s: float) -> bool:
    """False when the sensor slipped between two times, so that levels no longer compare."""
    inside = cleaned["time_s"].between(start_s, end_s)
    return cleaned.loc[inside, "level_segment"].nunique() <= 1


def _runs(reading: np.ndarray) -> list[tuple[int, int]]:
    """First and one-past-last index of every run of equal values."""
    if not len(reading):
        return []
    starts = np.concatenate([[0], np.flatnonzero(reading[1:] != reading[:-1]) + 1, [len(reading)]])
    return list(zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True))


def _dropouts(
    time: np.ndarray,
    reading: np.ndarray,
    usable: np.ndarray,
    *,
    slip_pct_per_s: float,
    dropout_jump_pct: float,
) -> np.ndarray:
    """Zeros that the trace jumps into or out of."""
    place = np.flatnonzero(usable)
    dropout = np.zeros(len(time), dtype=bool)
    for first, last in _runs(reading[place] == 0):
        if reading[place[first]] != 0:
            continue
        for inner, outer in ((first, first - 1), (last - 1, last)):
            if 0 <= outer < len(place):
                apart_s = abs(time[place[inner]] - time[place[outer]])
                fastest = max(dropout_jump_pct, slip_pct_per_s * apart_s)
                dropout[place[first:last]] |= reading[place[outer]] > fastest
        if first == 0 and last == len(place):
            dropout[place] = True
    return dropout


def _stuck(
    time: np.ndarray, reading: np.ndarray, usable: np.ndarray, *, stuck_s: float
) -> np.ndarray:
    """Runs of one value that the trace's own noise makes next to impossible."""
    from math import erf, log, sqrt

    place = np.flatnonzero(usable)
    stuck = np.zeros(len(time), dtype=bool)
    if len(place) < 3:
        return stuck
    runs = _runs(reading[place])
    lasts = np.array([time[place[last - 1]] - time[place[first]] for first, last in runs])
    long_run = lasts >= stuck_s
    if not long_run.any():
        return stuck
    elsewhere = np.ones(len(place), dtype=bool)
    for first, last in np.array(runs)[long_run]:
        elsewhere[first:last] = False
    if not elsewhere.any():
        # Nothing else to judge by: a trace that never changes is no recording of a muscle.
        stuck[place] = True
        return stuck
    step = resolution(reading[place])
    noise = _quiet_noise(time[place][elsewhere], reading[place][elsewhere], stuck_s, step)
    # A sensor that updates slower than its file repeats every value: count updates, not rows.
    others = lasts[~long_run]
    update_s = max(sampling_step_s(time), float(np.median(others)) + sampling_step_s(time))
    repeat = erf(step / (2 * sqrt(2) * noise)) if noise > 0 else 1.0
    for (first, last), last_s in zip(runs, lasts, strict=True):
        # A muscle at its floor sits on the lower rail, where rounding hides all noise.
        if last_s < stuck_s or reading[place[first]] == 0:
            continue
        if repeat == 0 or last_s / update_s * log(repeat) < log(1e-6):
            stuck[place[first:last]] = True
    return stuck


def _quiet_noise(time: np.ndarray, reading: np.ndarray, window_s: float, step: float) -> float:
    """Noise of the quieter quarter of a trace, less the most that rounding can add.

    Residuals about straight lines over windows; toggling between two neighbouring rounded values
    has an SD of half a step and proves no noise, so a quarter of the squared step is taken off.
    """
    spread = []
    for start in np.arange(time[0], time[-1], window_s):
        inside = (time >= start) & (time < start + window_s)
        if inside.sum() >= 4:
            centred = time[inside] - time[inside].mean()
            line = np.polynomial.polynomial.polyfit(centred, reading[inside], 1)
            residual = reading[inside] - np.polynomial.polynomial.polyval(centred, line)
            spread.append(float(np.sum(residual**2) / (inside.sum() - 2)))
    if not spread:
        return 0.0
    return float(np.sqrt(max(0.0, np.quantile(spread, 0.25) - step**2 / 4)))


def _steps(
    time: np.ndarray, reading: np.ndarray, slip_pct_per_s: float, leak_longest_s: float
) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    """Steps that stay, and spans between a step and its return, as index ranges."""
    if len(time) < 3:
        return [], []
    places = _steep_places(time, reading, slip_pct_per_s)
    slips: list[tuple[int, int]] = []
    leaks: list[tuple[int, int]] = []
    number = 0
    while number < len(places):
        at, jump = places[number]
        following = places[number + 1] if number + 1 < len(places) else None
        if following and _comes_back(time, reading, (at, jump), following, leak_longest_s):
            leaks.append((at, following[0]))
            number += 2
            continue
        if _stays(time, reading, at, jump):
            slips.append((at, at + 1))
        number += 1
    return slips, leaks


def _steep_places(
    time: np.ndarray, reading: np.ndarray, slip_pct_per_s: float
) -> list[tuple[int, float]]:
    """First reading after every step too fast for muscle and for the ripple around it."""
    before = np.searchsorted(time, time[:-1] - 1.0, side="right")
    here = np.arange(1, len(time))
    after = np.searchsorted(time, time[1:] + 1.0, side="left")
    running = np.concatenate([[0.0], np.cumsum(reading)])
    mean_before = (running[here] - running[before]) / (here - before)
    mean_after = (running[after] - running[here]) / (after - here)
    rough = mean_after - mean_before
    limit = slip_pct_per_s * np.maximum(1.0, np.diff(time))
    height = np.zeros(len(rough))
    for place in np.flatnonzero(np.abs(rough) > limit / 2):
        exact = np.median(reading[here[place] : after[place]])
        exact -= np.median(reading[before[place] : here[place]])
        if abs(exact) <= limit[place]:
            continue
        # Contractions make steps too, again and again: the odd one stands out of its neighbours.
        around = slice(*np.searchsorted(time[1:], time[place] + np.array([-15.0, 15.0])))
        if abs(exact) > 3 * np.median(np.abs(rough[around])):
            height[place] = exact
    steps = []
    for first, last in _runs(np.sign(height)):
        if height[first]:
            peak = first + int(np.argmax(np.abs(height[first:last])))
            steps.append((peak + 1, float(height[peak])))
    return steps


def _comes_back(
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
    if lasts_s > 4.0 and not all(_stays(time, reading, *edge) for edge in (up, down)):
        return False
    outside = (time >= time[begin] - 4.0) & (time < time[end] + 4.0)
    outside[begin:end] = False
    height = np.median(reading[begin:end]) - np.median(reading[outside])
    return bool(height * np.sign(jump) >= 0.7 * abs(jump))


def _stays(time: np.ndarray, reading: np.ndarray, at: int, jump: float) -> bool:
    """Whether four seconds either side differ by most of the step, more than by the trend there."""
    marks = np.searchsorted(time, time[at] + np.array([-8.0, -4.0, 0.0, 4.0, 8.0]))
    levels = [
        np.median(reading[begin:end]) if end > begin else np.nan
        for begin, end in zip(marks[:-1], marks[1:], strict=True)
    ]
    trend, step, later = np.diff(levels) * np.sign(jump)
    steepest = np.nanmax([0.0, trend, later])
    return bool(step - steepest >= 0.7 * abs(jump))


def depth_doubt(
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


# --- levels ----------------------------------------------------------------------------------


def window_mean(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
) -> Estimate:
    """Mean of the trace over a window, with the standard error that its own scatter allows.

    The error counts independent readings, fewer than readings where noise is correlated (lag-1
    autocorrelation of the residuals; convention). Refused when less than `min_usable_share` of
    the window is usable.
    """
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    covered, area = _Stretches(time, reading).until([start_s, end_s])
    mean = float((area[1] - area[0]) / (covered[1] - covered[0]))
    se = _straight_fit(time, reading, start_s, end_s, contraction_rate_hz, order=0).mean_se
    if not np.isfinite(se):
        # No reading inside, only a line between its neighbours: no better known than one of them.
        se = _reading_noise(time, reading, start_s - 60.0, end_s + 60.0)
    return Estimate(mean, se)


def baseline(
    time_s: ArrayLike,
    value: ArrayLike,
    end_s: float,
    *,
    window_s: float,
    min_usable_share: float,
) -> Estimate:
    """Resting level: mean of the last `window_s` (usually 30 to 60 s) before `end_s`. Convention.

    Refused when too little is usable; flagged below 45 or above 85 %, outside the resting values
    of limb muscles in the literature (Jin 2010 Proc SPIE 7559; Appl Sci 2024 14:1307).
    """
    level = window_mean(time_s, value, end_s - window_s, end_s, min_usable_share=min_usable_share)
    if level.usable and not 45 <= level.value <= 85:
        reason = f"resting saturation {level.value:.1f} % is outside the usual 45 to 85 %"
        return replace(level, status="flagged", reason=reason)
    return level


def end_level(
    time_s: ArrayLike,
    value: ArrayLike,
    end_s: float,
    *,
    window_s: float = 5.0,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
) -> Estimate:
    """Level at the end of a set: mean of its last `window_s`, or whole contractions. Convention."""
    length_s = whole_contractions_s(window_s, contraction_rate_hz)
    return window_mean(
        time_s,
        value,
        end_s - length_s,
        end_s,
        min_usable_share=min_usable_share,
        contraction_rate_hz=contraction_rate_hz,
    )


def nadir(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    window_s: float,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
) -> Estimate:
    """Lowest level: minimum of a centred mean (usually of 3 to 5 s) that lies within the window.

    With a contraction rate the mean spans the shortest whole number of contractions of at least
    `window_s`. The raw minimum of a rippling trace lies several points too low, so it is never
    used. Being a minimum, the value still lies about one standard error low on a long plateau.
    Refused when too little of the window is usable. Convention.
    """
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    return _extreme(time, reading, start_s, end_s, window_s, contraction_rate_hz, lowest=True)


def drop(baseline_pct: Estimate, nadir_pct: Estimate) -> Estimate:
    """Fall from the baseline to the nadir, positive, in points of saturation."""
    for name, part in (("baseline", baseline_pct), ("nadir", nadir_pct)):
        if not part.usable:
            return Estimate.refused(f"no {name}: {part.reason}")
    reasons = [part.reason for part in (baseline_pct, nadir_pct) if part.status == "flagged"]
    return Estimate(
        baseline_pct.value - nadir_pct.value,
        float(np.hypot(baseline_pct.se, nadir_pct.se)),
        "flagged" if reasons else "ok",
        "; ".join(reasons),
        nadir_pct.at_s,
    )


def overshoot(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    baseline_pct: Estimate,
    window_s: float,
    min_usable_share: float,
) -> Estimate:
    """Hyperaemic overshoot: highest centred mean after release, less the baseline, in points.

    Flagged when it does not stand out of its error (twice the standard error): an absent overshoot
    after a deep fall is a reason to look at the cuff log. Refused without a baseline or when too
    little is usable. Convention.
    """
    time, reading = _trace(time_s, value)
    if not baseline_pct.usable:
        return Estimate.refused(f"no baseline: {baseline_pct.reason}")
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    peak = _extreme(time, reading, start_s, end_s, window_s, None, lowest=False)
    if not peak.usable:
        return peak
    height = peak.value - baseline_pct.value
    se = float(np.hypot(peak.se, baseline_pct.se))
    if height <= 2 * se:
        return Estimate(height, se, "flagged", "no overshoot above the noise", peak.at_s)
    return Estimate(height, se, at_s=peak.at_s)


def calibrate_to_occlusion(
    value: ArrayLike, *, occlusion_minimum: float, hyperaemia_maximum: float
) -> np.ndarray:
    """Rescale to the range of a full arterial occlusion: 100 (x - min)/(max - min), percent.

    `occlusion_minimum` is the plateau at the end of the occlusion, `hyperaemia_maximum` the peak
    after release. Convention of muscle near-infrared spectroscopy. Raises ValueError when the
    maximum is not above the minimum.
    """
    if not hyperaemia_maximum > occlusion_minimum:
        raise ValueError("the hyperaemia maximum must lie above the occlusion minimum")
    scale = hyperaemia_maximum - occlusion_minimum
    return 100 * (np.asarray(value, dtype=float) - occlusion_minimum) / scale


# --- kinetics of the fall --------------------------------------------------------------------


def desaturation_slope(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    *,
    window_s: float,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
) -> Estimate:
    """Slope of a straight line over the first `window_s` of a set, %/s, negative when falling.

    The window (usually 10 to 20 s) is part of the result and must be stated with it. With a
    contraction rate, that ripple and its first harmonic are fitted beside the line instead of
    tilting it. Refused when too little is usable or fewer than four readings are left over.
    """
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, start_s + window_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    fit = _straight_fit(time, reading, start_s, start_s + window_s, contraction_rate_hz, order=1)
    if not np.isfinite(fit.slope_se):
        return Estimate.refused(f"{fit.n} readings in {window_s:g} s are too few for a slope")
    return Estimate(fit.slope, fit.slope_se)


def time_in_band_s(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    low_pct: float = 0.0,
    high_pct: float = 15.0,
    hysteresis_pct: float,
    min_usable_share: float,
) -> Estimate:
    """Seconds between `low_pct` and `high_pct`, left only once `hysteresis_pct` outside.

    Crossings are interpolated between readings. The error is half the difference between the
    times found with the band widened and narrowed by one SD of the trace's noise. Unusable time
    is not counted: flagged when there is any, refused beyond `min_usable_share`. Convention.
    """
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)

    def seconds(margin_pct: float) -> float:
        low, high = low_pct - margin_pct, high_pct + margin_pct
        return _seconds_in_band(time, reading, start_s, end_s, low, high, hysteresis_pct)

    noise = _reading_noise(time, reading, start_s, end_s)
    estimate = Estimate(seconds(0.0), abs(seconds(noise) - seconds(-noise)) / 2)
    return _flag_if_incomplete(estimate, time, reading, start_s, end_s)


def area_below(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    level_pct: Estimate,
    min_usable_share: float,
) -> Estimate:
    """Area between a level (usually the baseline) and the trace where it lies below, %.s.

    Lines between readings are cut where they cross the level. Unusable time adds nothing: flagged
    when there is any, refused beyond `min_usable_share` or without a level. Convention.
    """
    time, reading = _trace(time_s, value)
    if not level_pct.usable:
        return Estimate.refused(f"no level: {level_pct.reason}")
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    lines = _Stretches(time, reading).within(start_s, end_s)
    first = level_pct.value - lines.first
    last = level_pct.value - lines.last
    deep, shallow = np.maximum(first, last), np.minimum(first, last)
    # A line from below the level to above it leaves a triangle of its lower part.
    part = np.divide(deep, deep - shallow, out=np.ones_like(deep), where=deep > shallow)
    crossing = (deep > 0) & (shallow < 0)
    below_s = np.where(crossing, part * lines.step_s, np.where(shallow >= 0, lines.step_s, 0.0))
    height = np.where(crossing, deep / 2, np.where(shallow >= 0, (deep + shallow) / 2, 0.0))
    noise = _reading_noise(time, reading, start_s, end_s)
    from_noise = noise * np.sqrt(sampling_step_s(time) * below_s.sum())
    se = float(np.hypot(level_pct.se * below_s.sum(), from_noise))
    estimate = Estimate(float(np.sum(height * below_s)), se)
    return _flag_if_incomplete(estimate, time, reading, start_s, end_s)


def reached_band(nadir_pct: ArrayLike, *, low_pct: float, high_pct: float) -> np.ndarray:
    """Whether sets reached a band of saturation: where their nadir (%) lies in it, edges included.

    An unknown nadir reached nothing. The smoothed nadir and not single readings, so that noise of
    the sensor reaches no band. Convention.
    """
    nadir = np.asarray(nadir_pct, dtype=float)
    return (nadir >= low_pct) & (nadir <= high_pct)


def _seconds_in_band(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    low: float,
    high: float,
    hysteresis: float,
) -> float:
    """Time in a band that is entered at its edge and left `hysteresis` beyond it."""
    lines = _Stretches(time, reading).within(start_s, end_s)
    total, inside, reached_s = 0.0, False, -np.inf
    pieces = zip(lines.start_s, lines.step_s, lines.first, lines.last, strict=True)
    for begin_s, step_s, first, last in pieces:
        if begin_s > reached_s + 1e-9 * max(1.0, abs(begin_s)):
            inside = low <= first <= high
        reached_s = begin_s + step_s
        # Edges in the order in which the line meets them.
        edges = (high, high + hysteresis, low, low - hysteresis)
        cuts = [(edge - first) / (last - first) for edge in edges] if last != first else []
        marks = [0.0, *sorted(cut for cut in cuts if 0 < cut < 1), 1.0]
        for begin, finish in zip(marks[:-1], marks[1:], strict=True):
            middle = first + (last - first) * (begin + finish) / 2
            if low <= middle <= high:
                inside = True
            elif middle > high + hysteresis or middle < low - hysteresis:
                inside = False
            total += step_s * (finish - begin) if inside else 0.0
    return float(total)


# --- kinetics of recovery --------------------------------------------------------------------


def half_time(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    nadir_pct: Estimate,
    target_pct: Estimate,
    window_s: float,
    min_usable_share: float,
) -> Estimate:
    """Seconds from `start_s` until the trace is half-way from the nadir up to the target.

    The target is the baseline, or the recovery peak (`peak_level`) where a study chooses that. A
    centred mean of `window_s` finds the first crossing; a straight line through the readings
    around it, a quarter of the half-time either side and at most `window_s`, gives its time and
    error. For an exponential recovery it equals delay + tau ln 2. Preferred to a fitted tau, which
    does not repeat between visits (Research Directs Health Sci 2022: ICC 0.58 against -0.21).

    Refused when the fall does not stand out of the noise, the trace is already half-way at the
    start, half-way is not reached by `end_s`, or the crossing lies in a gap.
    """
    time, reading = _trace(time_s, value)
    for name, part in (("nadir", nadir_pct), ("level to recover to", target_pct)):
        if not part.usable:
            return Estimate.refused(f"no {name}: {part.reason}")
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    fall = target_pct.value - nadir_pct.value
    fall_se = float(np.hypot(nadir_pct.se, target_pct.se))
    if fall <= 3 * fall_se:
        return Estimate.refused(f"a fall of {fall:.1f} points does not stand out of the noise")
    level = nadir_pct.value + fall / 2

    mean = centred_mean(time, reading, max(window_s, 2 * sampling_step_s(time)))
    inside = np.flatnonzero((time >= start_s) & (time <= end_s))
    above = np.flatnonzero(mean[inside] >= level)
    known = np.flatnonzero(np.isfinite(mean[inside]))
    if not len(above):
        return Estimate.refused(f"half-way ({level:.1f} %) was not reached by the window's end")
    if not len(known) or above[0] == known[0]:
        return Estimate.refused(f"already half-way ({level:.1f} %) when recovery began")
    if not np.isfinite(mean[inside[above[0] - 1]]):
        return Estimate.refused("half-way was reached during a gap in the recording")
    after, before = inside[above[0]], inside[above[0] - 1]
    part = (level - mean[before]) / (mean[after] - mean[before])
    first_crossing_s = float(time[before] + part * (time[after] - time[before]))

    crossing = _line_crossing(time, reading, first_crossing_s, start_s, level, window_s)
    se = float(np.hypot(crossing.level_se, fall_se / 2) / crossing.slope)
    flagged = [part.reason for part in (nadir_pct, target_pct) if part.status == "flagged"]
    return Estimate(
        crossing.time_s - start_s,
        se,
        "flagged" if flagged else "ok",
        "; ".join(flagged),
        crossing.time_s,
    )


def peak_level(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    window_s: float,
    min_usable_share: float,
) -> Estimate:
    """Highest centred mean of a window: the level to recover to where a study chooses the peak."""
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    return _extreme(time, reading, start_s, end_s, window_s, None, lowest=False)


def exponential_recovery(
    time_s: ArrayLike,
    value: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    longest_delay_s: float,
    min_r2: float,
    largest_tau_se_share: float,
    min_usable_share: float,
) -> ExponentialRecovery:
    """Fit E - A exp(-(t - delay)/tau), flat until the delay has passed, by least squares.

    Times count from `start_s`. Standard errors come from the curvature at the solution and count
    independent readings only. Refused when the curve explains less than `min_r2`, when tau is not
    known better than `largest_tau_se_share` of itself or reaches the length of the window (the
    plateau was not seen), or when the amplitude does not stand out of its error. Secondary to
    `half_time`; mono-exponential recovery is a convention of the trade.
    """
    time, reading = _trace(time_s, value)
    verdict = _too_little(time, reading, start_s, end_s, min_usable_share)
    inside = (time >= start_s) & (time <= end_s) & np.isfinite(reading)
    if not verdict and inside.sum() < 8:
        verdict = f"{inside.sum()} readings are too few to fit four numbers"
    if not verdict and np.ptp(reading[inside]) == 0:
        verdict = "no rise: every reading is the same"
    if verdict:
        return _refused_recovery(verdict)
    from scipy.optimize import least_squares

    clock, reading = time[inside] - start_s, reading[inside]
    longest_tau_s = end_s - start_s

    def curve(parameters: np.ndarray) -> np.ndarray:
        end, amplitude, delay, tau = parameters
        return end - amplitude * np.exp(-np.maximum(clock - delay, 0.0) / tau)

    shortest_tau_s = min(sampling_step_s(time), longest_tau_s) / 4
    guess = _recovery_guess(clock, reading, longest_delay_s, shortest_tau_s, longest_tau_s)
    fit = least_squares(
        lambda parameters: curve(parameters) - reading,
        guess,
        bounds=([-np.inf, 0.0, 0.0, shortest_tau_s], [np.inf, np.inf, longest_delay_s, np.inf]),
        x_scale=[10.0, 10.0, 1.0, 10.0],
    )
    residual = reading - curve(fit.x)
    r2 = float(1 - np.sum(residual**2) / np.sum((reading - reading.mean()) ** 2))
    covariance = _covariance(fit.jac, residual)
    end_se, amplitude_se, delay_se, tau_se = np.sqrt(np.diag(covariance))
    end, amplitude, delay, tau = (float(number) for number in fit.x)
    if not amplitude > 3 * amplitude_se:
        return _refused_recovery("no rise that stands out of the noise", r2)
    if not tau_se <= largest_tau_se_share * tau:
        return _refused_recovery(f"tau is not identifiable: {tau:.1f} s, error {tau_se:.1f} s", r2)
    if tau >= longest_tau_s - delay:
        reason = f"{longest_tau_s:g} s are too short for a tau of {tau:.1f} s"
        return _refused_recovery(reason, r2)
    if r2 < min_r2:
        return _refused_recovery(f"the curve explains {r2:.2f} of the variance only", r2)
    to_half = np.array([0.0, 0.0, 1.0, np.log(2)])
    return ExponentialRecovery(
        Estimate(end, float(end_se)),
        Estimate(amplitude, float(amplitude_se)),
        Estimate(delay, float(delay_se)),
        Estimate(tau, float(tau_se)),
        Estimate(delay + tau * float(np.log(2)), float(np.sqrt(to_half @ covariance @ to_half))),
        r2,
    )


def _refused_recovery(reason: str, r2: float = float("nan")) -> ExponentialRecovery:
    refusal = Estimate.refused(reason)
    return ExponentialRecovery(refusal, refusal, refusal, refusal, refusal, r2)


def _recovery_guess(
    clock: np.ndarray,
    reading: np.ndarray,
    longest_delay_s: float,
    shortest_tau_s: float,
    longest_tau_s: float,
) -> np.ndarray:
    """Best of a grid of delays and taus; end and amplitude follow by linear regression."""
    delay, tau = np.meshgrid(
        np.linspace(0.0, longest_delay_s, 13),
        np.geomspace(max(longest_tau_s / 50, 1.01 * shortest_tau_s), longest_tau_s, 20),
    )
    delay, tau = delay.ravel()[:, None], tau.ravel()[:, None]
    shape = np.exp(-np.maximum(clock - delay, 0.0) / tau)
    centred = shape - shape.mean(axis=1, keepdims=True)
    explained = centred @ (reading - reading.mean())
    spread = np.maximum(np.sum(centred**2, axis=1), 1e-12)
    amplitude = -explained / spread
    score = np.where(amplitude > 0, explained**2 / spread, -np.inf)
    best = int(np.argmax(score))
    height = max(float(amplitude[best]), 1e-3)
    end = float(reading.mean() + height * shape[best].mean())
    inner_delay = np.clip(delay[best, 0], 1e-3 * longest_delay_s, 0.999 * longest_delay_s)
    return np.array([end, height, inner_delay, tau[best, 0]])


def _covariance(jacobian: np.ndarray, residual: np.ndarray) -> np.ndarray:
    """Covariance of least-squares parameters, widened for correlated residuals."""
    freedom = max(1, len(residual) - jacobian.shape[1])
    variance = np.sum(residual**2) / freedom * _correlation_factor(residual)
    return np.linalg.pinv(jacobian.T @ jacobian) * variance


# --- what all of them need -------------------------------------------------------------------


@dataclass(frozen=True)
class _Line:
    """A straight line through a window, with errors at the middle of its readings."""

    n: int
    middle_s: float
    level: float
    mean_se: float
    slope: float
    slope_se: float
    residual_sd: float


def _too_little(
    time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float, min_usable_share: float
) -> str:
    """Why a window cannot be used, or nothing."""
    if not end_s > start_s:
        return "the window is empty"
    share = usable_share(time, reading, start_s, end_s)
    # Windows that end with the trace lack up to one sampling step, which is no gap.
    share += min(1.0, sampling_step_s(time) / (end_s - start_s)) if share > 0 else 0.0
    if share < min_usable_share:
        needed = f"{100 * min_usable_share:g} % needed"
        return f"{100 * min(share, 1.0):.0f} % of the window is usable, {needed}"
    return ""


def _flag_if_incomplete(
    estimate: Estimate, time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float
) -> Estimate:
    """Sums over time are short by what was not recorded: say so."""
    lost_s = (1 - usable_share(time, reading, start_s, end_s)) * (end_s - start_s)
    if lost_s > sampling_step_s(time) * (1 + 1e-9):
        reason = f"{lost_s:.1f} s of the window are unusable and not counted"
        return replace(estimate, status="flagged", reason=reason)
    return estimate


def _correlation_factor(residual: np.ndarray) -> float:
    """Readings per independent reading, (1 + r)/(1 - r) of the lag-1 autocorrelation r >= 0."""
    power = float(np.sum(residual**2))
    if len(residual) < 4 or power == 0:
        return 1.0
    lag = float(np.sum(residual[1:] * residual[:-1])) / power
    lag = min(max(lag, 0.0), 0.98)
    return (1 + lag) / (1 - lag)


def _reading_noise(time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float) -> float:
    """SD of a single reading from second differences, blind to slopes, at least the rounding."""
    inside = reading[(time >= start_s) & (time <= end_s)]
    second = np.diff(inside, 2)
    second = second[np.isfinite(second)]
    noise = 1.4826 * float(np.median(np.abs(second))) / np.sqrt(6) if len(second) else 0.0
    return float(np.hypot(noise, resolution(reading) / np.sqrt(12)))


def _straight_fit(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    contraction_rate_hz: float | None,
    *,
    order: int,
) -> _Line:
    """Least-squares polynomial over a window beside the contraction ripple, with honest errors."""
    inside = (time >= start_s) & (time <= end_s) & np.isfinite(reading)
    clock, level = time[inside], reading[inside]
    n = len(clock)
    if n < order + 1:
        nothing = float("nan")
        return _Line(n, nothing, nothing, nothing, nothing, nothing, nothing)
    middle = float(clock.mean())
    clock = clock - middle
    columns = [clock**power for power in range(order + 1)]
    # A sine needs more than two readings per cycle, and readings to spare for the error.
    fastest_hz = 0.4 / sampling_step_s(time)
    for harmonic in (1, 2):
        rate_hz = harmonic * (contraction_rate_hz or 0.0)
        if 1 / (end_s - start_s) <= rate_hz <= fastest_hz and n >= len(columns) + 5:
            columns += [np.cos(2 * np.pi * rate_hz * clock), np.sin(2 * np.pi * rate_hz * clock)]
    design = np.column_stack(columns)
    weight, *_ = np.linalg.lstsq(design, level, rcond=None)
    residual = level - design @ weight
    freedom = n - len(columns)
    if freedom >= 2:
        spread = float(np.sqrt(np.sum(residual**2) / freedom))
    else:
        spread = _reading_noise(time, reading, start_s - 60.0, end_s + 60.0)
    factor = _correlation_factor(residual)
    rounding = resolution(reading) / np.sqrt(12)
    mean_se = spread * np.sqrt(factor / n)
    # Without noise to dither it, rounding does not average out.
    if spread < 2 * rounding:
        mean_se = max(mean_se, rounding)
    slope_se = float("nan")
    if order >= 1 and freedom >= 2:
        unscaled = np.linalg.pinv(design.T @ design)
        slope_se = float(max(spread, rounding) * np.sqrt(factor * unscaled[1, 1]))
    return _Line(
        n,
        middle,
        float(weight[0]),
        float(mean_se),
        float(weight[1]) if order else 0.0,
        slope_se,
        spread,
    )


def _extreme(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    window_s: float,
    contraction_rate_hz: float | None,
    *,
    lowest: bool,
) -> Estimate:
    """Lowest or highest centred mean that lies within a window, and where."""
    length_s = whole_contractions_s(window_s, contraction_rate_hz)
    mean = centred_mean(time, reading, length_s)
    # Beyond the limits of a set its last contraction has no counterpart to cancel it.
    first_s, last_s = start_s + length_s / 2 - 1e-9, end_s - length_s / 2 + 1e-9
    mean = np.where((time >= first_s) & (time <= last_s), mean, np.nan)
    if not np.isfinite(mean).any():
        return Estimate.refused(f"no {length_s:g} s of the window are free of gaps")
    at = int(np.nanargmin(mean) if lowest else np.nanargmax(mean))
    around = _straight_fit(
        time, reading, time[at] - length_s, time[at] + length_s, contraction_rate_hz, order=2
    )
    # The fit spans two windows, the mean one.
    se = around.mean_se * float(np.sqrt(2))
    if not np.isfinite(se):
        # Too few readings for a parabola: no better known than a single one.
        se = _reading_noise(time, reading, start_s, end_s)
    return Estimate(float(mean[at]), se, at_s=float(time[at]))


@dataclass(frozen=True)
class _Crossing:
    time_s: float
    slope: float
    level_se: float


def _line_crossing(
    time: np.ndarray,
    reading: np.ndarray,
    first_s: float,
    start_s: float,
    level: float,
    window_s: float,
) -> _Crossing:
    """Where a line through the readings around a first crossing meets the level."""
    step_s = sampling_step_s(time)
    reach_s = max(2 * step_s, min(window_s, (first_s - start_s) / 4))
    line = _straight_fit(time, reading, first_s - reach_s, first_s + reach_s, None, order=1)
    if line.slope > 0:
        at_s = line.middle_s + (level - line.level) / line.slope
        if abs(at_s - first_s) <= reach_s:
            return _Crossing(float(at_s), line.slope, line.mean_se)
    # Too few or too noisy readings for a line: keep the first crossing, wide errors follow.
    slope = max(line.slope, line.mean_se / reach_s, 1e-6)
    return _Crossing(first_s, slope, line.mean_se)
