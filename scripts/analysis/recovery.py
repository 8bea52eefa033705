"""How heart rate falls after a set, counted from where the window of recovery begins."""

from analysis.variability import NotEnough, window_hr_bpm
from analysis.windows import Window


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
