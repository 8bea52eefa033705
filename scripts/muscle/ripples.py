"""Stretches in which contractions ripple saturation."""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from muscle.contractions import binned, find_contractions, local_ripple, ripple_chance
from recordings.time_axis import sampling_step_s, usable_readings

# SD of a limit of which nothing is known
FREE_S = 1000.0

RIPPLE_COLUMNS = ["start_s", "start_se_s", "end_s", "end_se_s", "rate_hz", "amplitude_pct"]


def find_ripples(
    time_s: ArrayLike,
    value: ArrayLike,
    *,
    slowest_hz: float,
    fastest_hz: float,
    min_samples_per_contraction: float,
    window_s: float,
    likely_sets: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Stretches in which contractions ripple saturation, each with its limits and their errors.

    Windows of `window_s` are tested for a ripple (chance by noise below 0.001), neighbours joined,
    and the limits placed where the ripple begins and ends. `likely_sets` (start_s, start_se_s,
    end_s, end_se_s) are those that the course shows: a ripple within one begins and ends near its
    limits, which weigh with the ripple after their errors, unless no ripple reaches a limit. Gives
    start_s, start_se_s, end_s, end_se_s, rate_hz, amplitude_pct; empty where sampling is too slow
    to see contractions.
    """
    time, reading = usable_readings(time_s, value)
    if len(time) < 8:
        return pd.DataFrame(columns=RIPPLE_COLUMNS, dtype=float)
    if sampling_step_s(time) < 1 / (5 * fastest_hz):
        time, reading = binned(time, reading, 1 / (5 * fastest_hz))
    hop_s = window_s / 10
    middle = np.arange(time[0] + window_s / 2, time[-1] - window_s / 2, hop_s)
    limits = {
        "slowest_hz": slowest_hz,
        "fastest_hz": fastest_hz,
        "min_samples_per_contraction": min_samples_per_contraction,
    }
    rippling = ripple_chance(time, reading, middle, window_s=window_s, **limits) < 0.001
    found = []
    for one in likely_sets.itertuples() if likely_sets is not None else ():
        inside = (middle >= one.start_s) & (middle <= one.end_s)
        seen_s = middle[inside & rippling]
        if len(seen_s):
            start, end = (one.start_s, one.start_se_s), (one.end_s, one.end_se_s)
            found.append(_in_course(time, reading, start, end, seen_s, limits))
            near = (middle > one.start_s - window_s / 2) & (middle < one.end_s + window_s / 2)
            rippling &= ~near
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rippling.astype(int), [0]])))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        free = ((middle[first], FREE_S), (middle[last - 1], FREE_S))
        found.append(_settle(time, reading, *free, limits))
    rows = sorted((one for one in found if one is not None), key=lambda one: one["start_s"])
    apart = [
        one
        for number, one in enumerate(rows)
        if all(one["start_s"] >= other["end_s"] for other in rows[:number])
    ]
    return pd.DataFrame(apart, columns=RIPPLE_COLUMNS, dtype=float)


def _in_course(
    time: np.ndarray,
    reading: np.ndarray,
    start: tuple[float, float],
    end: tuple[float, float],
    seen_s: np.ndarray,
    limits: dict,
) -> dict[str, float] | None:
    """Limits of a ripple near those of the course, free where the ripple says otherwise.

    That is where no ripple reaches a limit, because a cuff lowered saturation before the set or
    held it low after, and where the ripple runs on beyond it.
    """
    found = _settle(time, reading, start, end, limits)
    if found is None:
        return None
    lasts_s = 3 / found["rate_hz"]
    held = [
        (found["start_s"], found["start_s"] - lasts_s),
        (found["end_s"] - lasts_s, found["end_s"]),
    ]
    free = [
        _ripple_between(time, reading, found, inside_s, inside_s + lasts_s, unknown=np.inf)
        < found["amplitude_pct"] / 4
        or _ripple_between(time, reading, found, outside_s, outside_s + lasts_s, unknown=0.0)
        > 0.75 * found["amplitude_pct"]
        for inside_s, outside_s in held
    ]
    if not any(free):
        return found
    start = (float(seen_s[0]), FREE_S) if free[0] else start
    end = (float(seen_s[-1]), FREE_S) if free[1] else end
    other = _settle(time, reading, start, end, limits)
    if other is None:
        return found
    # Noise can hide a ripple for a while: only what it tells sharply overrules the course, and
    # that it runs when the recording begins or ends.
    beyond = (
        other["start_s"] < time[0] + 1 / other["rate_hz"],
        other["end_s"] > time[-1] - 1 / other["rate_hz"],
    )
    sharp = all(
        other[f"{limit}_se_s"] <= 1.0 or runs
        for limit, is_free, runs in zip(("start", "end"), free, beyond, strict=True)
        if is_free
    )
    return other if sharp else found


def _ripple_between(
    time: np.ndarray,
    reading: np.ndarray,
    found: dict[str, float],
    start_s: float,
    end_s: float,
    *,
    unknown: float,
) -> float:
    """Median amplitude of a ripple from one moment to another, `unknown` where none can be told."""
    period_s = 1 / found["rate_hz"]
    moment = np.arange(start_s + period_s, end_s - period_s + 1e-9, period_s / 4)
    reach_s = max(1.5 * period_s, 3.5 * sampling_step_s(time))
    ripple = local_ripple(time, reading, moment, rate_hz=found["rate_hz"], reach_s=reach_s)
    known = ripple.amplitude_pct[np.isfinite(ripple.amplitude_pct)]
    return float(np.median(known)) if len(known) else unknown


def _settle(
    time: np.ndarray,
    reading: np.ndarray,
    start: tuple[float, float],
    end: tuple[float, float],
    limits: dict,
) -> dict[str, float] | None:
    """Limits of a ripple from moments and their errors; a limit of which nothing is known (FREE_S)
    is followed outwards until it no longer moves."""
    (start_s, start_se_s), (end_s, end_se_s) = start, end
    found = None
    for _ in range(8):
        if end_s - start_s < 2 / limits["fastest_hz"]:
            return None
        found = find_contractions(
            time,
            reading,
            start_s,
            end_s,
            limits_error_s=(start_se_s, end_se_s),
            min_usable_share=0.5,
            **limits,
        )
        if not found.count.usable:
            return None
        before_s, after_s = start_s, end_s
        start_s = found.onset_s if start_se_s == FREE_S else start_s
        end_s = found.offset_s if end_se_s == FREE_S else end_s
        moved = max(abs(start_s - before_s), abs(end_s - after_s))
        if moved < 0.25 / found.rate_hz.value:
            break
    return {
        "start_s": found.onset_s,
        "start_se_s": found.onset_se_s,
        "end_s": found.offset_s,
        "end_se_s": found.offset_se_s,
        "rate_hz": found.rate_hz.value,
        "amplitude_pct": found.amplitude_pct.value,
    }
