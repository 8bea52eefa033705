"""Where the recordings themselves say that sets began and ended.

Boundaries are proposed from the ripple of contractions and from bends in the course of saturation,
without a look at the session's log, and then compared with it. Nothing is moved: a disagreement is
a finding for a person to settle.
"""

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from muscle.bends import Bend, PlacedBend, find_bends
from muscle.contractions import Cadences, means_in_bins
from muscle.ripples import find_ripples
from recordings.boundaries import PROPOSAL_COLUMNS, within_a_second
from recordings.gaps import BRIDGED_STEPS, UNSEEN_S
from recordings.time_axis import sampling_step_s, usable_readings

# from the end of a set to the bend into the rise: a delay of 0 to 8 s, convention
DELAY_S, DELAY_SD_S = 4.0, 3.0


def propose_boundaries(
    time_s: ArrayLike,
    smo2_pct: ArrayLike,
    cadences: Cadences,
    *,
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
    bends = find_bends(time_s, smo2_pct, shortest_phase_s=shortest_phase_s)
    falls = [
        (fall.placed(reach_s=bend_reach_s), rise and rise.placed(reach_s=bend_reach_s))
        for fall, rise in _falls(bends, steep_pct_per_s)
    ]
    ends = _ends_of_falls(time_s, smo2_pct, falls)
    ripples = find_ripples(
        time_s,
        smo2_pct,
        cadences,
        window_s=ripple_window_s,
        likely_sets=_sets_of_course(falls, ends),
    )
    proposed = [*_limits_of_ripples(ripples), *_limits_of_course(falls, ends, ripples)]
    proposals = pd.DataFrame(sorted(proposed), columns=PROPOSAL_COLUMNS)
    unseen = _near_gap(time_s, smo2_pct, proposals["time_s"])
    return proposals[~unseen].reset_index(drop=True)


# a fall, and the rise after it, None where none follows
_FallAndRise = tuple[PlacedBend, PlacedBend | None]

# as PROPOSAL_COLUMNS
_Proposal = tuple[float, str, float, float, str]


def _ends_of_falls(
    time_s: ArrayLike, smo2_pct: ArrayLike, falls: list[_FallAndRise]
) -> list[tuple[float, float]]:
    """End of every fall and its error, both in s, NaN where no rise follows."""
    later_s = [fall.time_s for fall, _ in falls[1:]] + [np.inf] * bool(falls)
    return [
        end_of_fall(time_s, smo2_pct, fall.time_s, rise.time_s, until_s=until_s)
        if rise
        else (np.nan, np.nan)
        for (fall, rise), until_s in zip(falls, later_s, strict=True)
    ]


def _sets_of_course(falls: list[_FallAndRise], ends: list[tuple[float, float]]) -> pd.DataFrame:
    """Sets that fall and rise show whole: start_s, start_se_s, end_s, end_se_s."""
    limits = [
        (fall.time_s, float(np.hypot(fall.se_s, 1.0)), *end)
        for (fall, _), end in zip(falls, ends, strict=True)
    ]
    columns = ["start_s", "start_se_s", "end_s", "end_se_s"]
    return pd.DataFrame(limits, columns=columns, dtype=float).dropna()


def _limits_of_ripples(ripples: pd.DataFrame) -> list[_Proposal]:
    return [
        (at_s, boundary, se_s, within_a_second(se_s), "ripple")
        for ripple in ripples.itertuples()
        for at_s, se_s, boundary in (
            (ripple.start_s, ripple.start_se_s, "set_start"),
            (ripple.end_s, ripple.end_se_s, "set_end"),
        )
    ]


def _limits_of_course(
    falls: list[_FallAndRise], ends: list[tuple[float, float]], ripples: pd.DataFrame
) -> list[_Proposal]:
    """Limits of the sets that saturation shows and no ripple does."""
    proposed = []
    for (fall, rise), (end_s, se_s) in zip(falls, ends, strict=True):
        until_s = rise.time_s if rise else np.inf
        if ((ripples["start_s"] < until_s) & (ripples["end_s"] > fall.time_s)).any():
            continue
        proposed.append((fall.time_s, "set_start", fall.se_s, fall.confidence, "saturation"))
        if rise:
            proposed.append((end_s, "set_end", se_s, within_a_second(se_s), "saturation"))
    return proposed


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
    time, reading = usable_readings(time_s, smo2_pct)
    inside = (time >= fall_s) & (time <= min(until_s, rise_s + 40.0))
    time, reading = time[inside], reading[inside]
    if len(time) < 8:
        return rise_s - DELAY_S, float(np.hypot(5.0, DELAY_SD_S))
    clock, level = means_in_bins(time, reading, max(1.0, sampling_step_s(time)))
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


def _unit_rows(shapes: np.ndarray) -> np.ndarray:
    """Shapes along the last axis without their mean, at length 1."""
    shapes = shapes - shapes.mean(axis=-1, keepdims=True)
    return shapes / np.maximum(np.linalg.norm(shapes, axis=-1, keepdims=True), 1e-9)


def _near_gap(time_s: ArrayLike, readings: ArrayLike, moment_s: ArrayLike) -> np.ndarray:
    """Whether each moment lies where nothing was recorded, or within a second of that."""
    time, _ = usable_readings(time_s, readings)
    moment = np.asarray(moment_s, dtype=float)
    last, following = np.append(-np.inf, time), np.append(time, np.inf)
    gap = following - last > UNSEEN_S + BRIDGED_STEPS * sampling_step_s(time)
    near = (moment[:, None] > last[gap] - 1.0) & (moment[:, None] < following[gap] + 1.0)
    return near.any(axis=1)


def _falls(bends: list[Bend], steep_pct_per_s: float) -> list[tuple[Bend, Bend | None]]:
    """Every bend into a steep fall with the bend into the next rise, None where none follows."""
    falls, start = [], None
    for bend in bends:
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
