"""Cuff pressure as recorded: when cuffs were inflated, and whether they held what was planned.

Every function takes a time axis in seconds and pressures in mmHg. What is planned may be unknown
(NaN); unknown is never read as no cuff. Conventions of this project where no source is named.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from recordings.time_axis import centred_mean, sampling_step_s, usable_readings

INFLATION_COLUMNS = ["start_s", "end_s", "pressure_mmhg"]

# SD with which a straight line meets the beginning of a ramp; in simulated ramps
UNEVEN_RAMP_S = 0.05


def find_inflations(
    time_s: ArrayLike, pressure_mmhg: ArrayLike, *, inflated_mmhg: float, shortest_s: float
) -> pd.DataFrame:
    """Spans in which a cuff holds more than `inflated_mmhg`: start_s, end_s, pressure_mmhg.

    A span begins where the pressure leaves the level before it and ends where it leaves the level
    that was held, as a session sheet notes them. Spans shorter than `shortest_s` are
    left out; `pressure_mmhg` is the median. A limit at either end of the recording is NaN: the cuff
    was inflated before it, or still is. Convention.
    """
    time, pressure = usable_readings(time_s, pressure_mmhg)
    high = pressure > inflated_mmhg
    edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(int), [0]])))
    inflations = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if time[last - 1] - time[first] >= shortest_s:
            held = float(np.median(pressure[first:last]))
            inflations.append(
                {
                    "start_s": _left_level_s(time, pressure, first, held),
                    "end_s": _left_level_s(time, pressure, last, 0.0),
                    "pressure_mmhg": held,
                }
            )
    return pd.DataFrame(inflations, columns=INFLATION_COLUMNS, dtype=float)


def propose_cuff_boundaries(
    time_s: ArrayLike, pressure_mmhg: ArrayLike, *, inflated_mmhg: float, shortest_s: float
) -> pd.DataFrame:
    """Where a cuff was inflated and released: time_s, boundary (`cuff_on`, `cuff_off`), se_s,
    confidence (chance of lying within 1 s) and source (`pressure`), in order of time.

    The error is that of a moment between two readings and of a ramp that is not straight. See
    `find_inflations`.
    """
    from recordings.boundaries import PROPOSAL_COLUMNS, within_a_second

    se_s = float(np.hypot(sampling_step_s(time_s) / np.sqrt(12), UNEVEN_RAMP_S))
    inflations = find_inflations(
        time_s, pressure_mmhg, inflated_mmhg=inflated_mmhg, shortest_s=shortest_s
    )
    proposals = [
        (at_s, boundary, se_s, within_a_second(se_s), "pressure")
        for boundary, column in (("cuff_on", "start_s"), ("cuff_off", "end_s"))
        for at_s in inflations[column].dropna()
    ]
    return pd.DataFrame(sorted(proposals), columns=PROPOSAL_COLUMNS)


def held_pressure(
    time_s: ArrayLike, pressure_mmhg: ArrayLike, *, smooth_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Times in s and pressures in mmHg averaged over `smooth_s`, so that contractions do not count.

    Only where at least half of the window was recorded.
    """
    time, pressure = usable_readings(time_s, pressure_mmhg)
    smooth = centred_mean(time, pressure, smooth_s, min_usable_share=0.5)
    known = np.isfinite(smooth)
    return time[known], smooth[known]


class PressureLimits(NamedTuple):
    """How far a pressure may lie from plan, from where a cuff counts as inflated (both mmHg), and
    for how long a span settles at either end (s)."""

    tolerance_mmhg: float
    inflated_mmhg: float
    settle_s: float


def check_cuff_pressure(
    held: tuple[np.ndarray, np.ndarray],
    begin_s: float,
    duration_s: float,
    planned_mmhg: float,
    limits: PressureLimits,
) -> dict:
    """Recorded cuff pressure of one span against its plan.

    `planned_mmhg` is 0 where there shall be no cuff and NaN where the plan is unknown. The
    pressure, as `held_pressure` gives it, is read from `settle_s` after the begin to as long before
    the end. Gives actual_mmhg (median), lowest_mmhg, highest_mmhg, leak_from_s (session time from
    which it stayed more than the tolerance below plan, NaN if never), status (`ok`, `flagged`,
    `missing` where nothing can be compared) and reason.
    """
    unknown = dict.fromkeys(("actual_mmhg", "lowest_mmhg", "highest_mmhg", "leak_from_s"), np.nan)
    return unknown | _verdict(*held, begin_s, begin_s + duration_s, planned_mmhg, limits)


def _verdict(
    time: np.ndarray,
    smooth: np.ndarray,
    begin_s: float,
    end_s: float,
    planned_mmhg: float,
    limits: PressureLimits,
) -> dict:
    settle_s, inflated_mmhg = limits.settle_s, limits.inflated_mmhg
    if not np.isfinite(end_s - begin_s):
        return {"status": "missing", "reason": "when this span began or ended was not noted"}
    if end_s - begin_s <= 2 * settle_s:
        reason = f"{end_s - begin_s:.0f} s are too short: the first and last {settle_s:g} s settle"
        return {"status": "missing", "reason": reason}
    inside = (time >= begin_s + settle_s) & (time <= end_s - settle_s)
    if not inside.any():
        return {"status": "missing", "reason": "no pressure was recorded in this span"}
    clock, held = time[inside], smooth[inside]
    levels = {
        "actual_mmhg": float(np.median(held)),
        "lowest_mmhg": float(held.min()),
        "highest_mmhg": float(held.max()),
    }
    if not np.isfinite(planned_mmhg):
        seen = f"{held.max():.0f} mmHg" if held.max() > inflated_mmhg else "no inflation"
        reason = f"no pressure was noted for this span; {seen} recorded"
        return levels | {"status": "missing", "reason": reason}
    if planned_mmhg <= 0:
        reason = ""
        if held.max() > inflated_mmhg:
            reason = f"inflated to {held.max():.0f} mmHg where no cuff is planned"
        return levels | {"status": "flagged" if reason else "ok", "reason": reason}
    at_first = smooth[(time >= begin_s) & (time < begin_s + settle_s)].max(initial=0.0)
    reasons, leak_from_s = _departures(clock, held, at_first, end_s, planned_mmhg, limits)
    status = "flagged" if reasons else "ok"
    return levels | {"leak_from_s": leak_from_s, "status": status, "reason": "; ".join(reasons)}


def _departures(
    clock: np.ndarray,
    held: np.ndarray,
    at_first_mmhg: float,
    end_s: float,
    planned_mmhg: float,
    limits: PressureLimits,
) -> tuple[list[str], float]:
    """In which ways a pressure that should be held departs from plan, and since when it is low."""
    reasons, leak_from_s = [], float("nan")
    least_mmhg = planned_mmhg - limits.tolerance_mmhg
    low, reached = held < least_mmhg, at_first_mmhg >= least_mmhg
    if held.max() > planned_mmhg + limits.tolerance_mmhg:
        reasons.append(f"up to {held.max():.0f} mmHg, planned {planned_mmhg:.0f}")
    if low.all() and not reached:
        if held.max() <= limits.inflated_mmhg:
            reasons.append(f"not inflated: {held.max():.0f} of {planned_mmhg:.0f} mmHg")
        else:
            reasons.append(f"never above {held.max():.0f} mmHg, planned {planned_mmhg:.0f}")
    elif low[-1]:
        since = 0 if low.all() else len(low) - int(np.argmin(low[::-1]))
        leak_from_s = float(clock[since])
        lost = "lost at once" if low.all() else f"too low for the last {end_s - leak_from_s:.0f} s"
        reasons.append(f"leaked: {lost}, {held[-1]:.0f} mmHg at the end")
    elif low.any():
        reasons.append(f"down to {held.min():.0f} mmHg, planned {planned_mmhg:.0f}")
    return reasons, leak_from_s


def _left_level_s(time: np.ndarray, pressure: np.ndarray, at: int, far_mmhg: float) -> float:
    """When a ramp to `far_mmhg` left the level before it, with a crossing just before an index.

    A straight line through the first readings beyond a tenth and a half of the way, back to the
    level; NaN at either end of the recording.
    """
    if at in (0, len(time)):
        return float("nan")
    before = (time >= time[at] - 15.0) & (time <= time[at] - 5.0)
    level = float(np.median(pressure[before])) if before.any() else float(pressure[0])
    way = (pressure - level) / (far_mmhg - level)
    tenth = int(np.flatnonzero(np.append(True, way[:at] < 0.1))[-1])
    still = int(np.flatnonzero(np.append(True, way[:tenth] < 0.03))[-1]) - 1
    half = tenth + int(np.argmax(way[tenth:] >= 0.5))
    if half == tenth:
        return float((time[max(tenth - 1, 0)] + time[tenth]) / 2)
    per_s = (way[half] - way[tenth]) / (time[half] - time[tenth])
    earliest_s = time[max(still, 0)] - 0.03 / per_s
    return float(max(earliest_s, time[tenth] - way[tenth] / per_s))
