"""Fall of heart rate after a set, and RMSSD in short windows of the recovery."""

import pandas as pd

from heart.precision import precise_rmssd_ms
from heart.variability import NotEnough, window_hr_bpm
from windows.cutting import Window


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


def recovery_series(window, inputs, labels):
    """RMSSD in windows of 30 s from where recovery begins, each with its sampling error."""
    if window.name != "recovery_first_60_s" or window.problem or inputs["event"].excluded:
        return pd.DataFrame()
    event = inputs["event"]
    until_s = event.onset_s + event.duration_s if window.trial_type == "recovery" else window.end_s
    try:
        near = inputs["session_intervals"]
    except NotEnough:
        return pd.DataFrame()
    rows = []
    start_s = window.start_s
    while start_s + RECOVERY_WINDOW_S <= until_s + 1e-6:
        end_s = start_s + RECOVERY_WINDOW_S
        own = near[near["nn_time_s"].between(start_s, end_s)]
        differences = own["difference_ms"].dropna().to_numpy()
        if len(differences) >= 10:
            found = precise_rmssd_ms(differences)
            after_s = start_s + RECOVERY_WINDOW_S / 2 - window.start_s
            rows.append({"after_s": after_s, "rmssd_ms": found.value, "se": found.se})
        start_s += RECOVERY_STEP_S
    return pd.DataFrame(rows).assign(**labels)
