"""Oxygenated, deoxygenated and total haemoglobin of a muscle: change from rest, and recovery.

Concentrations of continuous-wave spectroscopy are changes from an arbitrary zero, so that only
differences within a recording are read (Ferrari and Quaresima 2012 NeuroImage 63:921-935).
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from muscle import levels, recovery
from muscle.readings import Readings
from muscle.resting_variation import resting_variation
from results.estimate import Estimate

HAEMOGLOBIN = ("oxy_haemoglobin", "deoxy_haemoglobin", "total_haemoglobin")

UNIT = "umol_l"

# total haemoglobin has no course of its own after a set
TURNS_ROUND = ("oxy_haemoglobin", "deoxy_haemoglobin")

# deoxygenated haemoglobin rises while the muscle works
FALLS_IN_RECOVERY = ("deoxy_haemoglobin",)


def of_working_muscle(
    of_signal: pd.DataFrame, segment, rest_s: tuple[float, float], least_usable: float
) -> Readings | str:
    """The recording (umol/l) of one signal that belongs to a set, or why none does, as a sentence.

    `of_signal`: traces of one signal of a session; `segment`: the row of the set in segments.tsv,
    which names the saturation sensor on the working muscle. Without such a sensor the only
    recording of the session is taken. `rest_s`: start and end of the baseline.
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
    time_s, concentration = trace["time_s"].to_numpy(float), trace["value"].to_numpy(float)
    resting = (time_s >= rest_s[0]) & (time_s <= rest_s[1])
    at_rest = resting_variation(time_s[resting], concentration[resting])
    return Readings(time_s, concentration, least_usable, at_rest)


def change(
    recording: Readings | str,
    rest_end_s: float,
    set_end_s: float,
    *,
    baseline_window_s: float,
    end_window_s: float,
    ripple_hz: float | None = None,
) -> Estimate:
    """Mean at the end of a set less the mean of the last part of the baseline, in umol/l.

    `recording`: as `of_working_muscle` gives it. Convention, as for saturation.
    """
    if isinstance(recording, str):
        return Estimate.refused(recording)
    rest = levels.window_mean(recording, rest_end_s - baseline_window_s, rest_end_s)
    rippling = replace(recording, ripple_hz=ripple_hz)
    worked = levels.end_level(rippling, set_end_s, window_s=end_window_s)
    for name, level in (("baseline", rest), ("end of the set", worked)):
        if not level.usable:
            return Estimate.refused(f"{name}: {level.reason}")
    return Estimate(worked.value - rest.value, float(np.hypot(worked.se, rest.se)))


def half_recovery(
    signal: str,
    recording: Readings | str,
    window,
    rest_end_s: float,
    set_end_s: float,
    *,
    baseline_window_s: float,
    end_window_s: float,
    smoothing_s: float,
) -> Estimate:
    """Seconds after a set until a concentration is half-way from its level at the end of the set
    back to rest; see `recovery.half_time`."""
    if isinstance(recording, str):
        return Estimate.refused(recording)
    sign = -1.0 if signal in FALLS_IN_RECOVERY else 1.0
    turned = replace(recording, reading=sign * recording.reading)
    return recovery.half_time(
        turned,
        window.start_s,
        window.end_s,
        nadir_pct=levels.end_level(turned, set_end_s, window_s=end_window_s),
        target_pct=levels.window_mean(turned, rest_end_s - baseline_window_s, rest_end_s),
        window_s=smoothing_s,
        in_unit=lambda level: f"{sign * level:.1f} umol/l",
    )
