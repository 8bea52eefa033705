"""Oxygenated, deoxygenated and total haemoglobin of a muscle: change from rest, and recovery.

Concentrations of continuous-wave spectroscopy are changes from an arbitrary zero, so that only
differences within a recording are read (Ferrari and Quaresima 2012 NeuroImage 63:921-935).
"""

import numpy as np
import pandas as pd

from muscle import levels, recovery
from muscle.levels import window_mean
from muscle.resting_variation import resting_variation
from results.estimate import Estimate

HAEMOGLOBIN = ("oxy_haemoglobin", "deoxy_haemoglobin", "total_haemoglobin")

UNIT = "umol_l"

# total haemoglobin has no course of its own after a set
TURNS_ROUND = ("oxy_haemoglobin", "deoxy_haemoglobin")

# deoxygenated haemoglobin rises while the muscle works
FALLS_IN_RECOVERY = ("deoxy_haemoglobin",)


def of_working_muscle(of_signal: pd.DataFrame, segment) -> tuple[np.ndarray, np.ndarray] | str:
    """Time (s) and value (umol/l) of the recording of one signal that belongs to a set, or why none
    does, as a sentence.

    `of_signal`: traces of one signal of a session; `segment`: the row of the set in segments.tsv,
    which names the saturation sensor on the working muscle. Without such a sensor the only
    recording of the session is taken.
    """
    if of_signal.empty:
        return "not recorded in this session"
    in_unit = of_signal[of_signal["unit"] == UNIT]
    if in_unit.empty:
        return f"recorded in {of_signal['unit'].iloc[0]}, not in umol/l"
    told_by = ["file", "channel", "site", "side"]
    sensors = list(in_unit.groupby(told_by, dropna=False, sort=False, observed=True))
    if len(sensors) > 1 and segment is not None and segment["status"] != "refused":
        on_muscle = [
            (labels, trace)
            for labels, trace in sensors
            if labels[2] == segment["site"] or labels[0] == segment["file"]
        ]
        in_file = [sensor for sensor in on_muscle if sensor[0][0] == segment["file"]]
        sensors = in_file if len(in_file) == 1 else on_muscle
    if len(sensors) != 1:
        n = len(sensors) or "none"
        return f"{n} of the recordings of the session lie on the working muscle; one is needed"
    (_, trace), *_ = sensors
    return trace["time_s"].to_numpy(float), trace["value"].to_numpy(float)


def change(
    recording,
    baseline_span_s: tuple[float, float],
    set_end_s: float,
    *,
    baseline_window_s: float,
    end_window_s: float,
    min_usable_share: float,
    contraction_rate_hz: float | None = None,
) -> Estimate:
    """Mean at the end of a set less the mean of the last part of the baseline, in umol/l.

    `recording`: as `of_working_muscle` gives it. Convention, as for saturation.
    """
    if isinstance(recording, str):
        return Estimate.refused(recording)
    at_rest = _at_rest(recording, baseline_span_s)
    rest = _rest(recording, baseline_span_s, baseline_window_s, min_usable_share, at_rest)
    worked = levels.end_level(
        *recording,
        set_end_s,
        window_s=end_window_s,
        min_usable_share=min_usable_share,
        contraction_rate_hz=contraction_rate_hz,
        at_rest=at_rest,
    )
    for name, level in (("baseline", rest), ("end of the set", worked)):
        if not level.usable:
            return Estimate.refused(f"{name}: {level.reason}")
    return Estimate(worked.value - rest.value, float(np.hypot(worked.se, rest.se)))


def half_recovery(
    signal: str,
    recording,
    window,
    baseline_span_s: tuple[float, float],
    set_end_s: float,
    *,
    baseline_window_s: float,
    end_window_s: float,
    smoothing_s: float,
    min_usable_share: float,
) -> Estimate:
    """Seconds after a set until a concentration is half-way from its level at the end of the set
    back to rest; see `recovery.half_time`."""
    if isinstance(recording, str):
        return Estimate.refused(recording)
    sign = -1.0 if signal in FALLS_IN_RECOVERY else 1.0
    turned = recording[0], sign * recording[1]
    at_rest = _at_rest(turned, baseline_span_s)
    return recovery.half_time(
        *turned,
        window.start_s,
        window.end_s,
        nadir_pct=levels.end_level(
            *turned,
            set_end_s,
            window_s=end_window_s,
            min_usable_share=min_usable_share,
            at_rest=at_rest,
        ),
        target_pct=_rest(turned, baseline_span_s, baseline_window_s, min_usable_share, at_rest),
        window_s=smoothing_s,
        min_usable_share=min_usable_share,
        in_unit=lambda level: f"{sign * level:.1f} umol/l",
        at_rest=at_rest,
    )


def _at_rest(recording, baseline_span_s):
    time_s, concentration = recording
    resting = (time_s >= baseline_span_s[0]) & (time_s <= baseline_span_s[1])
    return resting_variation(time_s[resting], concentration[resting])


def _rest(recording, baseline_span_s, window_s, min_usable_share, at_rest):
    end_s = baseline_span_s[1]
    return window_mean(
        *recording, end_s - window_s, end_s, min_usable_share=min_usable_share, at_rest=at_rest
    )
