"""Breathing rate over time, from the beats of an ECG, from beat intervals or from a belt.

Breathing swings the intervals (respiratory sinus arrhythmia) and moves the heart under the
electrodes, so that the R amplitude rises and falls with it (Moody et al. 1985, Computers in
Cardiology 12:113-116). What is slower than breathing is taken off first: a strong slow rhythm is no
noise. In sliding windows the share of the rest that a sinusoid explains is found for every rate by
least squares at the beats themselves (generalised periodogram, Zechmeister & Kuerster 2009, Astron
Astrophys 496:577-584), in sets beside the rhythm of the repetitions where that shows. Each share
says how much more likely a rhythm of this rate is than none (Bayes factor with the unit-information
g-prior, Liang et al. 2008, J Am Stat Assoc 103:410-423). A hidden Markov chain over all rates and
`no rhythm` (Rabiner 1989, Proc IEEE 77:257-286) carries that forwards and backwards through the
session: its probability of a rate is what is believed, and where it stays low, or where the breaths
that pass come to another rate, breathing is `unknown`, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view

from heart.rhythms import (
    RATES_HZ,
    WINDOW_S,
    Window,
    counted_hz,
    explained_share,
    log_odds_of,
    share_beside,
    swept_share,
    window_about,
    without_slow_course,
)

RATE_COLUMNS = ["time_s", "rate_hz", "confidence", "status", "reason"]

STEP_S = 1.0

# a rate counts as told within so much, and its confidence is the probability of that
WITHIN_HZ = 0.03

LEAST_CONFIDENCE = 0.9

# What varies irregularly has no single rate: least share of the variance beside the slow course
# that it must explain in beats and in a belt, which sees every breath (conventions).
LEAST_OF_BEATS, LEAST_OF_BELT = 0.2, 0.6

# An error of one beat lengthens an interval and shortens the next: in fewer than three beats to a
# breath it looks like a rhythm, and a rhythm of intervals must explain more. Set on the sessions of
# `benchmarks.breathing` from 0 on and judged on those from 4000 on, where it halves false rates.
FAST_SHARE, LEAST_OF_FAST = 1 / 3, 0.8

# Where a rate is less certain than this and leaves more than this unexplained, breaths are counted
# beside it: where they differ it is that of the long ones, and short ones pass unseen. Limits set
# on the sessions of `benchmarks.breathing` from 1000 and 3000 on, judged on those from 0 and 2000.
# The phase is smoothed over so much of a breath (SD), more in intervals: errors of single beats.
SMOOTHED_BREATHS, SMOOTHED_OF_INTERVALS = 0.15, 0.2
COUNTED_BELOW_CONFIDENCE, COUNTED_BELOW_SHARE, COUNTED_WITHIN_HZ = 0.98, 0.65, 0.02

FEWEST_VALUES = 8

# Rhythms of blood pressure end at about 0.15 Hz (Task Force 1996), their flank somewhat above.
SLOWEST_OF_INTERVALS_HZ = 0.15

BEYOND_SLOW_RHYTHMS_HZ = 0.18

# above this share of the rate of the beats a rhythm cannot be told from its fold at the half
FASTEST_SHARE = 0.45

# Conventions, set on simulated sessions: change of the rate in a second (SD), mean time until a
# rhythm is lost or comes back, chance of a jump to any other rate. With a smaller change, of the
# rates told where breaths last half to double as long as others 12 to 18 % were wrong.
CHANGE_HZ = 0.018

LOST_AFTER_S, BACK_AFTER_S = 60.0, 60.0

JUMP = 1e-4

# movement shows at the cadence, or where a repetition moves twice at its double
ONCE_AND_TWICE = np.array([1, 2])

# and in at least this share of the windows of a set
MOVEMENT_SHARE = 0.4

# where a steady rate explains so much, no change of it is tried
PLAIN_SHARE = 0.8

FROM_INTERVALS = "from the intervals: the R wave shows no rate"

LOW_BY_INTERVALS = (
    f"from the intervals, breathing below {BEYOND_SLOW_RHYTHMS_HZ:g} Hz cannot be told from slower "
    "rhythms"
)

IRREGULAR = "too irregular for a single rate"

NO_RHYTHM = "no rhythm stands out from chance"


class Repetitions(NamedTuple):
    """A set: its limits in s and the cadence of its repetitions in Hz."""

    start_s: float
    end_s: float
    cadence_hz: float


class Source(NamedTuple):
    """Values at times (s) in which breathing may show, from which rate (Hz) on; their course is
    taken off whole up to `slow_hz`, and a rate explains `least_explained` of the rest, one near
    half the rate of the values `least_of_fast`; a count of breaths is smoothed over
    `smoothed_breaths`."""

    times: np.ndarray
    values: np.ndarray
    from_hz: float
    slow_hz: float
    least_explained: float
    least_of_fast: float
    smoothed_breaths: float = SMOOTHED_BREATHS


class Evidence(NamedTuple):
    """What windows say about each rate, shape (windows, rates) where not said otherwise.

    `share`: what a rhythm of that rate explains, 0 where none could be told; `enough`: whether that
    is as much as it must; `log_odds`: of such a rhythm against none; `visible`: where one could be
    told; `few`, `still` and `cadence_hz` per window: too few values, values that do not vary, and
    the cadence that shows in it (NaN without). `level`: values of `source` without slow course.
    """

    share: np.ndarray
    enough: np.ndarray
    log_odds: np.ndarray
    visible: np.ndarray
    few: np.ndarray
    still: np.ndarray
    cadence_hz: np.ndarray
    source: Source
    level: np.ndarray


def respiration_from_beats(
    beat_time_s: np.ndarray,
    amplitude: np.ndarray | None = None,
    *,
    repetitions: Iterable[Repetitions] = (),
) -> pd.DataFrame:
    """Breathing rate from the intervals between beats, and from their R amplitude where known.

    `beat_time_s`: beat times of the repaired series, s, sorted. `amplitude`: R (or template)
    amplitude per beat in any unit, NaN where there is none, as for a beat put in by the repair.
    `repetitions`: sets of which the cadence is noted; a rhythm at the cadence or at its double
    cannot be told from movement where the cadence shows.

    Returns a table on a grid of a second: time_s, rate_hz (NaN where unknown), confidence (the
    probability that breathing lies within 0.03 Hz of the likeliest rate), status (`known` or
    `unknown`), reason. Rates near and above half the heart rate cannot be seen. Raises ValueError
    for unequal lengths or unsorted times. Source: as the module says; limits are conventions.
    """
    beats = np.asarray(beat_time_s, dtype=float)
    if np.any(np.diff(beats) < 0):
        raise ValueError("beat times must be sorted")
    grid_s = _grid(beats)
    intervals = np.diff(beats)
    usable = intervals < 3.0
    middle_s = (beats[:-1] + intervals / 2)[usable]
    limits = SLOWEST_OF_INTERVALS_HZ, 0.12, LEAST_OF_BEATS, LEAST_OF_FAST, SMOOTHED_OF_INTERVALS
    swing = Source(middle_s, intervals[usable], *limits)
    repetitions = tuple(repetitions)
    by_intervals = evidence_of(swing, grid_s, repetitions)
    sources = [by_intervals]
    if amplitude is not None:
        height = np.asarray(amplitude, dtype=float)
        if height.size != beats.size:
            raise ValueError(f"amplitude has {height.size} values for {beats.size} beats")
        usable = np.isfinite(height)
        tilt = Source(
            beats[usable], height[usable], RATES_HZ[0], 0.05, LEAST_OF_BEATS, LEAST_OF_BEATS
        )
        by_height = evidence_of(tilt, grid_s, repetitions)
        sources.append(by_height)
    table, likeliest = _followed_rate(sources, grid_s)
    height_shows = np.zeros(grid_s.size, dtype=bool)
    if amplitude is not None:
        height_shows = by_height.log_odds[np.arange(grid_s.size), likeliest] > 0
    known = (table["status"] == "known").to_numpy()
    low = known & ~height_shows & (table["rate_hz"].to_numpy() < BEYOND_SLOW_RHYTHMS_HZ)
    table.loc[low, ["rate_hz", "status", "reason"]] = [np.nan, "unknown", LOW_BY_INTERVALS]
    if amplitude is not None:
        table.loc[known & ~low & ~height_shows, "reason"] = FROM_INTERVALS
    return table


def respiration_from_belt(time_s: np.ndarray, signal: np.ndarray) -> pd.DataFrame:
    """Breathing rate from a belt or flow signal in any unit; table as `respiration_from_beats`.

    `time_s` may be uneven and `signal` may hold NaN. Samples are averaged in bins of 0.4 s, so that
    neighbouring values are about independent in the range searched. Raises ValueError for unequal
    lengths or unsorted times.
    """
    times = np.asarray(time_s, dtype=float)
    samples = np.asarray(signal, dtype=float)
    if times.size != samples.size:
        raise ValueError(f"the signal has {samples.size} samples for {times.size} times")
    if np.any(np.diff(times) < 0):
        raise ValueError("times must be sorted")
    grid_s = _grid(times)
    usable = np.isfinite(samples)
    times, samples = times[usable], samples[usable]
    if times.size:
        bins = np.floor((times - times[0]) / (0.4 / RATES_HZ[-1])).astype(int)
        count = np.bincount(bins)
        filled = count > 0
        times = np.bincount(bins, times)[filled] / count[filled]
        samples = np.bincount(bins, samples)[filled] / count[filled]
    belt = Source(times, samples, RATES_HZ[0], 0.05, LEAST_OF_BELT, LEAST_OF_BELT)
    return _followed_rate([evidence_of(belt, grid_s)], grid_s)[0]


def _grid(times: np.ndarray) -> np.ndarray:
    if times.size == 0:
        return np.empty(0)
    return np.arange(np.ceil(times[0] / STEP_S), np.floor(times[-1] / STEP_S) + 1) * STEP_S


def evidence_of(
    source: Source, grid_s: np.ndarray, repetitions: Sequence[Repetitions] = ()
) -> Evidence:
    """What one source says about each of RATES_HZ around each moment of `grid_s`."""
    cut_hz = (source.slow_hz + source.from_hz) / 2
    level = without_slow_course(
        source.times, source.values, slow_hz=source.slow_hz, from_hz=source.from_hz
    )
    share, effective, rate_hz = explained_share(source.times, level, grid_s)
    few = effective < FEWEST_VALUES
    visible = source.from_hz - 1e-9 <= RATES_HZ
    visible = visible & (FASTEST_SHARE * rate_hz[:, None] >= RATES_HZ) & ~few[:, None]
    # what is slower was taken off, and with it so much of the freedom of the values
    passed = 1 - 2 * cut_hz / np.maximum(rate_hz, 2.5 * cut_hz)
    freedom = np.maximum(effective * passed, 4.0)
    still = share.max(axis=1, initial=0.0) <= 0
    cadence_hz = np.full(grid_s.size, np.nan)
    for one_set in repetitions:
        limits_s = one_set.start_s - WINDOW_S / 4, one_set.end_s + WINDOW_S / 4
        of_set = np.flatnonzero((grid_s >= limits_s[0]) & (grid_s <= limits_s[1]) & ~few)
        seen_hz = _folded_hz(one_set.cadence_hz * ONCE_AND_TWICE, rate_hz[of_set, None])
        at = np.abs(RATES_HZ - seen_hz[:, :1]).argmin(axis=1)
        # breathing may pass the cadence; movement stays at it
        most = MOVEMENT_SHARE * len(of_set)
        may_show = of_set[log_odds_of(share[of_set, at], freedom[of_set]) > 0]
        if len(may_show) < most:
            continue
        windows = {row: window_about(source.times, level, grid_s[row]) for row in of_set}
        cadences_hz = dict(zip(of_set, seen_hz, strict=True))
        shows = [
            _movement_shows(windows[row], share[row], freedom[row], cadences_hz[row][:1])
            for row in may_show
        ]
        if sum(shows) < most:
            continue
        cadence_hz[of_set] = one_set.cadence_hz
        freedom[of_set] = np.maximum(freedom[of_set] - 4, 4.0)
        for row, window in windows.items():
            share[row], told = share_beside(window, cadences_hz[row], RATES_HZ)
            visible[row] &= told
    for row in _where_breathing_sweeps(grid_s, repetitions):
        if not few[row] and np.isnan(cadence_hz[row]) and share[row].max() < PLAIN_SHARE:
            rates = np.flatnonzero(visible[row])
            swept = swept_share(window_about(source.times, level, grid_s[row]), RATES_HZ[rates])
            share[row, rates] = np.maximum(share[row, rates], swept)
            freedom[row] = max(freedom[row] - 1, 4.0)
    log_odds = np.where(visible, log_odds_of(share, freedom[:, None]), 0.0)
    share = np.where(visible, share, 0.0)
    least = np.full(share.shape, source.least_explained)
    least[FAST_SHARE * rate_hz[:, None] < RATES_HZ] = source.least_of_fast
    seen = visible, few, still, cadence_hz
    return Evidence(share, visible & (share >= least), log_odds, *seen, source, level)


def _where_breathing_sweeps(grid_s: np.ndarray, repetitions: Sequence[Repetitions]) -> np.ndarray:
    """Numbers of the moments near the limits of sets, where the rate changes within a window."""
    limits_s = np.array([limit for one_set in repetitions for limit in one_set[:2]])
    since_s = grid_s[:, None] - limits_s
    return np.flatnonzero(((since_s > -WINDOW_S / 4) & (since_s < 0.75 * WINDOW_S)).any(axis=1))


def _folded_hz(rate_hz: np.ndarray, beat_rate_hz: float) -> np.ndarray:
    """Where a rate shows that is sampled once a beat."""
    return np.abs(rate_hz - beat_rate_hz * np.round(rate_hz / beat_rate_hz))


def _movement_shows(
    window: Window, share: np.ndarray, freedom: float, cadence_hz: np.ndarray
) -> bool:
    """Whether a rhythm at the cadence stands out, beside the strongest one that is elsewhere."""
    elsewhere = np.abs(RATES_HZ - cadence_hz) > 2 * WITHIN_HZ
    strongest_hz = RATES_HZ[elsewhere][[np.argmax(share[elsewhere])]]
    beside, told = share_beside(window, strongest_hz, cadence_hz)
    return bool(told[0] and log_odds_of(beside[0], max(freedom - 2, 4.0)) > 0)


def _followed_rate(
    sources: Sequence[Evidence], grid_s: np.ndarray
) -> tuple[pd.DataFrame, np.ndarray]:
    """Rate through the evidence of all sources, and per moment the number of the likeliest rate."""
    log_odds = np.zeros((grid_s.size, RATES_HZ.size))
    for source in sources:
        # breathing may show in one source and not in the other
        may_show = source.log_odds
        log_odds += np.logaddexp(0, may_show) - np.log(2) if len(sources) > 1 else may_show
    possible = np.any([source.visible for source in sources], axis=0)
    cadence_hz = np.fmax.reduce([source.cadence_hz for source in sources])
    # a rate that movement hides is neither likelier nor less likely than before
    possible |= np.isfinite(cadence_hz)[:, None] & (RATES_HZ >= SLOWEST_OF_INTERVALS_HZ)
    belief = _belief(np.where(possible, log_odds, -np.inf))
    reach = round(WITHIN_HZ / (RATES_HZ[1] - RATES_HZ[0]))
    around = np.pad(belief, ((0, 0), (reach, reach)))
    within = sliding_window_view(around, 2 * reach + 1, axis=1).sum(axis=2)
    likeliest = within.argmax(axis=1)
    near = np.abs(np.arange(RATES_HZ.size) - likeliest[:, None]) <= reach
    believed = np.where(near, belief, 0.0)
    confidence = believed.sum(axis=1)
    rate_hz = (believed * RATES_HZ).sum(axis=1) / np.maximum(confidence, 1e-300)
    reason = _why_unknown(sources, likeliest, near, confidence, cadence_hz)
    told = reason == ""
    unsure = told & (confidence < COUNTED_BELOW_CONFIDENCE)
    if unsure.any():
        followed_hz = np.interp(grid_s, grid_s[told], rate_hz[told])
        reason[unsure & _counted_otherwise(sources, grid_s, followed_hz, near)] = IRREGULAR
    no_values = np.all([source.few | source.still for source in sources], axis=0)
    table = pd.DataFrame(
        {
            "time_s": grid_s,
            "rate_hz": np.where(reason == "", rate_hz, np.nan),
            "confidence": np.where(no_values, 0.0, np.clip(confidence, 0.0, 1.0)),
            "status": np.where(reason == "", "known", "unknown"),
            "reason": reason,
        }
    )
    return table[RATE_COLUMNS], likeliest


def _counted_otherwise(
    sources: Sequence[Evidence], grid_s: np.ndarray, rate_hz: np.ndarray, near: np.ndarray
) -> np.ndarray:
    """Whether breaths pass at another rate than is told, in the source of which it explains most.

    Not asked where it explains nearly all, nor where movement shows, which is counted as well.
    """
    explained = np.array([np.where(near, source.share, 0.0).max(axis=1) for source in sources])
    counted = []
    for evidence in sources:
        times, smoothed = evidence.source.times, evidence.source.smoothed_breaths
        counted.append(
            counted_hz(times, evidence.level, grid_s, rate_hz, smoothed_breaths=smoothed)
        )
    apart_hz = np.abs(np.choose(explained.argmax(axis=0), counted) - rate_hz)
    asked = np.isnan([source.cadence_hz for source in sources]).all(axis=0)
    asked &= explained.max(axis=0) < COUNTED_BELOW_SHARE
    return asked & (apart_hz > COUNTED_WITHIN_HZ)


def _why_unknown(
    sources: Sequence[Evidence],
    likeliest: np.ndarray,
    near: np.ndarray,
    confidence: np.ndarray,
    cadence_hz: np.ndarray,
) -> np.ndarray:
    """Why the rate is not known at each moment, empty where it is.

    `likeliest` numbers the likeliest rate, `near` says which rates are around it (moments, rates).
    """
    reason = np.full(confidence.size, "", dtype=object)
    reason[(likeliest == 0) | (likeliest == RATES_HZ.size - 1)] = (
        f"no rate between {RATES_HZ[0]:g} and {RATES_HZ[-1]:g} Hz stands out"
    )
    enough = np.any([source.enough for source in sources], axis=0)
    reason[~(enough & near).any(axis=1)] = IRREGULAR
    unclear = confidence < LEAST_CONFIDENCE
    reason[unclear] = NO_RHYTHM
    for row in np.flatnonzero(unclear & np.isfinite(cadence_hz)):
        cadence = f"the cadence on the session sheet, {cadence_hz[row]:.2g} Hz"
        reason[row] = f"movement at {cadence}, hides breathing"
    reason[np.all([source.still for source in sources], axis=0)] = "the signal does not vary"
    few = np.all([source.few for source in sources], axis=0)
    reason[few] = f"too few values within {WINDOW_S:g} s"
    return reason


def _belief(log_odds: np.ndarray) -> np.ndarray:
    """Probability of each rate at each moment, from all moments; the rest is that of no rhythm.

    Forwards and backwards through a chain whose states are `no rhythm` and the rates.
    """
    moments, rates = log_odds.shape
    # windows overlap: only every quarter of a window brings evidence of its own
    likelihood = np.ones((moments, rates + 1))
    likelihood[:, 1:] = np.exp(np.clip(log_odds * 4 * STEP_S / WINDOW_S, -30.0, 30.0))
    change = np.exp(-0.5 * ((RATES_HZ[:, None] - RATES_HZ) / (CHANGE_HZ * np.sqrt(STEP_S))) ** 2)
    change += JUMP
    lost, back = STEP_S / LOST_AFTER_S, STEP_S / BACK_AFTER_S
    step = np.empty((rates + 1, rates + 1))
    step[1:, 1:] = (1 - lost) * change / change.sum(axis=1, keepdims=True)
    step[1:, 0], step[0, 0], step[0, 1:] = lost, 1 - back, back / rates
    before = np.empty_like(likelihood)
    state = np.concatenate([[0.5], np.full(rates, 0.5 / rates)])
    for row in range(moments):
        state = (state @ step if row else state) * likelihood[row]
        state /= state.sum()
        before[row] = state
    after = np.ones(rates + 1)
    for row in range(moments - 2, -1, -1):
        after = step @ (after * likelihood[row + 1])
        after /= after.sum()
        before[row] *= after
    return before[:, 1:] / before.sum(axis=1, keepdims=True)
