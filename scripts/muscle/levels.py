"""Levels of saturation: baseline, end of a set, nadir, drop, overshoot."""

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from muscle.fits import extreme_mean, reading_noise, straight_fit, too_little
from muscle.resting_variation import STEADY, RestingVariation
from recordings.time_axis import straight_lines_of, trace_of, whole_contractions_s
from results.estimate import Estimate


def window_mean(
    time_s: ArrayLike,
    readings: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
    at_rest: RestingVariation = STEADY,
) -> Estimate:
    """Mean of the trace over a window, with the standard error that its own scatter allows.

    The error counts independent readings, fewer than readings where noise is correlated (lag-1
    autocorrelation of the residuals; convention), and the slow variation `at_rest`. Refused when
    less than `min_usable_share` of the window is usable.
    """
    time, reading = trace_of(time_s, readings)
    verdict = too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    covered, area = straight_lines_of(time, reading).until([start_s, end_s])
    mean = float((area[1] - area[0]) / (covered[1] - covered[0]))
    se = straight_fit(time, reading, start_s, end_s, contraction_rate_hz, order=0).mean_se
    if not np.isfinite(se):
        # No reading inside, only a line between its neighbours: no better known than one of them.
        se = reading_noise(time, reading, start_s - 60.0, end_s + 60.0)
    return Estimate(mean, float(np.hypot(se, at_rest.of_mean(end_s - start_s))))


def baseline(
    time_s: ArrayLike,
    readings: ArrayLike,
    end_s: float,
    *,
    window_s: float,
    min_usable_share: float,
    at_rest: RestingVariation = STEADY,
) -> Estimate:
    """Resting level: mean of the last `window_s` (usually 30 to 60 s) before `end_s`. Convention.

    Refused when too little is usable; flagged below 45 or above 85 %, outside the resting values
    of limb muscles in the literature (Jin 2010 Proc SPIE 7559; Appl Sci 2024 14:1307).
    """
    level = window_mean(
        time_s,
        readings,
        end_s - window_s,
        end_s,
        min_usable_share=min_usable_share,
        at_rest=at_rest,
    )
    if level.usable and not 45 <= level.value <= 85:
        reason = f"resting saturation {level.value:.1f} % is outside the usual 45 to 85 %"
        return replace(level, status="flagged", reason=reason)
    return level


def end_level(
    time_s: ArrayLike,
    readings: ArrayLike,
    end_s: float,
    *,
    window_s: float = 5.0,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
    at_rest: RestingVariation = STEADY,
) -> Estimate:
    """Level at the end of a set: mean of its last `window_s`, or whole contractions. Convention."""
    length_s = whole_contractions_s(window_s, contraction_rate_hz)
    return window_mean(
        time_s,
        readings,
        end_s - length_s,
        end_s,
        min_usable_share=min_usable_share,
        contraction_rate_hz=contraction_rate_hz,
        at_rest=at_rest,
    )


def nadir(
    time_s: ArrayLike,
    readings: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    window_s: float,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
    at_rest: RestingVariation = STEADY,
) -> Estimate:
    """Lowest level: minimum of a centred mean (usually of 3 to 5 s) that lies within the window.

    With a contraction rate the mean spans the shortest whole number of contractions of at least
    `window_s`. The raw minimum of a rippling trace lies several points too low, so it is never
    used. Being a minimum, the value still lies about one standard error low on a long plateau.
    Refused when too little of the window is usable. Convention.
    """
    time, reading = trace_of(time_s, readings)
    verdict = too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    return extreme_mean(
        time, reading, start_s, end_s, window_s, contraction_rate_hz, at_rest, lowest=True
    )


def drop(baseline_pct: Estimate, nadir_pct: Estimate) -> Estimate:
    """Fall from the baseline to the nadir, positive, in points of saturation."""
    for name, part in (("baseline", baseline_pct), ("nadir", nadir_pct)):
        if not part.usable:
            return Estimate.refused(f"no {name}: {part.reason}")
    reasons = [part.reason for part in (baseline_pct, nadir_pct) if part.status == "flagged"]
    return Estimate(
        baseline_pct.value - nadir_pct.value,
        float(np.hypot(baseline_pct.se, nadir_pct.se)),
        "flagged" if reasons else "ok",
        "; ".join(reasons),
        nadir_pct.at_s,
    )


def overshoot(
    time_s: ArrayLike,
    readings: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    baseline_pct: Estimate,
    window_s: float,
    min_usable_share: float,
    at_rest: RestingVariation = STEADY,
) -> Estimate:
    """Hyperaemic overshoot: highest centred mean after release, less the baseline, in points.

    Flagged when it does not stand out of its error (twice the standard error): an absent overshoot
    after a deep fall is a reason to look at the cuff log. Refused without a baseline or when too
    little is usable. Convention.
    """
    time, reading = trace_of(time_s, readings)
    if not baseline_pct.usable:
        return Estimate.refused(f"no baseline: {baseline_pct.reason}")
    verdict = too_little(time, reading, start_s, end_s, min_usable_share)
    if verdict:
        return Estimate.refused(verdict)
    peak = extreme_mean(time, reading, start_s, end_s, window_s, None, at_rest, lowest=False)
    if not peak.usable:
        return peak
    height = peak.value - baseline_pct.value
    se = float(np.hypot(peak.se, baseline_pct.se))
    if height <= 2 * se:
        return Estimate(height, se, "flagged", "no overshoot above the noise", peak.at_s)
    return Estimate(height, se, at_s=peak.at_s)
