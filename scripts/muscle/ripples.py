"""Stretches in which contractions ripple saturation."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from muscle.contractions import (
    FALSE_ALARM,
    Cadences,
    Contractions,
    find_contractions,
    local_ripple,
    means_in_bins,
    ripple_chance,
)
from recordings.time_axis import sampling_step_s, unalterable, usable_readings

# SD of a limit of which nothing is known
FREE_S = 1000.0

RIPPLE_COLUMNS = ["start_s", "start_se_s", "end_s", "end_se_s", "rate_hz", "amplitude_pct"]


def find_ripples(
    time_s: ArrayLike,
    readings: ArrayLike,
    cadences: Cadences,
    *,
    window_s: float,
    likely_sets: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Stretches in which contractions ripple saturation, each with its limits and their errors.

    Windows of `window_s` are tested for a ripple (a chance by noise below FALSE_ALARM), neighbours
    joined, and the limits placed where the ripple begins and ends. `likely_sets` (start_s,
    start_se_s, end_s, end_se_s) are those that the course shows: a ripple within one begins and
    ends near its limits, which weigh with the ripple after their errors, unless no ripple reaches a
    limit. Gives start_s, start_se_s, end_s, end_se_s, rate_hz, amplitude_pct; empty where sampling
    is too slow to see contractions.
    """
    time, reading = usable_readings(time_s, readings)
    if len(time) < 8:
        return pd.DataFrame(columns=RIPPLE_COLUMNS, dtype=float)
    if sampling_step_s(time) < 1 / (5 * cadences.fastest_hz):
        time, reading = means_in_bins(time, reading, 1 / (5 * cadences.fastest_hz))
    time, reading = unalterable(time), unalterable(reading)
    hop_s = window_s / 10
    middle = np.arange(time[0] + window_s / 2, time[-1] - window_s / 2, hop_s)
    chance = ripple_chance(time, reading, middle, cadences, window_s=window_s)
    rippling = chance < FALSE_ALARM
    ripples = []
    for likely in likely_sets.itertuples() if likely_sets is not None else ():
        inside = (middle >= likely.start_s) & (middle <= likely.end_s)
        seen_s = middle[inside & rippling]
        if len(seen_s):
            start, end = (likely.start_s, likely.start_se_s), (likely.end_s, likely.end_se_s)
            ripples.append(_limits_beside_course(time, reading, start, end, seen_s, cadences))
            near = (middle > likely.start_s - window_s / 2) & (middle < likely.end_s + window_s / 2)
            rippling &= ~near
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rippling.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        free = ((middle[first], FREE_S), (middle[last - 1], FREE_S))
        ripples.append(_settled_limits(time, reading, *free, cadences))
    ripples = sorted(filter(None, ripples), key=lambda ripple: ripple["start_s"])
    apart = [
        ripple
        for number, ripple in enumerate(ripples)
        if all(ripple["start_s"] >= earlier["end_s"] for earlier in ripples[:number])
    ]
    return pd.DataFrame(apart, columns=RIPPLE_COLUMNS, dtype=float)


def _limits_beside_course(
    time: np.ndarray,
    reading: np.ndarray,
    start: tuple[float, float],
    end: tuple[float, float],
    seen_s: np.ndarray,
    cadences: Cadences,
) -> dict[str, float] | None:
    """Limits of a ripple near those of the course, free where the ripple says otherwise.

    That is where no ripple reaches a limit, because a cuff lowered saturation before the set or
    held it low after, and where the ripple runs on beyond it.
    """
    near_course = _settled_limits(time, reading, start, end, cadences)
    if near_course is None:
        return None
    lasts_s = 3 / near_course["rate_hz"]
    tested = [
        (near_course["start_s"], near_course["start_s"] - lasts_s),
        (near_course["end_s"] - lasts_s, near_course["end_s"]),
    ]
    free = [
        _ripple_between(time, reading, near_course, inside_s, inside_s + lasts_s, unknown=np.inf)
        < near_course["amplitude_pct"] / 4
        or _ripple_between(time, reading, near_course, outside_s, outside_s + lasts_s, unknown=0.0)
        > 0.75 * near_course["amplitude_pct"]
        for inside_s, outside_s in tested
    ]
    if not any(free):
        return near_course
    start = (float(seen_s[0]), FREE_S) if free[0] else start
    end = (float(seen_s[-1]), FREE_S) if free[1] else end
    free_ripple = _settled_limits(time, reading, start, end, cadences)
    if free_ripple is None:
        return near_course
    # Noise can hide a ripple for a while: only what it tells sharply overrules the course, and
    # that it runs when the recording begins or ends.
    beyond = (
        free_ripple["start_s"] < time[0] + 1 / free_ripple["rate_hz"],
        free_ripple["end_s"] > time[-1] - 1 / free_ripple["rate_hz"],
    )
    sharp = all(
        free_ripple[f"{limit}_se_s"] <= 1.0 or runs
        for limit, is_free, runs in zip(("start", "end"), free, beyond, strict=True)
        if is_free
    )
    return free_ripple if sharp else near_course


def _ripple_between(
    time: np.ndarray,
    reading: np.ndarray,
    ripple_seen: dict[str, float],
    start_s: float,
    end_s: float,
    *,
    unknown: float,
) -> float:
    """Median amplitude of a ripple from one moment to another, `unknown` where none can be told."""
    period_s = 1 / ripple_seen["rate_hz"]
    moment = np.arange(start_s + period_s, end_s - period_s + 1e-9, period_s / 4)
    reach_s = max(1.5 * period_s, 3.5 * sampling_step_s(time))
    ripple = local_ripple(time, reading, moment, rate_hz=ripple_seen["rate_hz"], reach_s=reach_s)
    known = ripple.amplitude_pct[np.isfinite(ripple.amplitude_pct)]
    return float(np.median(known)) if len(known) else unknown


def _settled_limits(
    time: np.ndarray,
    reading: np.ndarray,
    start: tuple[float, float],
    end: tuple[float, float],
    cadences: Cadences,
) -> dict[str, float] | None:
    """Limits of a ripple from moments and their errors; a limit of which nothing is known (FREE_S)
    is followed outwards until it no longer moves."""
    (start_s, start_se_s), (end_s, end_se_s) = start, end
    contractions = None
    for _ in range(8):
        if end_s - start_s < 2 / cadences.fastest_hz:
            return None
        contractions = find_contractions(
            time,
            reading,
            start_s,
            end_s,
            cadences,
            limits_error_s=(start_se_s, end_se_s),
            min_usable_share=0.5,
        )
        if not contractions.count.usable:
            return None
        before_s, after_s = start_s, end_s
        start_s = contractions.onset_s if start_se_s == FREE_S else start_s
        end_s = contractions.offset_s if end_se_s == FREE_S else end_s
        moved = max(abs(start_s - before_s), abs(end_s - after_s))
        if moved < 0.25 / contractions.rate_hz.value:
            break
    uneven_s = _uneven_cadence_s(contractions)
    return {
        "start_s": contractions.onset_s,
        "start_se_s": float(np.hypot(contractions.onset_se_s, uneven_s)),
        "end_s": contractions.offset_s,
        "end_se_s": float(np.hypot(contractions.offset_se_s, uneven_s)),
        "rate_hz": contractions.rate_hz.value,
        "amplitude_pct": contractions.amplitude_pct.value,
    }


def _uneven_cadence_s(contractions: Contractions) -> float:
    """SD of the length of a contraction: the ripple is carried on to its limits at one cadence.

    Each rate of the course averages about three contractions, whose own SD is sqrt(3) larger.
    """
    rate_hz = contractions.course["rate_hz"].to_numpy()
    return float(np.sqrt(3) * rate_hz.std() / rate_hz.mean() / contractions.rate_hz.value)
