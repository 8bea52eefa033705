"""Kinetics of reoxygenation after a set: half-time and exponential recovery."""

from collections.abc import Callable

import numpy as np

from muscle.fits import line_crossing
from muscle.readings import Readings
from muscle.resting_variation import RestingVariation, correlation_factor
from recordings.time_axis import centred_mean, sampling_step_s
from results.estimate import Estimate


def half_time(
    trace: Readings,
    start_s: float,
    end_s: float,
    *,
    nadir_pct: Estimate,
    target_pct: Estimate,
    window_s: float,
    in_unit: Callable[[float], str] = "{:.1f} %".format,
) -> Estimate:
    """Seconds from `start_s` until the trace is half-way from the nadir up to the target.

    The target is the baseline, or the recovery peak (`levels.peak`) where a study chooses that. A
    centred mean of `window_s` finds the first crossing; a straight line through the readings
    around it, a quarter of the half-time either side and at most `window_s`, gives its time and
    error. For an exponential recovery it equals delay + tau ln 2. Preferred to a fitted tau, which
    does not repeat between visits (Research Directs Health Sci 2022: ICC 0.58 against -0.21).

    Refused when the fall does not stand out of the noise, the trace is already half-way at the
    start, half-way is not reached by `end_s`, or the crossing lies in a gap.
    """
    for name, part in (("nadir", nadir_pct), ("level to recover to", target_pct)):
        if not part.usable:
            return Estimate.refused(f"no {name}: {part.reason}")
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)
    fall = target_pct.value - nadir_pct.value
    fall_se = float(np.hypot(nadir_pct.se, target_pct.se))
    if fall <= 3 * fall_se:
        return Estimate.refused(f"a fall of {in_unit(fall)} does not stand out of the noise")
    level = nadir_pct.value + fall / 2
    mean = centred_mean(trace.time, trace.reading, max(window_s, 2 * sampling_step_s(trace.time)))
    inside = (trace.time >= start_s) & (trace.time <= end_s)
    first_crossing_s = _first_crossing_s(trace.time[inside], mean[inside], level, in_unit(level))
    if isinstance(first_crossing_s, str):
        return Estimate.refused(first_crossing_s)
    crossing = line_crossing(trace, first_crossing_s, start_s, level, window_s)
    level_se = np.hypot(crossing.level_se, trace.at_rest.sd)
    se = float(np.hypot(level_se, fall_se / 2) / crossing.slope)
    flagged = [part.reason for part in (nadir_pct, target_pct) if part.status == "flagged"]
    return Estimate(
        crossing.time_s - start_s,
        se,
        "flagged" if flagged else "ok",
        "; ".join(flagged),
        crossing.time_s,
    )


def _first_crossing_s(
    time: np.ndarray, mean: np.ndarray, level: float, level_in_words: str
) -> float | str:
    """When a centred mean first reaches a level, or why that cannot be told."""
    above = np.flatnonzero(mean >= level)
    known = np.flatnonzero(np.isfinite(mean))
    if not len(above):
        return f"half-way ({level_in_words}) was not reached by the window's end"
    if above[0] == known[0]:
        return f"already half-way ({level_in_words}) when recovery began"
    after, before = above[0], above[0] - 1
    if not np.isfinite(mean[before]):
        return "half-way was reached during a gap in the recording"
    part = (level - mean[before]) / (mean[after] - mean[before])
    return float(time[before] + part * (time[after] - time[before]))


def exponential_tau(
    trace: Readings,
    start_s: float,
    end_s: float,
    *,
    longest_delay_s: float,
    min_r2: float,
    largest_se_share: float,
) -> Estimate:
    """Time constant of E - A exp(-(t - delay)/tau), flat until the delay, by least squares; in s.

    Times count from `start_s`. Standard errors come from the curvature at the solution, count
    independent readings only and hold the slow variation `at_rest`. Refused when the curve explains
    less than `min_r2`, when tau is not known better than `largest_se_share` of itself or
    reaches the length of the window (the plateau was not seen), or when the amplitude does not
    stand out of its error. Secondary to `half_time`; mono-exponential recovery is a convention of
    the trade.
    """
    inside = (trace.time >= start_s) & (trace.time <= end_s) & np.isfinite(trace.reading)
    clock, reading = trace.time[inside] - start_s, trace.reading[inside]
    reason = trace.too_few(start_s, end_s)
    if not reason and len(clock) < 8:
        reason = f"{len(clock)} readings are too few to fit four numbers"
    if not reason and np.ptp(reading) == 0:
        reason = "no rise: every reading is the same"
    if reason:
        return Estimate.refused(reason)
    longest_tau_s = end_s - start_s
    shortest_tau_s = min(sampling_step_s(trace.time), longest_tau_s) / 4
    fit = _fitted_recovery(clock, reading, longest_delay_s, (shortest_tau_s, longest_tau_s))
    # least squares gives the curve less the readings
    residual = -fit.fun
    r2 = float(1 - np.sum(residual**2) / np.sum((reading - reading.mean()) ** 2))
    covariance = _covariance(fit.jac, residual, clock, trace.at_rest)
    _, amplitude_se, _, se = np.sqrt(np.diag(covariance))
    _, amplitude, delay, tau = (float(number) for number in fit.x)
    if not amplitude > 3 * amplitude_se:
        return Estimate.refused("no rise that stands out of the noise")
    if not se <= largest_se_share * tau:
        return Estimate.refused(f"tau is not identifiable: {tau:.1f} s, error {se:.1f} s")
    if tau >= longest_tau_s - delay:
        return Estimate.refused(f"{longest_tau_s:g} s are too short for a tau of {tau:.1f} s")
    if r2 < min_r2:
        return Estimate.refused(f"the curve explains {r2:.2f} of the variance only")
    return Estimate(tau, float(se))


def _fitted_recovery(
    clock: np.ndarray, reading: np.ndarray, longest_delay_s: float, taus_s: tuple[float, float]
):
    """Least squares of end, amplitude, delay and tau, as scipy gives them; `taus_s` are tried."""
    from scipy.optimize import least_squares

    def misfit(parameters: np.ndarray) -> np.ndarray:
        end, amplitude, delay, tau = parameters
        return end - amplitude * np.exp(-np.maximum(clock - delay, 0.0) / tau) - reading

    return least_squares(
        misfit,
        _recovery_guess(clock, reading, longest_delay_s, taus_s),
        bounds=([-np.inf, 0.0, 0.0, taus_s[0]], [np.inf, np.inf, longest_delay_s, np.inf]),
        x_scale=[10.0, 10.0, 1.0, 10.0],
    )


def _recovery_guess(
    clock: np.ndarray, reading: np.ndarray, longest_delay_s: float, taus_s: tuple[float, float]
) -> np.ndarray:
    """Best of a grid of delays and taus; end and amplitude follow by linear regression."""
    delay, tau = np.meshgrid(
        np.linspace(0.0, longest_delay_s, 13),
        np.geomspace(max(taus_s[1] / 50, 1.01 * taus_s[0]), taus_s[1], 20),
    )
    delay, tau = delay.ravel()[:, None], tau.ravel()[:, None]
    shape = np.exp(-np.maximum(clock - delay, 0.0) / tau)
    centred = shape - shape.mean(axis=1, keepdims=True)
    explained = centred @ (reading - reading.mean())
    spread = np.maximum(np.sum(centred**2, axis=1), 1e-12)
    amplitude = -explained / spread
    score = np.where(amplitude > 0, explained**2 / spread, -np.inf)
    best = int(np.argmax(score))
    height = max(float(amplitude[best]), 1e-3)
    end = float(reading.mean() + height * shape[best].mean())
    inner_delay = np.clip(delay[best, 0], 1e-3 * longest_delay_s, 0.999 * longest_delay_s)
    return np.array([end, height, inner_delay, tau[best, 0]])


def _covariance(
    jacobian: np.ndarray, residual: np.ndarray, clock: np.ndarray, at_rest: RestingVariation
) -> np.ndarray:
    """Covariance of least-squares parameters, with correlated residuals and slow variation."""
    freedom = max(1, len(residual) - jacobian.shape[1])
    variance = np.sum(residual**2) / freedom * correlation_factor(residual)
    inverse = np.linalg.pinv(jacobian.T @ jacobian)
    return inverse * variance + at_rest.covariance(clock, inverse @ jacobian.T)
