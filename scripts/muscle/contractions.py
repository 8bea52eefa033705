"""The ripple that contractions leave in muscle oxygen saturation: rate, size and count.

Each contraction squeezes blood out of the volume under the sensor, so saturation ripples at the
cadence of the repetitions. The ripple is followed by local harmonic regression: around every moment
a straight line, a sine and a cosine at the cadence are fitted to the readings nearby (Cleveland and
Devlin 1988 J Am Stat Assoc 83:596, with a sinusoid beside the line). It needs no even sampling and
no readings inside gaps.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from recordings.gaps import BRIDGED_STEPS
from recordings.time_axis import sampling_step_s, usable_share
from results.estimate import Estimate

# share by which a cadence may differ from the one that is noted
SAME_CADENCE = 0.2

# chance with which noise alone may make what is taken for a ripple
FALSE_ALARM = 0.001


class Cadences(NamedTuple):
    """Cadences that are searched, and the readings needed of one contraction (usually 2.5)."""

    slowest_hz: float
    fastest_hz: float
    readings_each: float

    def shown(self, step_s: float, length_s: float) -> tuple[float, float]:
        """Slowest and fastest that a window shows twice and this sampling can follow.

        A tenth beyond the sampling limit, so that one that drifts up to it is still followed.
        """
        seen_hz = 1 / (step_s * self.readings_each)
        fastest_hz = min(self.fastest_hz, 1.1 * seen_hz, 0.45 / step_s)
        return max(self.slowest_hz, 2 / length_s), fastest_hz


@dataclass(frozen=True)
class Contractions:
    """What the ripple of one set tells.

    Fields: ``count`` (contractions), ``rate_hz``, ``amplitude_pct`` (half of peak to trough, in
    points of saturation) as estimates, all refused with the same reason when there is no ripple to
    read; ``course``, a table of time_s, rate_hz, amplitude_pct along the set; ``onset_s`` and
    ``offset_s``, where the ripple begins and ends, with their errors (NaN when refused);
    ``settled``, whether a noted cadence settles which of those alike at this sampling it is.
    """

    count: Estimate
    rate_hz: Estimate
    amplitude_pct: Estimate
    course: pd.DataFrame
    onset_s: float = float("nan")
    offset_s: float = float("nan")
    onset_se_s: float = float("nan")
    offset_se_s: float = float("nan")
    settled: bool = False


@dataclass(frozen=True)
class Ripple:
    """The ripple at one cadence: moments in seconds, amplitude in points, phase in cycles."""

    time_s: np.ndarray
    amplitude_pct: np.ndarray
    phase_cycles: np.ndarray


def local_ripple(
    time_s: ArrayLike,
    readings: ArrayLike,
    moment_s: ArrayLike,
    *,
    rate_hz: float,
    reach_s: float,
) -> Ripple:
    """Amplitude and phase of a ripple near `rate_hz` at each moment, by local harmonic regression.

    `reach_s` is the half-width of the triangular weight. NaN where fewer than six usable readings
    or less than three quarters of a cycle lie within reach. The phase is unwrapped and counts
    cycles of the ripple itself, not of `rate_hz`.
    """
    time = np.asarray(time_s, dtype=float)
    reading = np.asarray(readings, dtype=float)
    moment = np.asarray(moment_s, dtype=float)
    usable = np.isfinite(reading)
    time, reading = time[usable], reading[usable]
    amplitude = np.full(len(moment), np.nan)
    phase = np.full(len(moment), np.nan)
    first = np.searchsorted(time, moment - reach_s, side="right")
    count = np.searchsorted(time, moment + reach_s, side="left") - first
    enough = np.flatnonzero(count >= 6)
    first, count = first[enough], count[enough]
    enough_s = time[first + count - 1] - time[first] >= 0.75 / rate_hz
    enough, first, count = enough[enough_s], first[enough_s], count[enough_s]
    if len(enough):
        # All moments at once: as many places as the fullest has readings, the surplus weighs 0.
        at = first[:, None] + np.arange(count.max())
        real = at < (first + count)[:, None]
        at = np.minimum(at, len(time) - 1)
        away = time[at] - moment[enough, None]
        root = np.sqrt(np.where(real, np.maximum(1 - np.abs(away) / reach_s, 0.0), 0.0))
        angle = 2 * np.pi * rate_hz * away
        columns = [np.ones_like(away), away, np.cos(angle), np.sin(angle)]
        weighted = np.stack(columns, axis=1) * root[:, None, :]
        normal = weighted @ weighted.transpose(0, 2, 1)
        scale = np.trace(normal, axis1=1, axis2=2) * 1e-9
        normal += scale[:, None, None] * np.eye(4)
        weight = np.linalg.solve(normal, weighted @ (root * reading[at])[:, :, None])[:, :, 0]
        amplitude[enough] = np.hypot(weight[:, 2], weight[:, 3])
        phase[enough] = np.arctan2(-weight[:, 3], weight[:, 2]) / (2 * np.pi)
    known = np.isfinite(phase)
    phase[known] = _unwrap_cycles(phase[known], moment[known], rate_hz)
    return Ripple(moment, amplitude, phase)


def low_points(time_s, readings, start_s, end_s, rate_hz):
    """Moments in s at which the ripple at `rate_hz` is lowest, between start and end of a set.

    A contraction empties the volume under the sensor: each cycle of the ripple has one low point,
    where its phase is half a cycle. A list, empty where there is no ripple.
    """
    period_s = 1.0 / rate_hz
    reach_s = max(1.5 * period_s, 3.5 * float(np.median(np.diff(time_s))))
    near = slice(*np.searchsorted(time_s, [start_s - 2 * reach_s, end_s + 2 * reach_s]))
    moments_s = np.arange(start_s, end_s, period_s / 8)
    ripple = local_ripple(time_s[near], readings[near], moments_s, rate_hz=rate_hz, reach_s=reach_s)
    known = np.isfinite(ripple.phase_cycles)
    if known.sum() < 2:
        return []
    cycles = np.maximum.accumulate(ripple.phase_cycles[known])
    halves = np.arange(np.ceil(cycles[0] - 0.5), np.floor(cycles[-1] - 0.5) + 1) + 0.5
    return np.round(np.interp(halves, cycles, moments_s[known]), 3).tolist()


def find_contractions(
    time_s: ArrayLike,
    readings: ArrayLike,
    start_s: float,
    end_s: float,
    cadences: Cadences,
    *,
    min_usable_share: float,
    limits_error_s: tuple[float, float] = (2.0, 2.0),
    noted_rate_hz: float = 0.0,
) -> Contractions:
    """Find, time and count the contractions of a set from the ripple of saturation.

    The count is the most probable whole number of cycles between onset and offset of the ripple,
    given its phase, the noise and limits of the set that are right within `limits_error_s` (SD of
    each); its error is that of the distribution.

    Flagged when that number holds with a chance below 0.9, when a faster cadence of the search
    would look the same at this sampling (aliasing) and the cadence on the session sheet,
    `noted_rate_hz` (0 without one), does not settle it, or when a gap is longer than one and a half
    contractions. Refused, and said why, when sampling gives too few readings per contraction of the
    noted, else the slowest, cadence, when too little is usable, or when noise makes such a ripple
    with a chance above FALSE_ALARM (Scargle 1982 Astrophys J 263:835, for noise without memory).
    """
    time = np.asarray(time_s, dtype=float)
    reading = np.asarray(readings, dtype=float)
    step_s = sampling_step_s(time)
    length_s = end_s - start_s
    needed_hz = noted_rate_hz or cadences.slowest_hz
    if needed_hz * step_s * cadences.readings_each > 1 + 1e-9:
        return _refused(
            f"one reading every {step_s:.2g} s is too slow for contractions at {needed_hz:.2g} Hz: "
            f"{1 / (step_s * needed_hz):.1f} readings each, {cadences.readings_each:g} needed"
        )
    share = usable_share(time, reading, start_s, end_s)
    if share < min_usable_share:
        return _refused(f"{100 * share:.0f} % of the set is usable")
    search_hz = cadences.shown(step_s, length_s)
    if search_hz[0] >= search_hz[1]:
        return _refused(f"{length_s:.0f} s hold fewer than two contractions")
    inside = (time >= start_s) & (time <= end_s) & np.isfinite(reading)
    cadence = _cadence(time[inside], reading[inside], *search_hz)
    if cadence.chance > FALSE_ALARM:
        return _refused("no ripple stands out of the noise")
    # few people keep a metronome better
    settled = abs(cadence.rate_hz - noted_rate_hz) <= SAME_CADENCE * noted_rate_hz
    caution, remark = "", ""
    folded_hz = 1 / step_s - cadence.rate_hz
    if folded_hz <= cadences.fastest_hz:
        alike = f"at this sampling {folded_hz:.2g} Hz would look like {cadence.rate_hz:.2g} Hz"
        noted = f"the cadence on the session sheet, {noted_rate_hz:.2g} Hz"
        if settled:
            remark = f"by {noted}: {alike}"
        else:
            caution = f"{alike}, and neither is {noted}" if noted_rate_hz else alike
    followed = _follow_ripple(
        time, reading, start_s, end_s, cadence.rate_hz, limits_error_s, caution, remark
    )
    return replace(followed, settled=settled)


def ripple_chance(
    time_s: ArrayLike,
    readings: ArrayLike,
    moment_s: ArrayLike,
    cadences: Cadences,
    *,
    window_s: float,
) -> np.ndarray:
    """Chance that noise alone makes the strongest ripple of the window centred on each moment.

    1 where no ripple could be seen. Scargle 1982 Astrophys J 263:835, for noise without memory.
    """
    time = np.asarray(time_s, dtype=float)
    reading = np.asarray(readings, dtype=float)
    moment = np.asarray(moment_s, dtype=float)
    time, reading = time[np.isfinite(reading)], reading[np.isfinite(reading)]
    chance = np.ones(len(moment))
    step_s = sampling_step_s(time)
    low_hz, high_hz = cadences.shown(step_s, window_s)
    if not low_hz < high_hz:
        return chance
    # Windows of an even grid have their waves in common; one that meets a gap has its own.
    grid_s, level = _at_even_times(time, reading, max(step_s, 1 / (5 * high_hz)))
    spacing_s = grid_s[1] - grid_s[0]
    length = int(window_s / spacing_s)
    first = np.rint((moment - window_s / 2 - grid_s[0]) / spacing_s).astype(int)
    inside = np.flatnonzero((first >= 0) & (first + length <= len(grid_s)))
    windows = level[first[inside, None] + np.arange(length)]
    whole = np.isfinite(windows).all(axis=1)
    if whole.any() and length >= 8:
        spectra = _spectra(grid_s[:length], windows[whole], low_hz, high_hz)
        chance[inside[whole]] = spectra.chance(spectra.explained.max(axis=1))
    for number in np.setdiff1d(np.arange(len(moment)), inside[whole]):
        near = np.abs(time - moment[number]) <= window_s / 2
        if near.sum() >= 8:
            chance[number] = _cadence(time[near], reading[near], low_hz, high_hz).chance
    return chance


def _at_even_times(
    time: np.ndarray, reading: np.ndarray, spacing_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """The trace at even times, between readings by straight lines, NaN inside gaps."""
    step_s = sampling_step_s(time)
    if spacing_s > step_s:
        time, reading = means_in_bins(time, reading, spacing_s)
    grid_s = np.arange(time[0], time[-1] + spacing_s / 2, spacing_s)
    level = np.interp(grid_s, time, reading)
    after = np.clip(np.searchsorted(time, grid_s), 1, len(time) - 1)
    level[time[after] - time[after - 1] > BRIDGED_STEPS * max(step_s, spacing_s)] = np.nan
    return grid_s, level


def _refused(reason: str) -> Contractions:
    refusal = Estimate.refused(reason)
    course = pd.DataFrame({"time_s": [], "rate_hz": [], "amplitude_pct": []}, dtype=float)
    return Contractions(refusal, refusal, refusal, course)


@dataclass(frozen=True)
class _Cadence:
    rate_hz: float
    chance: float


@dataclass(frozen=True)
class _Spectra:
    """What a wave at each rate explains of each window (a row each) beside its slow course."""

    rates_hz: np.ndarray
    explained: np.ndarray
    total: np.ndarray
    freedom: int
    independent: float

    def chance(self, explained: np.ndarray) -> np.ndarray:
        """Chance that noise explains as much at one of the rates."""
        if self.freedom < 2:
            return np.ones(len(self.total))
        unexplained = np.maximum(self.total - explained, 1e-12)
        ratio = explained / unexplained
        return 1 - (1 - (1 + ratio) ** (-self.freedom / 2)) ** self.independent


def _spectra(time: np.ndarray, windows: np.ndarray, low_hz: float, high_hz: float) -> _Spectra:
    """Least-squares spectra of windows with the same times, at quarters of the resolution."""
    length_s = time[-1] - time[0]
    clock = time - (time[0] + time[-1]) / 2
    # A polynomial of order k holds k/2 cycles: at most half of the slowest cadence.
    order = int(np.clip(length_s * low_hz, 2, 8))
    slow, _ = np.linalg.qr(np.polynomial.legendre.legvander(2 * clock / length_s, order))
    residual = windows - (windows @ slow) @ slow.T
    rates_hz = np.arange(low_hz, high_hz, 0.25 / length_s)
    # Both waves without the slow course, and what the plane that they span explains.
    # each rate turns the wave of the one before by the same angle: no sine of every cell
    turns = np.empty((len(clock), len(rates_hz)), dtype=complex)
    turns[:, 1:] = np.exp(2j * np.pi * clock * 0.25 / length_s)[:, None]
    turns[:, 0] = np.exp(2j * np.pi * clock * low_hz)
    waves = np.cumprod(turns, axis=1)
    cosine, sine = waves.real.copy(), waves.imag.copy()
    cosine -= slow @ (slow.T @ cosine)
    sine -= slow @ (slow.T @ sine)
    cosine /= np.maximum(np.linalg.norm(cosine, axis=0), 1e-6)
    sine -= cosine * np.sum(cosine * sine, axis=0)
    sine /= np.maximum(np.linalg.norm(sine, axis=0), 1e-6)
    return _Spectra(
        rates_hz,
        (residual @ cosine) ** 2 + (residual @ sine) ** 2,
        np.sum(residual**2, axis=1),
        len(time) - order - 4,
        max(1.0, (high_hz - low_hz) * length_s),
    )


def _cadence(time: np.ndarray, reading: np.ndarray, low_hz: float, high_hz: float) -> _Cadence:
    """Strongest cadence of a set beside its slow course, and the chance that noise makes it."""
    time, reading = means_in_bins(time, reading, 1 / (5 * high_hz))
    spectra = _spectra(time, reading[None, :], low_hz, high_hz)
    rates_hz, explained = spectra.rates_hz, spectra.explained[0]
    best = int(np.argmax(explained))
    # Half the cadence, when it carries a good part: each repetition then has two squeezes.
    half = np.abs(rates_hz - rates_hz[best] / 2) < 0.5 / (time[-1] - time[0])
    if half.any() and explained[half].max() > 0.3 * explained[best]:
        best = int(np.flatnonzero(half)[np.argmax(explained[half])])
    return _Cadence(float(rates_hz[best]), float(spectra.chance(explained[[best]])[0]))


def means_in_bins(
    time: np.ndarray, reading: np.ndarray, bin_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Means of times and readings in bins of `bin_s`, empty bins left out."""
    bin_of = np.floor((time - time[0]) / bin_s).astype(int)
    filled, bin_of = np.unique(bin_of, return_inverse=True)
    count = np.bincount(bin_of, minlength=len(filled))
    return np.bincount(bin_of, time) / count, np.bincount(bin_of, reading) / count


def _unwrap_cycles(phase: np.ndarray, moment: np.ndarray, rate_hz: float) -> np.ndarray:
    """Phase in cycles that runs on, allowing for the cadence between moments."""
    if not len(phase):
        return phase
    expected = rate_hz * np.diff(moment)
    jump = np.diff(phase)
    jump = jump - np.round(jump - expected)
    return np.concatenate([[phase[0]], phase[0] + np.cumsum(jump)])


@dataclass(frozen=True)
class _Ends:
    """The most probable whole number of cycles, its chance, and the ends of the ripple with it."""

    count: int
    count_se: float
    chance: float
    onset_s: float
    offset_s: float
    onset_se: float
    offset_se: float


def _most_probable_ends(begin, finish, begin_support, finish_support, step_s) -> _Ends:
    """Among candidates for both ends those a whole number of cycles apart, by their support.

    The supports are logarithms of likelihoods. Every contraction is a whole cycle: ends that leave
    a fraction cannot both be right.
    """
    support = begin_support[:, None] + finish_support
    sixteenths = finish.sixteenth - begin.sixteenth[:, None]
    support = np.where((sixteenths % 16 == 0) & (sixteenths > 0), support, -np.inf)
    chance = np.exp(support - support.max())
    chance /= chance.sum()
    counts, number_of_count = np.unique(sixteenths // 16, return_inverse=True)
    chance_of_count = np.bincount(number_of_count.ravel(), chance.ravel())
    best = int(np.argmax(chance_of_count))
    count = int(counts[best])
    agreed = np.where(sixteenths == 16 * count, chance, 0.0) / chance_of_count[best]
    onset_s = float(agreed.sum(axis=1) @ begin.time_s)
    offset_s = float(agreed.sum(axis=0) @ finish.time_s)
    return _Ends(
        count=count,
        count_se=float(np.sqrt(chance_of_count @ (counts - count) ** 2)),
        chance=float(chance_of_count[best]),
        onset_s=onset_s,
        offset_s=offset_s,
        # errors hold for all counts; no limit is known better than rounding to a reading allows
        onset_se=_spread_about(onset_s, begin.time_s, chance.sum(axis=1), step_s),
        offset_se=_spread_about(offset_s, finish.time_s, chance.sum(axis=0), step_s),
    )


def _follow_ripple(
    time: np.ndarray,
    reading: np.ndarray,
    start_s: float,
    end_s: float,
    rate_hz: float,
    limits_error_s: tuple[float, float],
    caution: str,
    remark: str,
) -> Contractions:
    """Follow the ripple through the set, find its ends and count the cycles between them.

    `caution` flags every estimate, `remark` is told without a flag.
    """
    period_s = 1 / rate_hz
    step_s = sampling_step_s(time)
    moment = np.arange(start_s, end_s, period_s / 8)
    reach_s = max(1.5 * period_s, 3.5 * step_s)
    ripple = local_ripple(time, reading, moment, rate_hz=rate_hz, reach_s=reach_s)
    core = _middle_of_ripple(ripple, period_s)
    if core.sum() < 8:
        return _refused("the ripple lasts for less than two contractions")
    clock, cycles = moment[core], ripple.phase_cycles[core]
    amplitude_pct = ripple.amplitude_pct[core]
    amplitude = float(np.median(amplitude_pct))
    ends, noise = _ends_of_ripple(
        time, reading, (start_s, end_s), limits_error_s, clock, cycles, amplitude, period_s
    )
    reasons = [caution] if caution else []
    silent_s = _longest_silence(time, reading, ends.onset_s, ends.offset_s)
    if silent_s > 1.5 * period_s:
        reasons.append(f"counted on across a gap of {silent_s:.1f} s")
    count_reasons = list(reasons)
    if ends.chance < 0.9:
        share = f"{100 * ends.chance:.0f} %"
        count_reasons.append(f"the ends of the ripple are blurred: {ends.count} holds with {share}")
    lasts_s = ends.offset_s - ends.onset_s
    rate = ends.count / lasts_s
    rate_se = rate * float(np.hypot(ends.onset_se, ends.offset_se)) / lasts_s
    amplitude_se = float(noise * np.sqrt(2 * step_s / lasts_s))
    return Contractions(
        _with_reasons(float(ends.count), ends.count_se, count_reasons, remark),
        _with_reasons(rate, rate_se, reasons, remark),
        _with_reasons(amplitude, amplitude_se, reasons, remark),
        pd.DataFrame(
            {
                "time_s": clock,
                "rate_hz": np.gradient(cycles, clock),
                "amplitude_pct": amplitude_pct,
            }
        ),
        ends.onset_s,
        ends.offset_s,
        ends.onset_se,
        ends.offset_se,
    )


def _with_reasons(number: float, se: float, reasons: list[str], remark: str) -> Estimate:
    """An estimate flagged for its reasons; the remark is told and flags nothing."""
    told = [remark] if remark else []
    return Estimate(number, se, "flagged" if reasons else "ok", "; ".join(reasons + told))


def _ends_of_ripple(
    time: np.ndarray,
    reading: np.ndarray,
    limits_s: tuple[float, float],
    limits_error_s: tuple[float, float],
    clock: np.ndarray,
    cycles: np.ndarray,
    amplitude: float,
    period_s: float,
) -> tuple[_Ends, float]:
    """Where the ripple begins and ends, and the SD of a reading beside it.

    The ripple is a wave of `amplitude` whose phase is `cycles` at the times `clock`. The limits of
    the set weigh with it, after their errors.
    """

    def wave(at_s: np.ndarray) -> np.ndarray:
        phase = _phase_at(at_s, clock, cycles, period_s)
        return amplitude * np.cos(2 * np.pi * phase)

    usable = np.isfinite(reading)
    readings = time[usable], reading[usable]
    start_s, end_s = limits_s
    # Candidate ends at sixteenths of a cycle, so that whole numbers of cycles are whole steps.
    begin = _candidates(start_s, clock, cycles, period_s)
    finish = _candidates(end_s, clock, cycles, period_s)
    begin_misfit, begin_noise = _misfit_of_onsets(*readings, wave, begin.time_s, start_s, period_s)
    finish_misfit, finish_noise = _misfit_of_offsets(
        *readings, wave, finish.time_s, end_s, period_s
    )
    noise = float(np.sqrt((begin_noise + finish_noise) / 2))
    begin_support = -begin_misfit / (2 * noise**2)
    begin_support -= (begin.time_s - start_s) ** 2 / (2 * limits_error_s[0] ** 2)
    finish_support = -finish_misfit / (2 * noise**2)
    finish_support -= (finish.time_s - end_s) ** 2 / (2 * limits_error_s[1] ** 2)
    step_s = sampling_step_s(time)
    return _most_probable_ends(begin, finish, begin_support, finish_support, step_s), noise


def _spread_about(
    middle_s: float, moment_s: np.ndarray, chance: np.ndarray, step_s: float
) -> float:
    """Root mean square distance of a distribution over moments, at least that of a reading."""
    return float(np.sqrt(chance @ (moment_s - middle_s) ** 2 + step_s**2 / 12))


@dataclass(frozen=True)
class _Candidates:
    """Moments at which the ripple may begin or end, and their phase in sixteenths of a cycle."""

    time_s: np.ndarray
    sixteenth: np.ndarray


def _candidates(
    limit_s: float, clock: np.ndarray, cycles: np.ndarray, period_s: float
) -> _Candidates:
    """Sixteenths of a cycle up to two contractions either side of a limit."""
    grid_s = np.linspace(limit_s - 2 * period_s, limit_s + 2 * period_s, 257)
    phase = np.maximum.accumulate(_phase_at(grid_s, clock, cycles, period_s))
    sixteenth = np.arange(np.ceil(16 * phase[0]), np.floor(16 * phase[-1]) + 1).astype(int)
    return _Candidates(np.interp(sixteenth / 16, phase, grid_s), sixteenth)


def bent_misfit(
    clock: np.ndarray, level: np.ndarray, bend_s: np.ndarray, *, every_pair: bool = False
) -> np.ndarray:
    """Sum of squares that a line which bends into a parabola at each `bend_s` leaves of a level.

    `level` holds a column per bend, or one column for all; with `every_pair` each of its columns
    is fitted with each bend and a row per bend is given back.
    """
    line, _ = np.linalg.qr(np.column_stack([np.ones_like(clock), clock - clock.mean()]))
    since = np.maximum(clock[:, None] - bend_s, 0.0)
    bend = _unit(since - line @ (line.T @ since))
    bow = since**2
    bow -= line @ (line.T @ bow)
    bow = _unit(bow - bend * np.sum(bow * bend, axis=0))
    rest = level - line @ (line.T @ level)
    total = np.sum(rest**2, axis=0)
    if every_pair:
        return total - (bend.T @ rest) ** 2 - (bow.T @ rest) ** 2
    return total - np.sum(bend * rest, axis=0) ** 2 - np.sum(bow * rest, axis=0) ** 2


def _unit(columns: np.ndarray) -> np.ndarray:
    """Columns at length 1; one that is nothing but rounding, from a bend at the edge, at 0."""
    length = np.linalg.norm(columns, axis=0)
    return np.where(length > 1e-9, columns / np.maximum(length, 1e-9), 0.0)


def _misfit_of_onsets(
    time: np.ndarray,
    reading: np.ndarray,
    wave: Callable[[np.ndarray], np.ndarray],
    onset_s: np.ndarray,
    limit_s: float,
    period_s: float,
) -> tuple[np.ndarray, float]:
    """Sum of squares left by each onset, beside a course that bends there; and the noise."""
    near = np.abs(time - limit_s) <= 3 * period_s
    clock, level = time[near], reading[near]
    rippling = wave(clock)[:, None] * (clock[:, None] >= onset_s)
    misfit = bent_misfit(clock, level[:, None] - rippling, onset_s)
    return misfit, float(misfit.min() / max(1, len(clock) - 6))


def _misfit_of_offsets(
    time: np.ndarray,
    reading: np.ndarray,
    wave: Callable[[np.ndarray], np.ndarray],
    offset_s: np.ndarray,
    limit_s: float,
    period_s: float,
) -> tuple[np.ndarray, float]:
    """Sum of squares left by each offset; recovery may set in later, wherever it fits best."""
    near = (time >= limit_s - 3 * period_s) & (time <= limit_s + 4 * period_s)
    clock, level = time[near], reading[near]
    rest = level[:, None] - wave(clock)[:, None] * (clock[:, None] <= offset_s)
    rises_s = np.arange(limit_s - period_s, limit_s + 3 * period_s, period_s / 4)
    misfit = bent_misfit(clock, rest, rises_s, every_pair=True).min(axis=0)
    return misfit, float(misfit.min() / max(1, len(clock) - 7))


def _middle_of_ripple(ripple: Ripple, period_s: float) -> np.ndarray:
    """The unbroken middle of the ripple, half a contraction away from its ends."""
    amplitude = np.nan_to_num(ripple.amplitude_pct)
    # At its ends half of a centred weight sees ripple: the amplitude there is half of that within.
    strong = amplitude >= np.median(amplitude) / 2
    if not strong.any():
        return strong
    inner = np.flatnonzero(strong)
    keep = (ripple.time_s >= ripple.time_s[inner[0]] + period_s / 2) & (
        ripple.time_s <= ripple.time_s[inner[-1]] - period_s / 2
    )
    return keep & np.isfinite(ripple.phase_cycles)


def _phase_at(
    time_s: np.ndarray, clock: np.ndarray, cycles: np.ndarray, period_s: float
) -> np.ndarray:
    """Phase of the ripple, carried on beyond the core at the cadence of the nearest ones."""
    phase = np.interp(time_s, clock, cycles)
    for near, outside, edge in (
        (clock <= clock[0] + 3 * period_s, time_s < clock[0], 0),
        (clock >= clock[-1] - 3 * period_s, time_s > clock[-1], -1),
    ):
        speed = np.polynomial.polynomial.polyfit(clock[near] - clock[edge], cycles[near], 1)[1]
        phase = np.where(outside, cycles[edge] + speed * (time_s - clock[edge]), phase)
    return phase


def _longest_silence(time: np.ndarray, reading: np.ndarray, start_s: float, end_s: float) -> float:
    """Longest time between usable readings of a window."""
    usable = time[np.isfinite(reading) & (time >= start_s) & (time <= end_s)]
    return float(np.max(np.diff(usable), initial=0.0))
