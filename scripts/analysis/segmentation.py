"""Where the recordings themselves say that sets began and ended.

Boundaries are proposed from the ripple of contractions and from bends in the course of saturation,
without a look at the session's log, and then compared with it. Nothing is moved: a disagreement is
a finding for a person to settle.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from analysis.contractions import bent_misfit, binned, find_contractions, ripple_chance
from analysis.oxygenation import resolution, sampling_step_s

PROPOSAL_COLUMNS = ["time_s", "boundary", "se_s", "confidence", "source"]
BEND_COLUMNS = ["time_s", "se_s", "confidence", "slope_before", "slope_after", "step"]
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
    likely_starts_s: ArrayLike = (),
    likely_ends_s: ArrayLike = (),
) -> pd.DataFrame:
    """Stretches in which contractions ripple saturation, each with its limits and their errors.

    Windows of `window_s` are tested for a ripple (chance by noise below 0.001), neighbours joined,
    and the limits placed where the ripple begins and ends, searched from a likely start or end
    (a bend of the course) within `window_s` where there is one. Gives start_s, start_se_s, end_s,
    end_se_s, rate_hz, amplitude_pct; empty where sampling is too slow to see contractions.
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
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rippling.astype(int), [0]])))
    rows = []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if rows and middle[last - 1] <= rows[-1]["end_s"]:
            continue
        start_s = _nearest(likely_starts_s, middle[first], window_s)
        end_s = _nearest(likely_ends_s, middle[last - 1], window_s)
        found = _settle(time, reading, start_s, end_s, limits)
        if found is not None and (not rows or found["start_s"] >= rows[-1]["end_s"]):
            rows.append(found)
    return pd.DataFrame(rows, columns=RIPPLE_COLUMNS, dtype=float)


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

    Sets come from the ripple of contractions; where none is seen, from a fall of saturation
    steeper than `steep_pct_per_s` to the next rise, which follows the end of a set with a delay
    of some seconds (4 s are in its error; convention). A ripple that begins or ends more than 8 s
    from the bend of its set halves its confidence. Within a second of a gap, or of either end of
    the recording, no limit of a set can be told and none is proposed. Gives time_s, boundary
    (`set_start`, `set_end`), se_s, confidence (0 to 1: the chance of lying within 1 s) and source
    (`ripple`, `saturation`), in order of time.
    """
    bends = find_bends(time_s, smo2_pct, shortest_phase_s=shortest_phase_s, reach_s=bend_reach_s)
    falls = _falls(bends, steep_pct_per_s)
    ripples = find_ripples(
        time_s,
        smo2_pct,
        slowest_hz=slowest_hz,
        fastest_hz=fastest_hz,
        min_samples_per_contraction=min_samples_per_contraction,
        window_s=ripple_window_s,
        likely_starts_s=[fall.time_s for fall, _ in falls],
        likely_ends_s=[rise.time_s for _, rise in falls if rise is not None],
    )
    rows: list[tuple[float, str, float, float, str]] = []
    starts_s = [fall.time_s for fall, _ in falls]
    ends_s = [rise.time_s for _, rise in falls if rise is not None]
    for one in ripples.itertuples():
        for at_s, se_s, boundary, bends_s in (
            (one.start_s, one.start_se_s, "set_start", starts_s),
            (one.end_s, one.end_se_s, "set_end", ends_s),
        ):
            sure = within_a_second(se_s)
            # A ripple that is lost in noise half-way ends far from the bend of its set.
            if 8.0 < np.min(np.abs(np.subtract(bends_s, at_s)), initial=np.inf) < ripple_window_s:
                sure /= 2
            rows.append((at_s, boundary, se_s, sure, "ripple"))
    for fall, rise in falls:
        until_s = rise.time_s if rise is not None else np.inf
        seen = (ripples["start_s"] < until_s) & (ripples["end_s"] > fall.time_s)
        if seen.any():
            continue
        rows.append((fall.time_s, "set_start", fall.se_s, fall.confidence, "saturation"))
        if rise is not None:
            # Circulation delays the rise by a few seconds that the trace does not tell.
            se_s = float(np.hypot(rise.se_s, 4.0))
            rows.append((rise.time_s, "set_end", se_s, within_a_second(se_s), "saturation"))
    proposals = pd.DataFrame(sorted(rows), columns=PROPOSAL_COLUMNS)
    unseen = _near_gap(time_s, smo2_pct, proposals["time_s"])
    return proposals[~unseen].reset_index(drop=True)


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
            reason = f"nothing in the recording within {farthest_s:g} s"
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


def _nearest(offered_s: ArrayLike, wanted_s: float, farthest_s: float) -> float:
    """The offered moment nearest to a wanted one, or that one itself when none is near."""
    offered = np.asarray(offered_s, dtype=float)
    near = offered[np.abs(offered - wanted_s) <= farthest_s]
    return float(near[np.argmin(np.abs(near - wanted_s))]) if len(near) else float(wanted_s)


def _settle(
    time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float, limits: dict
) -> dict[str, float] | None:
    """Limits of a ripple, followed outwards until they no longer move."""
    for _ in range(8):
        if end_s - start_s < 2 / limits["fastest_hz"]:
            return None
        found = find_contractions(
            time,
            reading,
            start_s,
            end_s,
            limits_error_s=1000.0,
            min_usable_share=0.5,
            **limits,
        )
        if not found.count.usable:
            return None
        moved = max(abs(found.onset_s - start_s), abs(found.offset_s - end_s))
        start_s, end_s = found.onset_s, found.offset_s
        if moved < 0.25 / found.rate_hz.value:
            break
    return {
        "start_s": start_s,
        "start_se_s": found.onset_se_s,
        "end_s": end_s,
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
        elif start is not None and bend.slope_after > steep_pct_per_s / 2:
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
