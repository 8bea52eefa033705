"""What an outcome may ask for, by the name of a parameter.

An outcome's `measure` names what it needs; each function here makes one such thing from others, and
each is made at most once per window. Settings of measure_outcomes can be asked for by name as well.
"""

import inspect
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from heart import spectrum, variability
from heart.modulation import respiratory_modulation
from heart.precision import precise_band_power_ms2
from heart.repair.series import SAME_BEAT_S, with_differences
from heart.variability import NotEnough
from measuring import properties
from muscle import cleaning, concentration, levels
from muscle.concentration import HAEMOGLOBIN, of_working_muscle
from muscle.contractions import Cadences, find_contractions
from muscle.readings import Readings
from muscle.resting_variation import STEADY, resting_variation
from recordings import time_axis
from results.estimate import Estimate
from study.session_sheet import noted_cadence_hz

# filters of the time-varying estimates settle within this time
MARGIN_S = 30.0

NO_HEART = "no heart recording in this session"


class Absent(NotEnough):
    """Nothing was recorded or noted that could be measured."""


def noted_number(event, column):
    """A number of the session sheet; Absent where nobody noted it."""
    number = getattr(event, column)
    if pd.isna(number):
        raise Absent("not noted on the session sheet")
    return float(number)


class WindowInputs:
    """Everything known about one window; what is not given is made on demand and kept.

    `wider` holds what is known about the event or session that the window belongs to: whatever does
    not depend on the window itself is made and kept there, once.
    """

    def __init__(self, wider=None, **given):
        self._wider = wider
        self._known = dict(given)
        self._given = frozenset(given) | (wider._given if wider else frozenset())

    def __getitem__(self, name):
        try:
            known = self._known[name]
        except KeyError:
            known = self._known[name] = self._made(name)
        if isinstance(known, NotEnough):
            raise known
        return known

    def _made(self, name):
        """A thing, made here or wider, or the reason why it cannot be made."""
        try:
            if self._wider is not None and self._wider.can_make(name):
                return self._wider[name]
            return self.call(MAKERS[name])
        except NotEnough as reason:
            return reason

    def can_make(self, name):
        """Whether everything that a thing is made from is known here or wider."""
        return needed_for(name) <= self._given

    def call(self, function):
        """Call a function with what its parameters ask for, or its default where that is absent."""
        return function(**{p.name: self._or_default(p) for p in parameters_of(function)})

    def under(self, changes):
        """The same window with other things for some, and all that is made from those made anew.

        `changes`: by name, or a function that makes the change from what it asks for here.
        """
        given = {name: self[name] for name in self._given}
        changed = {n: self.call(made) if callable(made) else made for n, made in changes.items()}
        return WindowInputs(**given | changed)

    def _or_default(self, parameter):
        try:
            return self[parameter.name]
        except NotEnough:
            if parameter.default is parameter.empty:
                raise
            return parameter.default

    def lacks_heart(self, function):
        """Whether a function asks for beats in a session of which no heart was recorded."""
        return asks_for_beats(function) and not self["session_series"].time_s.size

    def property_of_window(self, name):
        """A property that a quality rule compares with its limits; None where it is unknown."""
        try:
            measured = self[name]
        except NotEnough:
            return None
        return None if measured is None else float(measured)


@cache
def parameters_of(function):
    """Parameters of an outcome, a window or a thing made here; looked up once."""
    return tuple(inspect.signature(function).parameters.values())


@cache
def needed_for(name):
    """What must be given for a thing to be made."""
    if name not in MAKERS:
        return frozenset([name])
    parts = inspect.signature(MAKERS[name]).parameters
    return frozenset().union(*(needed_for(part) for part in parts))


@cache
def asks_for_beats(function):
    """Whether any parameter of a function is made from beats."""
    return any("beats" in needed_for(parameter.name) for parameter in parameters_of(function))


class Intervals(NamedTuple):
    """Intervals of a repaired series: end (s), length (ms), start (s), both beats normal."""

    time_s: np.ndarray
    ms: np.ndarray
    begin_s: np.ndarray
    normal: np.ndarray


def session_series(beats):
    """Every interval of the session, as arrays."""
    time_s, ms = beats["nn_time_s"].to_numpy(float), beats["nn_ms"].to_numpy(float)
    normal = (beats["begins_normal"] & (beats["kind"] == "normal")).to_numpy(bool)
    return Intervals(time_s, ms, time_s - ms / 1000, normal)


def nn(session_series, window):
    """Intervals of the repaired series that lie whole in the window."""
    if not session_series.time_s.size:
        raise Absent(NO_HEART)
    inside = (session_series.begin_s >= window.start_s - SAME_BEAT_S) & (
        session_series.time_s <= window.end_s + SAME_BEAT_S
    )
    if not inside.any():
        raise Absent("no beats were recorded in this window")
    return Intervals(*(column[inside] for column in session_series))


def nn_ms(nn):
    return nn.ms


def nn_time_s(nn):
    return nn.time_s


def session_nn(beats):
    """Time and interval of the whole repaired series of the session."""
    used = beats[beats["nn_ms"].notna()]
    if used.empty:
        raise Absent(NO_HEART)
    return used["nn_time_s"].to_numpy(), used["nn_ms"].to_numpy()


def session_differences(beats):
    """Ends of all intervals of the session (s) and their difference from the one before (ms), NaN
    where not both are normal or one does not follow the other."""
    used = beats[beats["nn_ms"].notna()]
    if used.empty:
        raise Absent(NO_HEART)
    intervals = with_differences(used)
    return intervals["nn_time_s"].to_numpy(), intervals["difference_ms"].to_numpy()


def normal(nn):
    """Which intervals lie between two normal beats."""
    return nn.normal


def normal_nn_ms(nn_ms, normal):
    if not normal.any():
        raise NotEnough("no interval between two normal beats")
    return nn_ms[normal]


def follows(nn_time_s, nn_ms, normal):
    """Which intervals directly follow a normal one and are normal themselves."""
    return variability.directly_following(nn_time_s, nn_ms, normal, tolerance_s=SAME_BEAT_S)


def differences_ms(nn_ms, follows):
    return variability.successive_differences_ms(nn_ms, follows)


def interval_spectrum(nn_time_s, nn_ms, spectrum_method, resampling_hz, detrending_regularisation):
    return spectrum.interval_spectrum(
        nn_time_s,
        nn_ms,
        method=spectrum_method,
        rate_hz=resampling_hz,
        regularisation=detrending_regularisation,
    )


def halving_beats_s(beats):
    """Times of beats added by hand with an interval beside them under 0.6 of those around.

    The share is a convention; a beat where none was missed leaves two halves.
    """
    used = beats[beats["nn_time_s"].notna()].sort_values("nn_time_s")
    time_s, length_ms = used["nn_time_s"].to_numpy(), used["nn_ms"].to_numpy(float)
    halving = []
    for at in np.flatnonzero(used["kind"] == "added"):
        around = np.concatenate([length_ms[max(0, at - 6) : at], length_ms[at + 2 : at + 8]])
        beside = length_ms[at : at + 2]
        known = np.isfinite(around).any() and np.isfinite(beside).any()
        if known and np.nanmin(beside) < 0.6 * np.nanmedian(around):
            halving.append(time_s[at])
    return np.array(halving, dtype=float)


def lf_power(interval_spectrum, low_frequency_hz):
    return precise_band_power_ms2(interval_spectrum, *low_frequency_hz)


def hf_power(interval_spectrum, high_frequency_hz):
    return precise_band_power_ms2(interval_spectrum, *high_frequency_hz)


def doubtful_spans(ecg_spans):
    """Starts and ends of the spans of the ECG that were not accepted."""
    return _limits(ecg_spans[ecg_spans["verdict"] != "accepted"])


def rejected_spans(ecg_spans):
    return _limits(ecg_spans[ecg_spans["verdict"] == "rejected"])


def _limits(spans):
    return spans["start_s"].to_numpy(), spans["end_s"].to_numpy()


class Breathing(NamedTuple):
    """Breathing over time: time (s), rate (Hz), NaN where it is not known, and where it is."""

    time_s: np.ndarray
    rate_hz: np.ndarray
    known: np.ndarray


def session_breathing(respiration):
    known = (respiration["status"] == "known").to_numpy(bool)
    rate_hz = np.where(known, respiration["rate_hz"].to_numpy(float), np.nan)
    return Breathing(respiration["time_s"].to_numpy(float), rate_hz, known)


def breathing(session_breathing, window):
    """Breathing in the window, known or not."""
    time_s = session_breathing.time_s
    inside = (time_s >= window.start_s) & (time_s <= window.end_s)
    if not inside.any():
        raise Absent("breathing was neither recorded nor seen in the beats")
    return Breathing(*(column[inside] for column in session_breathing))


def beat_course(beats):
    """Ends of all intervals of the session in order of time, and which have no length (s, bool)."""
    used = beats[beats["nn_time_s"].notna()].sort_values("nn_time_s")
    return used["nn_time_s"].to_numpy(float), used["nn_ms"].isna().to_numpy()


def respiratory_course(beat_course, session_breathing, window):
    """Course of the modulation at the breathing rate, with a margin for its filters either side."""
    time_s, lost = beat_course
    near = (time_s >= window.start_s - MARGIN_S) & (time_s <= window.end_s + MARGIN_S)
    if not near.any():
        raise Absent("no beats were recorded in this window")
    if lost[near][1:].any():
        raise NotEnough("the beats are interrupted in or near this window")
    if not session_breathing.known.any():
        raise NotEnough("breathing is unknown throughout the session")
    return respiratory_modulation(time_s[near], session_breathing.time_s, session_breathing.rate_hz)


def sensor_clocks(clocks, segment):
    """Clocks of the recording of the sensor that counts."""
    if segment is None or not isinstance(segment.get("file"), str):
        raise Absent("no saturation sensor belongs to this event")
    return clocks[clocks["file"] == segment["file"]]


def saturation_of_sensors(traces):
    """Cleaned saturation by file and channel of its sensor; None where a file names no channel."""
    saturation = traces[traces["signal"] == "muscle_oxygen"]
    return {
        (file, None if pd.isna(channel) else channel): of_sensor
        for (file, channel), of_sensor in saturation.groupby(
            ["file", "channel"], dropna=False, observed=True
        )
    }


def trace(saturation_of_sensors, traces, segment):
    """Cleaned saturation of the sensor that counts for this set."""
    if segment is None:
        raise Absent("no saturation sensor belongs to this event")
    if segment["status"] == "refused":
        raise Absent(segment["reason"])
    channel = None if pd.isna(segment["channel"]) else segment["channel"]
    return saturation_of_sensors.get((segment["file"], channel), traces[:0])


def haemoglobin_traces(traces):
    """Traces of the session, by signal of haemoglobin."""
    return {signal: traces[traces["signal"] == signal] for signal in HAEMOGLOBIN}


def concentrations(haemoglobin_traces, segment, baseline_span_s, usable_share):
    """Haemoglobin of the muscle that works in this set, by signal; why there is none instead."""
    return {
        signal: of_working_muscle(of_signal, segment, baseline_span_s, usable_share)
        for signal, of_signal in haemoglobin_traces.items()
    }


def haemoglobin_changes(
    concentrations, baseline_end_s, set_end_s, saturation_baseline_s, end_window_s, ripple_hz=None
):
    """Change of haemoglobin from rest to the end of the set, by signal."""
    return {
        signal: concentration.change(
            recording,
            baseline_end_s,
            set_end_s,
            baseline_window_s=saturation_baseline_s,
            end_window_s=end_window_s,
            ripple_hz=ripple_hz,
        )
        for signal, recording in concentrations.items()
    }


def haemoglobin_half_recoveries(
    concentrations,
    window,
    baseline_end_s,
    set_end_s,
    saturation_baseline_s,
    end_window_s,
    nadir_window_s,
):
    """Time after the set until haemoglobin is half-way back, by signal that turns round."""
    return {
        signal: concentration.half_recovery(
            signal,
            concentrations[signal],
            window,
            baseline_end_s,
            set_end_s,
            baseline_window_s=saturation_baseline_s,
            end_window_s=end_window_s,
            smoothing_s=nadir_window_s,
        )
        for signal in concentration.TURNS_ROUND
    }


def time_s(trace):
    return time_axis.unalterable(trace["time_s"])


def smo2_pct(trace):
    return time_axis.unalterable(trace["value"])


def level_segment(trace):
    return trace["level_segment"].to_numpy()


def set_start_s(event):
    return event.onset_s


def set_end_s(event):
    return event.onset_s + event.duration_s


def usable_share(smallest_usable_pct):
    return smallest_usable_pct / 100


def baseline_span_s(session_events):
    """Start and end of the first baseline."""
    baselines = session_events[session_events["trial_type"] == "baseline"]
    if baselines.empty:
        raise NotEnough("the session has no baseline")
    first = baselines.iloc[0]
    return first["onset_s"], first["onset_s"] + first["duration_s"]


def baseline_end_s(baseline_span_s):
    return baseline_span_s[1]


def at_rest(time_s, smo2_pct, level_segment, baseline_span_s=None):
    """Slow variation of the working muscle's saturation in the baseline, of one sensor level."""
    if baseline_span_s is None:
        return STEADY
    inside = (time_s >= baseline_span_s[0]) & (time_s <= baseline_span_s[1])
    last_level = level_segment[inside].max(initial=0)
    rest = inside & (level_segment == last_level)
    return resting_variation(time_s[rest], smo2_pct[rest])


def saturation(time_s, smo2_pct, usable_share, at_rest):
    """Saturation of the working muscle."""
    return Readings(time_s, smo2_pct, usable_share, at_rest)


def rippling_saturation(saturation, ripple_hz):
    """Saturation of a set, measured over whole contractions where their ripple is known."""
    return replace(saturation, ripple_hz=ripple_hz)


def smo2_baseline(saturation, level_segment, baseline_end_s, set_end_s, saturation_baseline_s):
    """Resting saturation of the working muscle, refused where the sensor slipped since."""
    level = levels.baseline(saturation, baseline_end_s, window_s=saturation_baseline_s)
    if not cleaning.levels_comparable(saturation.time, level_segment, baseline_end_s, set_end_s):
        return Estimate.refused("the sensor slipped between the baseline and this set")
    return level


def contractions(
    time_s,
    smo2_pct,
    set_start_s,
    set_end_s,
    slowest_cadence_hz,
    fastest_cadence_hz,
    samples_per_contraction,
    usable_share,
    logged_cadence_hz,
):
    return find_contractions(
        *(time_s, smo2_pct, set_start_s, set_end_s),
        Cadences(slowest_cadence_hz, fastest_cadence_hz, samples_per_contraction),
        min_usable_share=usable_share,
        noted_rate_hz=logged_cadence_hz,
    )


def ripple_hz(contractions, logged_cadence_hz, time_s, samples_per_contraction):
    """Rate of the ripple, None where none was found or where sampling is too slow for it."""
    slowest_step_s = 1 / (samples_per_contraction * max(logged_cadence_hz, 1e-9))
    if not contractions.rate_hz.usable or time_axis.sampling_step_s(time_s) > slowest_step_s:
        return None
    return contractions.rate_hz.value


def smo2_nadir(rippling_saturation, set_start_s, set_end_s, nadir_window_s):
    return levels.nadir(rippling_saturation, set_start_s, set_end_s, window_s=nadir_window_s)


def recovery_target(saturation, window, smo2_baseline, half_time_to, nadir_window_s):
    """The level that reoxygenation is measured against."""
    if half_time_to == "baseline":
        return smo2_baseline
    return levels.peak(saturation, window.start_s, window.end_s, window_s=nadir_window_s)


def beat_count(nn):
    return nn.time_s.size


def logged_cadence_hz(event):
    return noted_cadence_hz(event)


MAKERS = {
    name: maker
    for module in (vars(properties), globals())
    for name, maker in module.items()
    if inspect.isfunction(maker)
    and maker.__module__ in (__name__, properties.__name__)
    and not name.startswith("_")
}
