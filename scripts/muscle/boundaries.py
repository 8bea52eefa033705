"""Where the recordings themselves say that sets began and ended.

Boundaries are proposed from the ripple of contractions and from bends in the course of saturation,
without a look at the session's log, and then compared with it. Nothing is moved: a disagreement is
a finding for a person to settle.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from muscle.cleaning import resolution
from muscle.contractions import bent_misfit, binned, find_contractions, local_ripple, ripple_chance
from muscle.time_axis import sampling_step_s

PROPOSAL_COLUMNS = ["time_s", "boundary", "se_s", "confidence", "source"]

BEND_COLUMNS = ["time_s", "se_s", "confidence", "slope_before", "slope_after", "step"]

# from the end of a set to the bend into the rise: a delay of 0 to 8 s, convention
DELAY_S, DELAY_SD_S = 4.0, 3.0

# SD of a limit of which nothing is known
FREE_S = 1000.0

RIPPLE_COLUMNS = ["start_s", "start_se_s", "end_s", "end_se_s", "rate_hz", "amplitude_pct"]


def find_bends(
    time_s: ArrayLike,
    value: ArrayLike,
    *,
    shortest_phase_s: float,
    reach_s: float,
) -> pd.DataFrame:
    """Change points of level and slope: the trace as straight pieces, at the least total cost.

    Optimal partitioning (Jackson et al. 2005 IEEE Signal Process Lett 12:105) of 1 s means into
    lines with their own noise, at the price of the Bayesian information criterion for each, with
    changes at fifths of the shortest phase; then every change is placed by a bent line through the
    readings within `reach_s`. Gives time_s, se_s, confidence (chance of lying within 1 s, given
    that there is a change), slope_before and slope_after (per second) and step (jump of level).
    """
    time, reading = _usable(time_s, value)
    if len(time) < 8 or time[-1] - time[0] < 2 * shortest_phase_s:
        return pd.DataFrame(columns=BEND_COLUMNS, dtype=float)
    if sampling_step_s(time) < 0.2:
        time, reading = binned(time, reading, 0.2)
    clock, level = binned(time, reading, max(1.0, sampling_step_s(time)))
    marks = _partition(clock, level, shortest_phase_s, resolution(reading))
    pieces = [
        np.polynomial.polynomial.polyfit(clock[begin:end] - clock[begin], level[begin:end], 1)
        for begin, end in zip(marks[:-1], marks[1:], strict=True)
    ]
    rows = []
    for number, mark in enumerate(marks[1:-1]):
        begin, end = clock[marks[number]], clock[marks[number + 2] - 1]
        before, after = pieces[number], pieces[number + 1]
        around_s = (max(begin, clock[mark] - reach_s), min(end, clock[mark] + reach_s))
        at_s, se_s, confidence = _place_bend(
            time, reading, clock[mark], *around_s, farthest_s=shortest_phase_s / 2
        )
        rows.append(
            {
                "time_s": at_s,
                "se_s": se_s,
                "confidence": confidence,
                "slope_before": before[1],
                "slope_after": after[1],
                "step": after[0] - before[0] - before[1] * (clock[mark] - begin),
            }
        )
    return pd.DataFrame(rows, columns=BEND_COLUMNS, dtype=float)


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
    time, reading = _usable(time_s, value)
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


def propose_boundaries(
    time_s: ArrayLike,
    smo2_pct: ArrayLike,
    *,
    slowest_hz: float,
    fastest_hz: float,
    min_samples_per_contraction: float,
    ripple_window_s: float,
    shortest_phase_s: float,
    bend_reach_s: float,
    steep_pct_per_s: float,
) -> pd.DataFrame:
    """Starts and ends of sets as saturation shows them, each with its confidence.

    A set is a fall of saturation steeper than `steep_pct_per_s` up to the next rise, and a ripple
    of contractions wherever one is seen. Its start is the bend into the fall; its end lies
    DELAY_S before the bend into the rise, because circulation answers with a delay that the trace
    does not tell (0 to 8 s; convention). Where a ripple is seen, bend and ripple weigh together
    after their errors. Within a second of a gap, or of either end of the recording, no limit of a
    set can be told and none is proposed. Gives time_s, boundary (`set_start`, `set_end`), se_s,
    confidence (0 to 1: the chance of lying within 1 s) and source (`ripple`, `saturation`), in
    order of time.

    What no method can better: without a ripple the end is known no better than the delay, whatever
    the sampling; with one, an end that is a contraction off differs by the n readings of that
    contraction only, and is taken for the right one with a chance of about
    2 Q(a sqrt(n/2) / (2 s)), a the amplitude of the ripple and s the noise of a reading. See
    benchmarks/oxygenation.py, which prints this limit beside what was reached.
    """
    bends = find_bends(time_s, smo2_pct, shortest_phase_s=shortest_phase_s, reach_s=bend_reach_s)
    falls = _falls(bends, steep_pct_per_s)
    later_s = [fall.time_s for fall, _ in falls[1:]] + [np.inf] * bool(falls)
    ends = [
        end_of_fall(time_s, smo2_pct, fall.time_s, rise.time_s, until_s=until_s)
        if rise
        else (np.nan, np.nan)
        for (fall, rise), until_s in zip(falls, later_s, strict=True)
    ]
    shown = pd.DataFrame(
        [
            (fall.time_s, float(np.hypot(fall.se_s, 1.0)), *end)
            for (fall, _), end in zip(falls, ends, strict=True)
        ],
        columns=["start_s", "start_se_s", "end_s", "end_se_s"],
        dtype=float,
    )
    ripples = find_ripples(
        time_s,
        smo2_pct,
        slowest_hz=slowest_hz,
        fastest_hz=fastest_hz,
        min_samples_per_contraction=min_samples_per_contraction,
        window_s=ripple_window_s,
        likely_sets=shown.dropna(),
    )
    rows: list[tuple[float, str, float, float, str]] = []
    for one in ripples.itertuples():
        for at_s, se_s, boundary in (
            (one.start_s, one.start_se_s, "set_start"),
            (one.end_s, one.end_se_s, "set_end"),
        ):
            rows.append((at_s, boundary, se_s, within_a_second(se_s), "ripple"))
    for (fall, rise), (end_s, se_s) in zip(falls, ends, strict=True):
        until_s = rise.time_s if rise else np.inf
        if ((ripples["start_s"] < until_s) & (ripples["end_s"] > fall.time_s)).any():
            continue
        rows.append((fall.time_s, "set_start", fall.se_s, fall.confidence, "saturation"))
        if rise:
            rows.append((end_s, "set_end", se_s, within_a_second(se_s), "saturation"))
    proposals = pd.DataFrame(sorted(rows), columns=PROPOSAL_COLUMNS)
    unseen = _near_gap(time_s, smo2_pct, proposals["time_s"])
    return proposals[~unseen].reset_index(drop=True)


def end_of_fall(
    time_s: ArrayLike, smo2_pct: ArrayLike, fall_s: float, rise_s: float, *, until_s: float
) -> tuple[float, float]:
    """When the set of a fall ended, from the whole course of fall and rise, and its error.

    An exponential fall from `fall_s` that stops where an exponential rise begins is fitted to all
    readings up to `until_s` or 40 s into the rise, with the beginning of the rise free within 15 s
    of `rise_s` (least squares over a grid of beginnings and time constants, levels by linear
    regression). The end lies DELAY_S earlier. Gives seconds and the SD over all beginnings and the
    delay. Convention.
    """
    time, reading = _usable(time_s, smo2_pct)
    inside = (time >= fall_s) & (time <= min(until_s, rise_s + 40.0))
    time, reading = time[inside], reading[inside]
    if len(time) < 8:
        return rise_s - DELAY_S, float(np.hypot(5.0, DELAY_SD_S))
    clock, level = binned(time, reading, max(1.0, sampling_step_s(time)))
    begins = np.arange(rise_s - 15.0, rise_s + 15.0, 0.25)
    begins = begins[(begins > fall_s + 5.0) & (begins < clock[-1] - 5.0)]
    if not len(begins):
        return rise_s - DELAY_S, float(np.hypot(5.0, DELAY_SD_S))
    tau = np.array([4.0, 8.0, 16.0, 32.0])[:, None]
    begin = begins[:, None, None]
    fallen = _unit_rows(np.exp(-(np.minimum(clock, begin) - fall_s) / tau))
    risen = _unit_rows(np.exp(-np.maximum(clock - begin, 0.0) / (1.5 * tau)))
    level = level - level.mean()
    # What the plane of both shapes explains, for every pair of time constants.
    fall, rise = (fallen @ level)[:, :, None], (risen @ level)[:, None, :]
    shared = np.minimum(fallen @ risen.transpose(0, 2, 1), 1 - 1e-9)
    explained = (fall**2 + rise**2 - 2 * fall * rise * shared) / (1 - shared**2)
    best = level @ level - explained.max(axis=(1, 2))
    noise = best.min() / max(1, len(clock) - 6)
    chance = np.exp(-(best - best.min()) / (2 * noise + 1e-12))
    chance /= chance.sum()
    middle_s = float(chance @ begins)
    spread_s = float(np.sqrt(chance @ (begins - middle_s) ** 2))
    return middle_s - DELAY_S, float(np.hypot(spread_s, DELAY_SD_S))


def compare_boundaries(
    log: pd.DataFrame, proposals: pd.DataFrame, *, tolerance_s: float, farthest_s: float
) -> pd.DataFrame:
    """Boundaries of the log beside those proposed by the recordings, and by how much they differ.

    Both tables hold time_s and boundary; nearest pairs of the same boundary are matched first, each
    row once, none farther apart than `farthest_s`. Gives boundary, log_s, proposed_s, difference_s
    (proposed less log), se_s, confidence, source, status and reason: `ok` within `tolerance_s` or
    three standard errors, `flagged` beyond, `missing` for a row without a partner.
    """
    rows = []
    for boundary in dict.fromkeys([*log["boundary"], *proposals["boundary"]]):
        logged = log.loc[log["boundary"] == boundary, "time_s"].to_numpy(float)
        offered = proposals[proposals["boundary"] == boundary].reset_index(drop=True)
        proposed = offered["time_s"].to_numpy(float)
        pairs = _nearest_pairs(logged, proposed, farthest_s)
        for here, there in pairs:
            rows.append(_compared(boundary, logged[here], offered.loc[there], tolerance_s))
        for here in set(range(len(logged))) - {here for here, _ in pairs}:
            reason = f"could not be placed within {farthest_s:g} s of the note"
            rows.append(_unmatched(boundary, reason) | {"log_s": logged[here]})
        for there in set(range(len(proposed))) - {there for _, there in pairs}:
            found = offered.loc[there, ["se_s", "confidence", "source"]].to_dict()
            reason = f"nothing in the log within {farthest_s:g} s"
            rows.append(_unmatched(boundary, reason) | {"proposed_s": proposed[there]} | found)
    columns = ["boundary", "log_s", "proposed_s", "difference_s", "se_s", "confidence", "source"]
    table = pd.DataFrame(rows, columns=[*columns, "status", "reason"])
    order = table["log_s"].fillna(table["proposed_s"])
    return table.iloc[np.argsort(order.to_numpy(float), kind="stable")].reset_index(drop=True)


def _usable(time_s: ArrayLike, value: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    time, reading = np.asarray(time_s, dtype=float), np.asarray(value, dtype=float)
    keep = np.isfinite(reading)
    return time[keep], reading[keep]


def _partition(
    clock: np.ndarray, level: np.ndarray, shortest_s: float, rounding: float
) -> list[int]:
    """First index of every straight piece of the cheapest partition, and one past the end."""
    n = len(clock)
    away = clock - clock.mean()
    parts = np.stack([np.ones(n), away, away**2, level, away * level, level**2])
    sums = np.concatenate([np.zeros((6, 1)), np.cumsum(parts, axis=1)], axis=1)
    # Four numbers per piece: where it begins, level, slope and noise.
    price = 4 * np.log(n)
    smallest = rounding**2 / 12 + 1e-6 * np.var(level) + 1e-12
    per_second = 1 / np.median(np.diff(clock))
    shortest = max(4, round(shortest_s * per_second))
    limits = np.append(np.arange(0, n, max(1, round(shortest_s / 5 * per_second))), n)
    sums = sums[:, limits]
    best = np.full(len(limits), np.inf)
    best[0] = -price
    previous = np.zeros(len(limits), dtype=int)
    earliest = np.searchsorted(limits, limits - shortest, side="right")
    for end in np.flatnonzero(earliest):
        begin = earliest[end]
        count, t, tt, y, ty, yy = sums[:, end, None] - sums[:, :begin]
        spread = tt - t**2 / count
        joint = ty - t * y / count
        left = np.maximum(yy - y**2 / count - joint**2 / spread, 0.0) / count
        cost = best[:begin] + count * np.log(left + smallest) + price
        previous[end] = int(np.argmin(cost))
        best[end] = cost[previous[end]]
    marks = [len(limits) - 1]
    while marks[-1] > 0:
        marks.append(int(previous[marks[-1]]))
    return limits[marks[::-1]].tolist()


def _place_bend(
    time: np.ndarray,
    reading: np.ndarray,
    near_s: float,
    begin_s: float,
    end_s: float,
    *,
    farthest_s: float,
) -> tuple[float, float, float]:
    """Time of a bend, its SD and the chance of lying within 1 s, from the misfit of every place."""
    inside = (time >= begin_s) & (time <= end_s)
    clock, level = time[inside], reading[inside]
    places = np.arange(near_s - farthest_s, near_s + farthest_s, 0.1)
    places = places[(places > begin_s + 1.0) & (places < end_s - 1.0)]
    if len(clock) < 7 or not len(places):
        return float(near_s), float(sampling_step_s(time)), 0.0
    misfit = bent_misfit(clock, level[:, None], places)
    noise = misfit.min() / max(1, len(clock) - 5)
    chance = np.exp(-(misfit - misfit.min()) / (2 * noise + 1e-12))
    chance /= chance.sum()
    at_s = float(places[np.argmin(misfit)])
    spread = float(np.sqrt(chance @ (places - at_s) ** 2))
    return at_s, spread, float(chance[np.abs(places - at_s) <= 1.0].sum())


def within_a_second(se_s: float) -> float:
    """Chance that a normal error of SD `se_s` seconds is smaller than 1 s."""
    from math import erf, sqrt

    return erf(1 / (se_s * sqrt(2))) if se_s > 0 else 1.0


def _unit_rows(shapes: np.ndarray) -> np.ndarray:
    """Shapes along the last axis without their mean, at length 1."""
    shapes = shapes - shapes.mean(axis=-1, keepdims=True)
    return shapes / np.maximum(np.linalg.norm(shapes, axis=-1, keepdims=True), 1e-9)


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


def _near_gap(time_s: ArrayLike, value: ArrayLike, moment_s: ArrayLike) -> np.ndarray:
    """Whether each moment lies where nothing was recorded, or within a second of that."""
    time, _ = _usable(time_s, value)
    moment = np.asarray(moment_s, dtype=float)
    last, following = np.append(-np.inf, time), np.append(time, np.inf)
    gap = following - last > 2.0 + 2.5 * sampling_step_s(time)
    near = (moment[:, None] > last[gap] - 1.0) & (moment[:, None] < following[gap] + 1.0)
    return near.any(axis=1)


def _falls(bends: pd.DataFrame, steep_pct_per_s: float) -> list[tuple]:
    """Every bend into a steep fall with the bend into the next rise, None where none follows."""
    falls, start = [], None
    for bend in bends.itertuples():
        if start is None and bend.slope_after < -steep_pct_per_s:
            start = bend
        elif start is not None and bend.slope_after > max(
            # a wiggle of the plateau is no recovery: that is nearly as steep as its fall
            steep_pct_per_s / 2,
            -0.2 * start.slope_after,
        ):
            falls.append((start, bend))
            start = None
    return [*falls, (start, None)] if start is not None else falls


def _nearest_pairs(
    logged: np.ndarray, proposed: np.ndarray, farthest_s: float
) -> list[tuple[int, int]]:
    """Nearest first, each once."""
    apart = np.abs(logged[:, None] - proposed)
    pairs = []
    for flat in np.argsort(apart, axis=None, kind="stable"):
        here, there = (int(place) for place in np.unravel_index(flat, apart.shape))
        taken = any(here == one or there == other for one, other in pairs)
        if apart[here, there] <= farthest_s and not taken:
            pairs.append((here, there))
    return pairs


def _compared(boundary: str, log_s: float, offer: pd.Series, tolerance_s: float) -> dict:
    difference_s = float(offer["time_s"] - log_s)
    agrees = abs(difference_s) <= max(tolerance_s, 3 * offer["se_s"])
    sense = "later" if difference_s > 0 else "earlier"
    return {
        "boundary": boundary,
        "log_s": float(log_s),
        "proposed_s": float(offer["time_s"]),
        "difference_s": difference_s,
        "se_s": offer["se_s"],
        "confidence": offer["confidence"],
        "source": offer["source"],
        "status": "ok" if agrees else "flagged",
        "reason": "" if agrees else f"{abs(difference_s):.1f} s {sense} than in the log",
    }


def _unmatched(boundary: str, reason: str) -> dict:
    return {"boundary": boundary, "status": "missing", "reason": reason}
