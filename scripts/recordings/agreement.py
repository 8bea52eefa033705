"""Whether recordings of two recorders agree about the time, where sync marks do not say it.

Two checks, which correct nothing. Heart rate of two recorders of one visit: the shift at which they
correlate best. Saturation with cuff pressure: saturation is expected to follow the pressure
downwards as an exponential of 25 s; sensors of one file count together. On the demo study, in which
every clock is known, the second is wrong by 1 to 12 s with time constants of 15 to 50 s, which is
why it tells no more than half a minute. Conventions of this project; cross-correlation is common
practice.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from recordings.clock import Clock
from recordings.recording import FloatArray
from recordings.session_clock import on_session_clock

FARTHEST_S = 300.0

# what is resampled to this step is bridged over gaps as long as this
STEP_S, LONGEST_GAP_S = 0.5, 10.0

SHORTEST_OVERLAP_S = 120.0

# another shift, farther away than this, must agree less by this much, or none is told
APART_S, CLEARLY = 30.0, 0.05

SMOOTHED_S = 5.0
FOLLOWS_WITHIN_S = 25.0

# pressures that differ by less are a cuff that was never inflated
LEAST_PRESSURE_MMHG = 10.0

# how a disagreement begins, as any caution of a clock does
DISAGREES = "flagged: "


class Method(NamedTuple):
    """What two recordings are compared by, how well it tells (s), and the least correlation."""

    says: str
    tells_s: float
    least_r: float


HEART_RATE = Method("its heart rate agrees best with that of", 2.0, 0.8)
SATURATION = Method("saturation follows the cuff pressure of", 30.0, 0.6)


class Agreement(NamedTuple):
    """The shift (s, later is positive) of a recording at which it agrees best, with correlations
    there and as placed."""

    shift_s: float
    r: float
    r_as_placed: float


def checked_clocks(read):
    """What comparison with another recorder says of recordings without two sync marks.

    `read`: all recordings of a person, as of `read_person`. Gives a sentence by row number; a
    recording that can be compared with none, or by nothing that repeats clearly, has none.
    """
    told = {}
    for session in sorted({timed.row.session_id for timed in read}):
        of_session = [timed for timed in read if timed.row.session_id == session]
        for method, first, second in _pairs(of_session):
            ranked = sorted((first, second), key=lambda group: group[0].clock.n_marks)
            checked, reference = ranked
            if checked[0].clock.n_marks >= 2 or checked[0].row.file == reference[0].row.file:
                continue
            course, beside = _course(checked), _course(reference)
            if course is None or beside is None:
                continue
            agreed = agreement(*beside, *course)
            if agreed is None or agreed.r < method.least_r:
                continue
            said = sentence(agreed, method, reference[0].row.file, checked[0].clock)
            told |= {timed.row.row_number: said for timed in checked}
    return told


def _pairs(of_session):
    """Recordings of a session that can be compared, by method: groups of rows of one file each."""
    groups = {}
    for timed in of_session:
        groups.setdefault((timed.row.signal, timed.row.file), []).append(timed)

    def of(*signals):
        return [group for (signal, _), group in groups.items() if signal in signals]

    heart = of("ecg", "rr")
    for number, first in enumerate(heart):
        # files of one signal and sensor are its pieces, joined on the session clock
        of_other_sensors = [
            second for second in heart[number + 1 :] if _sensor(first) != _sensor(second)
        ]
        yield from ((HEART_RATE, first, second) for second in of_other_sensors)
    for cuff in of("cuff_pressure"):
        yield from ((SATURATION, cuff, muscle) for muscle in of("muscle_oxygen"))


def _sensor(group):
    row = group[0].row
    return row.signal, row.site, row.side, row.position


def sentence(agreed, method, file, clock: Clock):
    """An agreement in words: a caution where it is farther off than the method tells."""
    placed = {"stated offset": f"stated offset {clock.offset_s:g} s"}
    placed = placed.get(clock.placed_by, f"placed by {clock.placed_by}")
    if abs(agreed.shift_s) <= method.tells_s or agreed.r - agreed.r_as_placed < CLEARLY:
        return (
            f"compared: {method.says} {file} {agreed.shift_s:+.1f} s from where it is (r "
            f"{agreed.r:.2f}), within the {method.tells_s:g} s that this tells"
        )
    as_placed = f"{agreed.r_as_placed:.2f}"
    if np.isnan(agreed.r_as_placed):
        as_placed = "none, for want of a common stretch as placed"
    return (
        f"{DISAGREES}{placed}, but {method.says} {file} {agreed.shift_s:+.1f} s from there (r "
        f"{agreed.r:.2f} instead of {as_placed}), see which clock is right"
    )


def agreement(reference_s, reference, time_s, course):
    """Shift at which one evenly sampled course correlates best with another.

    Times in s every STEP_S; values may be not a number. None where they overlap too little, or
    where two shifts agree about as well. Within STEP_S the peak is that of a parabola.
    """
    shifts = np.arange(-round(FARTHEST_S / STEP_S), round(FARTHEST_S / STEP_S) + 1)
    lead = round((time_s[0] - reference_s[0]) / STEP_S)
    r = np.array([_correlation(reference, course, lead + shift) for shift in shifts])
    if not np.isfinite(r).any():
        return None
    best = int(np.nanargmax(r))
    elsewhere = r[np.abs(shifts - shifts[best]) * STEP_S > APART_S]
    if np.isfinite(elsewhere).any() and r[best] - np.nanmax(elsewhere) < CLEARLY:
        return None
    finer = 0.0
    if 0 < best < len(r) - 1 and np.isfinite(r[best - 1 : best + 2]).all():
        before, at, after = r[best - 1 : best + 2]
        finer = 0.5 * (before - after) / (before - 2 * at + after)
    as_placed = float(r[len(shifts) // 2])
    return Agreement(float((shifts[best] + finer) * STEP_S), float(r[best]), as_placed)


def _correlation(reference, course, lead):
    """Pearson correlation with the second course beginning `lead` steps behind the first."""
    first, last = max(0, lead), min(len(reference), lead + len(course))
    if (last - first) * STEP_S < SHORTEST_OVERLAP_S:
        return np.nan
    a, b = reference[first:last], course[first - lead : last - lead]
    known = np.isfinite(a) & np.isfinite(b)
    if known.sum() * STEP_S < SHORTEST_OVERLAP_S:
        return np.nan
    a, b = a[known] - a[known].mean(), b[known] - b[known].mean()
    size = np.sqrt(np.sum(a**2) * np.sum(b**2))
    return float(np.sum(a * b) / size) if size > 0 else np.nan


def _course(group):
    """What is compared of the recordings of one file: times every STEP_S, and values; or None."""
    signal = group[0].row.signal
    traces = [_trace(timed) for timed in group]
    if signal in ("ecg", "rr"):
        return even(*heart_rate(signal, *traces[0]))
    if signal == "cuff_pressure":
        course = even(*traces[0])
        if course is None or np.nanstd(course[1]) < LEAST_PRESSURE_MMHG:
            return None
        return course[0], expected_saturation(course[1])
    courses = [course for course in (even(*trace) for trace in traces) if course is not None]
    if not courses:
        return None
    n = min(len(time_s) for time_s, _ in courses)
    scaled = [(level[:n] - np.nanmean(level)) / (np.nanstd(level) or 1.0) for _, level in courses]
    return courses[0][0][:n], np.mean(scaled, axis=0)


def _trace(timed):
    stretches = list(on_session_clock(timed.row, timed.recording, timed.clock))
    return tuple(np.concatenate([getattr(s, k) for s in stretches]) for k in ("time_s", "value"))


def heart_rate(signal, time_s: FloatArray, samples: FloatArray):
    """Times (s) and heart rate (beats/min) of beat intervals in ms, or of an ECG in mV."""
    interval_ms = samples
    if signal == "ecg":
        from heart.detection.detector import detect_beats

        time_s = detect_beats(time_s, samples)["time_s"].to_numpy()
        interval_ms = np.append(np.nan, 1000 * np.diff(time_s))
    heartlike = (interval_ms > 250) & (interval_ms < 2500)
    return time_s[heartlike], 60000 / interval_ms[heartlike]


def even(time_s: FloatArray, samples: FloatArray):
    """A course every STEP_S, smoothed; not a number in long gaps. None where it is too short."""
    known = np.isfinite(samples)
    time_s, samples = time_s[known], samples[known]
    if len(time_s) < 2 or time_s[-1] - time_s[0] < SHORTEST_OVERLAP_S:
        return None
    at_s = np.arange(np.ceil(time_s[0] / STEP_S), np.floor(time_s[-1] / STEP_S) + 1) * STEP_S
    course = np.interp(at_s, time_s, samples)
    n = round(SMOOTHED_S / STEP_S) | 1
    course = np.convolve(np.pad(course, n // 2, mode="edge"), np.full(n, 1 / n), "valid")
    after = np.searchsorted(time_s, at_s).clip(1, len(time_s) - 1)
    course[time_s[after] - time_s[after - 1] > LONGEST_GAP_S] = np.nan
    return at_s, course


def expected_saturation(cuff_mmhg: FloatArray):
    """Course of a saturation that follows a cuff pressure, upside down, as an exponential."""
    share = 1 - np.exp(-STEP_S / FOLLOWS_WITHIN_S)
    followed, now = np.empty_like(cuff_mmhg), np.nan_to_num(cuff_mmhg[0])
    for number, pressure in enumerate(np.nan_to_num(cuff_mmhg)):
        now += share * (pressure - now)
        followed[number] = now
    return -followed
