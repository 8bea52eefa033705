"""Properties of a window that quality rules compare with their limits.

Each public function is one, by the name that `measured` of a rule gives; its parameters name what
it is made from, see measuring/inputs.py.
"""

import numpy as np
import pandas as pd

from heart.modulation import cadence_in_band as rhythm_in_band
from heart.repair.series import corrected_pct as share_corrected
from heart.repair.series import longest_repaired_run as longest_run
from heart.variability import NotEnough
from muscle.cleaning import levels_comparable
from muscle.concentration import HAEMOGLOBIN
from recordings import time_axis
from recordings.clock import NOTHING, WITHOUT_MARKS
from recordings.coverage import CAUTION
from recordings.doubtful_times import TIMES
from recordings.doubtful_values import VALUES

# less than this is no fall of a working muscle (convention)
LEAST_FALL_PCT = 2.0


def always():
    return 1.0


def duration_s(window):
    return window.duration_s


def normal_beats(normal):
    return int(normal.sum())


def corrected_pct(beats, window, beat_count):
    return share_corrected(beats, window.start_s, window.end_s)


def longest_repaired_run(beats, window, beat_count):
    return longest_run(beats, window.start_s, window.end_s)


def intervals_halved_by_hand(halving_beats_s, window):
    """Beats added by hand in the window that leave two halves."""
    inside = (halving_beats_s >= window.start_s) & (halving_beats_s <= window.end_s)
    return float(inside.sum())


def covered_pct(nn_ms, window):
    """Share of the window that its intervals cover; a part of a beat at each end does not count."""
    ends_s = 2 * nn_ms.mean() / 1000
    return min(100.0, 100 * nn_ms.sum() / 1000 / max(window.duration_s - ends_s, 1e-9))


def doubtful_pct(doubtful_spans, window):
    """Share of the window in which not all beats of the ECG may be trusted; 0 without an ECG."""
    return _share_of_window(doubtful_spans, window)


def rejected_pct(rejected_spans, window):
    return _share_of_window(rejected_spans, window)


def _share_of_window(spans, window):
    inside_s = _seconds_within(spans, window.start_s, window.end_s)
    return 100 * inside_s / max(window.duration_s, 1e-9)


def _seconds_within(spans, start_s, end_s):
    shared_s = np.minimum(spans[1], end_s) - np.maximum(spans[0], start_s)
    return float(np.maximum(shared_s, 0.0).sum())


def heart_rate_slope_bpm_per_min(nn_time_s, nn_ms):
    """Size of the slope of a line through the heart rate."""
    if len(nn_ms) < 3:
        raise NotEnough("fewer than three intervals")
    return abs(np.polyfit(nn_time_s / 60, 60000 / nn_ms, 1)[0])


def drift_share_pct(nn_time_s, nn_ms):
    """Share of the variance of the intervals that lies in a line through them, in percent."""
    if len(nn_ms) < 3 or not np.ptp(nn_ms) > 0:
        raise NotEnough("fewer than three intervals, or all the same")
    return 100 * np.corrcoef(nn_time_s, nn_ms)[0, 1] ** 2


def breathing_hz(breathing):
    """Median breathing rate where it is known."""
    if not breathing.known.any():
        raise NotEnough("breathing is unknown throughout the window")
    return np.median(breathing.rate_hz[breathing.known])


def heart_clock_flagged(clocks):
    """1 where the clock of a heart recording was flagged, as after lost beats.

    A clock may be right although the recording does not hold all of its session; a recording
    without a place on the session clock, or with times of a doubtful unit, is flagged as such.
    """
    return _clock_flagged(_of_heart(clocks))


def sensor_clock_flagged(sensor_clocks):
    """1 where the clock of the sensor that counts was flagged."""
    return _clock_flagged(sensor_clocks)


def haemoglobin_clock_flagged(clocks):
    """1 where the clock of a recording of haemoglobin was flagged."""
    return _clock_flagged(_of_haemoglobin(clocks))


def heart_times_doubtful(clocks):
    """1 where times or sampling of a heart recording are not those of a heart in its session."""
    return _times_doubtful(_of_heart(clocks))


def sensor_times_doubtful(sensor_clocks):
    """1 where times of the sensor that counts are not those of its session."""
    return _times_doubtful(sensor_clocks)


def haemoglobin_times_doubtful(clocks):
    """1 where times of a recording of haemoglobin are not those of its session."""
    return _times_doubtful(_of_haemoglobin(clocks))


def heart_values_doubtful(clocks):
    """1 where values of a heart recording cannot all be those that were measured."""
    return _values_doubtful(_of_heart(clocks))


def sensor_values_doubtful(sensor_clocks):
    """1 where values of the sensor that counts cannot all be those measured."""
    return _values_doubtful(sensor_clocks[sensor_clocks["signal"] == "muscle_oxygen"])


def haemoglobin_values_doubtful(clocks):
    """1 where values of a recording of haemoglobin cannot all be those that were measured."""
    return _values_doubtful(_of_haemoglobin(clocks))


def ecg_drift_ppm(clocks):
    """Size of the largest drift among the clocks of the ECG; None without one."""
    return _drift_ppm(clocks[clocks["signal"] == "ecg"])


def intervals_drift_ppm(clocks):
    """Millionths by which summed beat intervals fall short of the time that passed, or exceed it.

    Their clock is their sum: lost beats are its drift.
    """
    return _drift_ppm(clocks[clocks["signal"] == "rr"])


def sensor_drift_ppm(sensor_clocks):
    """Size of the drift of the clock of the sensor that counts."""
    return _drift_ppm(sensor_clocks)


def haemoglobin_drift_ppm(clocks):
    """Size of the largest drift among the clocks of haemoglobin; None without one."""
    return _drift_ppm(_of_haemoglobin(clocks))


def heart_place_unknown(clocks):
    """1 where nothing says when the heart recording began on the session clock."""
    return _place_unknown(_of_heart(clocks))


def haemoglobin_place_unknown(clocks):
    """1 where nothing says when a recording of haemoglobin of the session began."""
    return _place_unknown(_of_haemoglobin(clocks))


def sensor_place_unknown(sensor_clocks):
    """1 where nothing says when the recording of the sensor that counts began."""
    return _place_unknown(sensor_clocks)


def sensor_covered_pct(time_s, smo2_pct, window):
    """Share of the window in which neighbouring usable readings of the sensor follow each other."""
    return 100 * time_axis.usable_share(time_s, smo2_pct, window.start_s, window.end_s)


def doubtful_behind_window_s(doubtful_spans, window, recovery_rate_window_s):
    """How much of the half window behind the end of the window lies in spans in doubt."""
    return _seconds_within(doubtful_spans, window.end_s, window.end_s + recovery_rate_window_s / 2)


def slip_in_window(time_s, level_segment, window):
    """1 where the sensor slipped within the window."""
    return float(not levels_comparable(time_s, level_segment, window.start_s, window.end_s))


def slip_before_window(time_s, level_segment, window):
    """1 where the sensor slipped between the begin of its recording and that of the window."""
    return float(not levels_comparable(time_s, level_segment, -np.inf, window.start_s))


def rise_in_set_pct(time_s, smo2_pct, set_start_s, set_end_s):
    """By how much saturation rose from the ten seconds before a set to its last ten."""
    return _change_in_set(time_s, smo2_pct, set_start_s, set_end_s)


def fall_of_other_sensor_pct(saturation_of_sensors, segment, set_start_s, set_end_s):
    """The largest fall of another sensor where that of the working muscle does not fall; else 0."""
    falls = {
        sensor: -_change_in_set(*_readings(of_sensor), set_start_s, set_end_s)
        for sensor, of_sensor in saturation_of_sensors.items()
    }
    channel = None if segment is None or pd.isna(segment["channel"]) else segment["channel"]
    fall_of_sensor = None if segment is None else falls.pop((segment["file"], channel), None)
    if fall_of_sensor is None or fall_of_sensor > LEAST_FALL_PCT or not falls:
        return 0.0
    return max(0.0, *falls.values())


def _readings(of_sensor):
    return of_sensor["time_s"].to_numpy(), of_sensor["value"].to_numpy()


def _change_in_set(time_s, smo2_pct, set_start_s, set_end_s):
    means = [
        smo2_pct[(time_s >= end_s - 10.0) & (time_s < end_s)] for end_s in (set_start_s, set_end_s)
    ]
    before, at_end = (readings[np.isfinite(readings)] for readings in means)
    return float(at_end.mean() - before.mean()) if len(before) and len(at_end) else 0.0


def _of_heart(clocks):
    return clocks[clocks["signal"].isin(["ecg", "rr"])]


def _of_haemoglobin(clocks):
    return clocks[clocks["signal"].isin(HAEMOGLOBIN)]


def _parts_of_status(clocks):
    return [part for status in clocks["status"] for part in status.split("; ")]


def _clock_flagged(clocks):
    not_of_clock = (CAUTION, TIMES, VALUES, WITHOUT_MARKS[NOTHING])
    return float(
        any("flagged" in p and not p.startswith(not_of_clock) for p in _parts_of_status(clocks))
    )


def _times_doubtful(clocks):
    return float(any(part.startswith(TIMES) for part in _parts_of_status(clocks)))


def _values_doubtful(clocks):
    return float(any(part.startswith(VALUES) for part in _parts_of_status(clocks)))


def _place_unknown(clocks):
    return float((clocks["placed_by"] == NOTHING).any())


def _drift_ppm(clocks):
    return float(clocks["drift_ppm"].abs().max()) if len(clocks) else None


def timing_step_ms(step_of_beat_times_ms):
    """Step to which beat times are rounded in their file; None where it is not known."""
    return step_of_beat_times_ms


def respiration_unknown_pct(breathing):
    return 100 * (~breathing.known).mean()


def cadence_in_band(logged_cadence_hz, breathing, nn_ms, contractions=None):
    """Share of the window in which the repetitions, seen or noted, are too close to breathing."""
    seen = contractions is not None and contractions.rate_hz.usable
    cadence_hz = contractions.rate_hz.value if seen else logged_cadence_hz
    if cadence_hz == 0 or not breathing.known.any():
        raise NotEnough("no cadence or no breathing")
    known_hz = breathing.rate_hz[breathing.known]
    return float(rhythm_in_band(cadence_hz, known_hz, 1000 / nn_ms.mean()).mean())


def samples_per_contraction_here(contractions, time_s, logged_cadence_hz):
    """At the faster of the cadence that was seen and the one that was noted: a cadence that
    sampling cannot show is seen as a slower one."""
    seen_hz = contractions.rate_hz.value if contractions.rate_hz.usable else 0.0
    fastest_hz = max(seen_hz, logged_cadence_hz)
    if fastest_hz == 0:
        raise NotEnough("no contractions")
    return 1 / fastest_hz / time_axis.sampling_step_s(time_s)


def samples_per_contraction_unsettled(contractions, samples_per_contraction_here):
    """None where the cadence of the session sheet settles which of those alike it is."""
    return None if contractions.settled else samples_per_contraction_here
