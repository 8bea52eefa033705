"""Fall of heart rate after a set, and RMSSD in short windows of the recovery."""

import numpy as np

from heart.precision import precise_rmssd_ms
from heart.variability import NotEnough, window_hr_bpm
from windows._window import Window


def fall_of_rate(
    session_nn: tuple,
    window: Window,
    set_end_s: float,
    after_s: float,
    end_rate_window_s: float,
    recovery_rate_window_s: float,
) -> float:
    """Heart rate at the end of the set minus heart rate `after_s` into the recovery, in bpm.

    The end rate is the mean over the last `end_rate_window_s` of the set, the later one the mean
    over `recovery_rate_window_s`, centred. Raises NotEnough where the recovery is cut short.
    Source: Cole et al. 1999, N Engl J Med 341:1351; the averaging widths are convention.
    """
    beat_time_s, nn_ms = session_nn
    if window.duration_s < after_s:
        raise NotEnough(
            f"the recovery is cut short after {window.duration_s:.0f} s by what follows"
        )
    half_s = recovery_rate_window_s / 2
    moment_s = window.start_s + after_s
    end_bpm = window_hr_bpm(
        beat_time_s, nn_ms, start_s=set_end_s - end_rate_window_s, end_s=set_end_s
    )
    later_bpm = window_hr_bpm(
        beat_time_s, nn_ms, start_s=moment_s - half_s, end_s=moment_s + half_s
    )
    return end_bpm - later_bpm


RECOVERY_STEP_S = 15.0

RECOVERY_WINDOW_S = 30.0

FEWEST_DIFFERENCES = 10


def recovery_series(window, inputs, labels):
    """`rmssd_course` of one recovery as rows; none where the recovery has no intervals."""
    if window.name != "recovery_first_60_s" or window.problem or inputs["event"].excluded:
        return []
    event = inputs["event"]
    until_s = event.onset_s + event.duration_s if window.trial_type == "recovery" else window.end_s
    try:
        ends_s, differences_ms = inputs["session_differences"]
    except NotEnough:
        return []
    course = rmssd_course(ends_s, differences_ms, window.start_s, until_s)
    return [labels | point for point in course]


def rmssd_course(
    nn_time_s: np.ndarray, difference_ms: np.ndarray, start_s: float, until_s: float
) -> list[dict[str, float]]:
    """RMSSD (ms) and its sampling error in windows of 30 s, a new one every 15 s.

    `difference_ms` belongs to the interval that ends at `nn_time_s` (s) and is NaN where none may
    be formed. Each window stands at its middle, `after_s` from `start_s`; windows with fewer than
    10 differences are left out. Windows of 30 s follow vagal return after exercise (Goldberger et
    al. 2006, Am J Physiol Heart Circ Physiol 290:H2446).
    """
    known = np.isfinite(difference_ms)
    ends_s, differences = nn_time_s[known], difference_ms[known]
    course = []
    begin_s = start_s
    while begin_s + RECOVERY_WINDOW_S <= until_s + 1e-6:
        inside = (ends_s >= begin_s) & (ends_s <= begin_s + RECOVERY_WINDOW_S)
        if inside.sum() >= FEWEST_DIFFERENCES:
            rmssd = precise_rmssd_ms(differences[inside])
            after_s = begin_s + RECOVERY_WINDOW_S / 2 - start_s
            course.append({"after_s": after_s, "rmssd_ms": rmssd.value, "se": rmssd.se})
        begin_s += RECOVERY_STEP_S
    return course
