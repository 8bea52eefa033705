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
session: its probability of a rate is what is believed, and where it stays low breathing is
`unknown`, with the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

RATE_COLUMNS = ["time_s", "rate_hz", "confidence", "status", "reason"]

STEP_S = 1.0

WINDOW_S = 20.0

RATES_HZ = np.arange(10, 101) / 100

# a rate counts as told within so much, and its confidence is the probability of that
WITHIN_HZ = 0.03

LEAST_CONFIDENCE = 0.9

# What varies irregularly has no single rate: least share of the variance beside the slow course
# that it must explain in beats and in a belt, which sees every breath (conventions).
LEAST_OF_BEATS, LEAST_OF_BELT = 0.2, 0.6

FEWEST_VALUES = 8

# Rhythms of blood pressure end at about 0.15 Hz (Task Force 1996), their flank somewhat above.
SLOWEST_OF_INTERVALS_HZ = 0.15

BEYOND_SLOW_RHYTHMS_HZ = 0.18

# above this share of the rate of the beats a rhythm cannot be told from its fold at the half
FASTEST_SHARE = 0.45

# Conventions, set on simulated sessions: change of the rate in a second (SD), mean time until a
# rhythm is lost or comes back, chance of a jump to any other rate.
CHANGE_HZ = 0.012

LOST_AFTER_S, BACK_AFTER_S = 60.0, 30.0

JUMP = 1e-4

# windows computed at once: products small enough that no linear-algebra threads are started
BLOCK = 16

# movement shows at the cadence, or where a repetition moves twice at its double
ONCE_AND_TWICE = np.array([1, 2])

# and in at least this share of the windows of a set
MOVEMENT_SHARE = 0.4

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
    taken off whole up to `slow_hz`, and a rate explains `least_explained` of the rest."""

    times: np.ndarray
    values: np.ndarray
    from_hz: float
    slow_hz: float
    least_explained: float


class Evidence(NamedTuple):
    """What windows say about each rate, shape (windows, rates) where not said otherwise.

    `enough`: whether a rhythm of that rate explains as much as it must; `log_odds`: of such a
    rhythm against none; `visible`: where one could be told; `few`, `still` and `cadence_hz` per
    window: too few values, values that do not vary, and the cadence that shows in it (NaN without).
    """

    enough: np.ndarray
    log_odds: np.ndarray
    visible: np.ndarray
    few: np.ndarray
    still: np.ndarray
    cadence_hz: np.ndarray


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
    swing = Source(middle_s, intervals[usable], SLOWEST_OF_INTERVALS_HZ, 0.12, LEAST_OF_BEATS)
    repetitions = tuple(repetitions)
    by_intervals = evidence_of(swing, grid_s, repetitions)
    sources = [by_intervals]
    if amplitude is not None:
        height = np.asarray(amplitude, dtype=float)
        if height.size != beats.size:
            raise ValueError(f"amplitude has {height.size} values for {beats.size} beats")
        usable = np.isfinite(height)
        by_height = evidence_of(
            Source(beats[usable], height[usable], RATES_HZ[0], 0.05, LEAST_OF_BEATS),
            grid_s,
            repetitions,
        )
        sources.append(by_height)
    table, place = _followed(sources, grid_s)
    rows = np.arange(grid_s.size)
    height_shows = np.zeros(grid_s.size, dtype=bool)
    if amplitude is not None:
        height_shows = by_height.log_odds[rows, place] > 0
    known = (table["status"] == "known").to_numpy()
    low = known & ~height_shows & (table["rate_hz"].to_numpy() < BEYOND_SLOW_RHYTHMS_HZ)
    table.loc[low, ["rate_hz", "status", "reason"]] = [np.nan, "unknown", LOW_BY_INTERVALS]
    if amplitude is not None:
        table.loc[known & ~low & ~height_shows, "reason"] = FROM_INTERVALS
    return table


def respiration_from_belt(time_s: np.ndarray, value: np.ndarray) -> pd.DataFrame:
    """Breathing rate from a belt or flow signal in any unit; table as `respiration_from_beats`.

    `time_s` may be uneven and `value` may hold NaN. Samples are averaged in bins of 0.4 s, so that
    neighbouring values are about independent in the range searched. Raises ValueError for unequal
    lengths or unsorted times.
    """
    times = np.asarray(time_s, dtype=float)
    values = np.asarray(value, dtype=float)
    if times.size != values.size:
        raise ValueError(f"value has {values.size} samples for {times.size} times")
    if np.any(np.diff(times) < 0):
        raise ValueError("times must be sorted")
    grid_s = _grid(times)
    usable = np.isfinite(values)
    times, values = times[usable], values[usable]
    if times.size:
        bins = np.floor((times - times[0]) / (0.4 / RATES_HZ[-1])).astype(int)
        count = np.bincount(bins)
        filled = count > 0
        times = np.bincount(bins, times)[filled] / count[filled]
        values = np.bincount(bins, values)[filled] / count[filled]
    return _followed(
        [evidence_of(Source(times, values, RATES_HZ[0], 0.05, LEAST_OF_BELT), grid_s)], grid_s
    )[0]


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
    share, effective, rate_hz = explained_share(
        source.times, level, grid_s, RATES_HZ, window_s=WINDOW_S
    )
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
        windows = [_window(source.times, level, grid_s[row]) for row in of_set]
        seen_hz = [_folded_hz(one_set.cadence_hz * ONCE_AND_TWICE, rate_hz[row]) for row in of_set]
        shows = [
            _movement_shows(window, share[row], freedom[row], seen[0])
            for row, window, seen in zip(of_set, windows, seen_hz, strict=True)
        ]
        # breathing may pass the cadence; movement stays at it
        if sum(shows) < MOVEMENT_SHARE * len(shows):
            continue
        for row, window, seen in zip(of_set, windows, seen_hz, strict=True):
            cadence_hz[row] = one_set.cadence_hz
            share[row], told = _share_beside(window, seen)
            visible[row] &= told
            freedom[row] = max(freedom[row] - 2 * len(seen), 4.0)
    log_odds = np.where(visible, _log_odds(share, freedom[:, None]), 0.0)
    enough = visible & (share >= source.least_explained)
    return Evidence(enough, log_odds, visible, few, still, cadence_hz)


def _folded_hz(rate_hz: np.ndarray, beat_rate_hz: float) -> np.ndarray:
    """Where a rate shows that is sampled once a beat."""
    return np.abs(rate_hz - beat_rate_hz * np.round(rate_hz / beat_rate_hz))


def _log_odds(share: np.ndarray, freedom: np.ndarray) -> np.ndarray:
    """Log of the Bayes factor of a sinusoid that explains `share`, against none (Liang et al. 2008,
    equation 6, two regressors, g as large as the sample)."""
    return (freedom - 3) / 2 * np.log1p(freedom) - (freedom - 1) / 2 * np.log1p(
        freedom * (1 - share)
    )


def without_slow_course(
    times: np.ndarray, values: np.ndarray, *, slow_hz: float, from_hz: float
) -> np.ndarray:
    """Values without what is slower than `slow_hz`, outliers drawn in to five robust SDs.

    What is faster than `from_hz` is left whole. Both edges are those of a transform at 4 Hz of the
    series turned about its ends: a slow rhythm below them leaves nothing above them.
    """
    if times.size < 4 or np.ptp(values) <= 1e-9 * np.abs(np.median(values)):
        return np.zeros(values.size)
    calm = _drawn_in(values, np.median(values), 8.0)
    even_s = np.arange(times[0], times[-1], 0.25)
    series = np.interp(even_s, times, calm)
    margin = min(series.size - 1, 120)
    before = 2 * series[0] - series[margin:0:-1]
    after = 2 * series[-1] - series[-2 : -margin - 2 : -1]
    long = np.concatenate([before, series, after])
    line = np.linspace(long[0], long[-1], long.size)
    rising = (np.fft.rfftfreq(long.size, 0.25) - slow_hz) / (from_hz - slow_hz)
    slow = 0.5 + 0.5 * np.cos(np.pi * np.clip(rising, 0.0, 1.0))
    course = np.fft.irfft(np.fft.rfft(long - line) * slow, long.size) + line
    rest = calm - np.interp(times, even_s, course[margin : margin + series.size])
    return _drawn_in(rest, 0.0, 5.0)


def _drawn_in(values: np.ndarray, middle: float, most: float) -> np.ndarray:
    spread = most * 1.4826 * np.median(np.abs(values - middle))
    return np.clip(values, middle - spread, middle + spread) if spread > 0 else values


def explained_share(
    times: np.ndarray,
    values: np.ndarray,
    centres: np.ndarray,
    frequency_hz: np.ndarray,
    *,
    window_s: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Share of variance that a sinusoid explains in Hann windows, at uneven sampling times.

    Returns the share (windows x frequencies, 0..1; 0 above half the rate of the values), the
    effective number of values per window and their mean rate in Hz. Source: generalised
    periodogram with a floating mean, Zechmeister & Kuerster 2009, Astron Astrophys 496:577-584.
    """
    phase = 2 * np.pi * (times - times[:1])[:, None] * frequency_hz
    cosines, sines = np.cos(phase), np.sin(phase)
    # the steep filter rings for some seconds: what is far smaller than the rest shows nothing
    least_variance = 3e-4 * np.var(values) if values.size else 0.0
    share = np.zeros((centres.size, frequency_hz.size))
    effective = np.zeros(centres.size)
    rate_hz = np.zeros(centres.size)
    half = window_s / 2
    for begin in range(0, centres.size, BLOCK):
        block = slice(begin, begin + BLOCK)
        low, high = np.searchsorted(times, [centres[block][0] - half, centres[block][-1] + half])
        if high - low < 2:
            continue
        distance = times[None, low:high] - centres[block, None]
        near = np.abs(distance) < half
        weight = np.where(near, np.cos(np.pi * distance / window_s) ** 2, 0.0)
        total = weight.sum(axis=1)
        occupied = total > 0
        weight[occupied] /= total[occupied, None]
        squares = (weight**2).sum(axis=1)
        effective[block] = np.divide(1.0, squares, out=np.zeros_like(squares), where=occupied)
        begins = np.maximum(centres[block] - half, times[0])
        ends = np.minimum(centres[block] + half, times[-1])
        rate_hz[block] = near.sum(axis=1) / np.maximum(ends - begins, window_s / 4)
        visible = np.searchsorted(frequency_hz, rate_hz[block].max() / 2, side="right")
        cosine, sine = cosines[low:high, :visible], sines[low:high, :visible]
        y = values[low:high]
        mean = weight @ y
        mean_cosine, mean_sine = weight @ cosine, weight @ sine
        variance = (weight @ y**2 - mean**2)[:, None] + least_variance
        y_cosine = (weight * y) @ cosine - mean[:, None] * mean_cosine
        y_sine = (weight * y) @ sine - mean[:, None] * mean_sine
        square_of_cosine = weight @ cosine**2
        cosine_cosine = square_of_cosine - mean_cosine**2
        sine_sine = occupied[:, None] - square_of_cosine - mean_sine**2
        cosine_sine = weight @ (cosine * sine) - mean_cosine * mean_sine
        determinant = cosine_cosine * sine_sine - cosine_sine**2
        explained = (
            sine_sine * y_cosine**2
            + cosine_cosine * y_sine**2
            - 2 * cosine_sine * y_cosine * y_sine
        )
        possible = (determinant > 1e-6) & (variance > 1.001 * least_variance)
        share[block, :visible] = np.divide(
            explained,
            determinant * variance,
            out=np.zeros_like(explained),
            where=possible,
        )
    return np.clip(share, 0.0, 1.0 - 1e-9), effective, rate_hz


class _Window(NamedTuple):
    """Times (s) from its middle on, and values, of those within half a window of it."""

    since: np.ndarray
    values: np.ndarray


def _window(times: np.ndarray, values: np.ndarray, centre_s: float) -> _Window:
    limits = np.searchsorted(times, [centre_s - WINDOW_S / 2, centre_s + WINDOW_S / 2])
    return _Window(times[slice(*limits)] - centre_s, values[slice(*limits)])


def _movement_shows(window: _Window, share: np.ndarray, freedom: float, cadence_hz: float) -> bool:
    """Whether a rhythm at the cadence stands out, beside the strongest one that is elsewhere."""
    at = int(np.argmin(np.abs(RATES_HZ - cadence_hz)))
    if _log_odds(share[at], freedom) <= 0:
        return False
    elsewhere = np.abs(RATES_HZ - cadence_hz) > 2 * WITHIN_HZ
    strongest_hz = RATES_HZ[elsewhere][np.argmax(share[elsewhere])]
    beside, told = _share_beside(window, np.array([strongest_hz]))
    return bool(told[at] and _log_odds(beside[at], max(freedom - 2, 4.0)) > 0)


def _share_beside(window: _Window, beside_hz: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Share that a sinusoid of each of RATES_HZ explains of what others leave in one Hann window.

    The others, of `beside_hz` (Hz), are fitted beside it. Returns the share and, per rate, whether
    it can be told from them: a good part of its own variance must be left.
    """
    since, values = window
    root = np.cos(np.pi * since / WINDOW_S)
    turn = 2 * np.pi * since[:, None] * np.concatenate([beside_hz, RATES_HZ])
    cosine, sine = root[:, None] * np.cos(turn), root[:, None] * np.sin(turn)
    n = len(beside_hz)
    others, _ = np.linalg.qr(np.column_stack([root, cosine[:, :n], sine[:, :n]]))
    left = np.column_stack([root * values, cosine[:, n:], sine[:, n:]])
    left -= others @ (others.T @ left)
    y, cosine, sine = left[:, 0], *np.split(left[:, 1:], 2, axis=1)
    cosine_cosine, sine_sine = np.sum(cosine**2, axis=0), np.sum(sine**2, axis=0)
    cosine_sine = np.sum(cosine * sine, axis=0)
    determinant = cosine_cosine * sine_sine - cosine_sine**2
    told = determinant > (0.15 * np.sum(root**2)) ** 2
    y_cosine, y_sine = y @ cosine, y @ sine
    explained = (
        sine_sine * y_cosine**2 + cosine_cosine * y_sine**2 - 2 * cosine_sine * y_cosine * y_sine
    )
    variance = max(float(y @ y), 1e-3 * float(np.sum((root * values) ** 2)), 1e-300)
    share = np.divide(explained, determinant * variance, out=np.zeros(told.size), where=told)
    return np.clip(share, 0.0, 1.0 - 1e-9), told


def _followed(sources: Sequence[Evidence], grid_s: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """Rate through the evidence of all sources, and per moment the number of the likeliest rate."""
    log_odds = np.zeros((grid_s.size, RATES_HZ.size))
    for source in sources:
        # breathing may show in one source and not in the other
        may_show = source.log_odds
        log_odds += np.logaddexp(0, may_show) - np.log(2) if len(sources) > 1 else may_show
    possible = np.any([source.visible for source in sources], axis=0)
    hidden = np.any([np.isfinite(source.cadence_hz) for source in sources], axis=0)
    # a rate that movement hides is neither likelier nor less likely than before
    possible |= hidden[:, None] & (RATES_HZ >= SLOWEST_OF_INTERVALS_HZ)
    belief = _belief(np.where(possible, log_odds, -np.inf))
    reach = round(WITHIN_HZ / (RATES_HZ[1] - RATES_HZ[0]))
    total = np.zeros((grid_s.size, RATES_HZ.size + 2 * reach + 1))
    total[:, reach + 1 : reach + 1 + RATES_HZ.size] = np.cumsum(belief, axis=1)
    total[:, reach + 1 + RATES_HZ.size :] = total[:, [reach + RATES_HZ.size]]
    within = total[:, 2 * reach + 1 :] - total[:, : -2 * reach - 1]
    place = within.argmax(axis=1)
    confidence = within[np.arange(grid_s.size), place]
    near = np.abs(np.arange(RATES_HZ.size) - place[:, None]) <= reach
    weight = np.where(near, belief, 0.0)
    rate_hz = weight @ RATES_HZ / np.maximum(weight.sum(axis=1), 1e-300)

    few = np.all([source.few for source in sources], axis=0)
    still = np.all([source.still for source in sources], axis=0)
    reason = np.full(grid_s.size, "", dtype=object)
    at_edge = (place == 0) | (place == RATES_HZ.size - 1)
    reason[at_edge] = f"no rate between {RATES_HZ[0]:g} and {RATES_HZ[-1]:g} Hz stands out"
    enough = np.any([source.enough for source in sources], axis=0)
    reason[~(enough & near).any(axis=1)] = IRREGULAR
    reason[confidence < LEAST_CONFIDENCE] = NO_RHYTHM
    cadence_hz = np.fmax.reduce([source.cadence_hz for source in sources])
    for row in np.flatnonzero(hidden & (confidence < LEAST_CONFIDENCE)):
        reason[row] = (
            f"movement at the cadence on the session sheet, {cadence_hz[row]:.2g} Hz, hides "
            "breathing"
        )
    reason[still] = "the signal does not vary"
    reason[few] = f"too few values within {WINDOW_S:g} s"
    known = reason == ""
    table = pd.DataFrame(
        {
            "time_s": grid_s,
            "rate_hz": np.where(known, rate_hz, np.nan),
            "confidence": np.where(few | still, 0.0, np.clip(confidence, 0.0, 1.0)),
            "status": np.where(known, "known", "unknown"),
            "reason": reason,
        }
    )
    return table[RATE_COLUMNS], place


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
