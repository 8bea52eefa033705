"""Levels of saturation: baseline, end of a set, nadir, drop, peak, overshoot."""

from dataclasses import replace

import numpy as np

from muscle.fits import extreme_mean, reading_noise, straight_fit
from muscle.readings import Readings
from recordings.time_axis import straight_lines_of, whole_contractions_s
from results.estimate import Estimate


def window_mean(trace: Readings, start_s: float, end_s: float) -> Estimate:
    """Mean of the trace over a window, with the standard error that its own scatter allows.

    The error counts independent readings, fewer than readings where noise is correlated (lag-1
    autocorrelation of the residuals; convention), and the slow variation at rest. Refused when too
    little of the window is usable.
    """
    if reason := trace.too_few(start_s, end_s):
        return Estimate.refused(reason)
    covered, area = straight_lines_of(trace.time, trace.reading).until([start_s, end_s])
    mean = float((area[1] - area[0]) / (covered[1] - covered[0]))
    se = straight_fit(trace, start_s, end_s, order=0).mean_se
    if not np.isfinite(se):
        # No reading inside, only a line between its neighbours: no better known than one of them.
        se = reading_noise(trace, start_s - 60.0, end_s + 60.0)
    return Estimate(mean, float(np.hypot(se, trace.at_rest.of_mean(end_s - start_s))))


def baseline(trace: Readings, end_s: float, *, window_s: float) -> Estimate:
    """Resting level: mean of the last `window_s` (usually 30 to 60 s) before `end_s`. Convention.

    Refused when too little is usable; flagged below 45 or above 85 %, outside the resting values
    of limb muscles in the literature (Jin 2010 Proc SPIE 7559; Appl Sci 2024 14:1307).
    """
    level = window_mean(trace, end_s - window_s, end_s)
    if level.usable and not 45 <= level.value <= 85:
        reason = f"resting saturation {level.value:.1f} % is outside the usual 45 to 85 %"
        return replace(level, status="flagged", reason=reason)
    return level


def end_level(trace: Readings, end_s: float, *, window_s: float) -> Estimate:
    """Level at the end of a set: mean of its last `window_s`, or whole contractions. Convention."""
    return window_mean(trace, end_s - whole_contractions_s(window_s, trace.ripple_hz), end_s)


def nadir(trace: Readings, start_s: float, end_s: float, *, window_s: float) -> Estimate:
    """Lowest level: minimum of a centred mean (usually of 3 to 5 s) that lies within the window.

    With a known ripple the mean spans the shortest whole number of contractions of at least
    `window_s`. The raw minimum of a rippling trace lies several points too low, so it is never
    used. Being a minimum, the value still lies about one standard error low on a long plateau.
    Refused when too little of the window is usable. Convention.
    """
    return extreme_mean(trace, start_s, end_s, window_s, lowest=True)


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


def peak(trace: Readings, start_s: float, end_s: float, *, window_s: float) -> Estimate:
    """Highest centred mean of a window, found as `nadir` finds the lowest. Convention."""
    return extreme_mean(trace, start_s, end_s, window_s, lowest=False)


def overshoot(
    trace: Readings, start_s: float, end_s: float, *, baseline_pct: Estimate, window_s: float
) -> Estimate:
    """Hyperaemic overshoot: highest centred mean after release, less the baseline, in points.

    Flagged when it does not stand out of its error (twice the standard error): an absent overshoot
    after a deep fall is a reason to look at the cuff log. Refused without a baseline or when too
    little is usable. Convention.
    """
    if not baseline_pct.usable:
        return Estimate.refused(f"no baseline: {baseline_pct.reason}")
    highest = peak(trace, start_s, end_s, window_s=window_s)
    if not highest.usable:
        return highest
    height = highest.value - baseline_pct.value
    se = float(np.hypot(highest.se, baseline_pct.se))
    if height <= 2 * se:
        return Estimate(height, se, "flagged", "no overshoot above the noise", highest.at_s)
    return Estimate(height, se, at_s=highest.at_s)
