"""Measure every outcome in every window of one person, or refuse it with the reason."""

import pandas as pd
import pyarrow.parquet as pq

from analysis.gates import WORSE, verdict
from analysis.precision import NORMAL_QUANTILE, precise_rmssd_ms
from analysis.variability import NotEnough
from analysis.windows import Window, windows_of_event
from catalogue import outcome_modules
from session_sheet import events_of, table_of, with_supplied_times
from step import Input, Output, run
from tabular import read_table, write_table
from window_inputs import Absent, WindowInputs

OUTCOME_COLUMNS = [
    "participant_id",
    "session_id",
    "visit",
    "event_onset_s",
    "trial_type",
    "exercise",
    "condition",
    "bout",
    "window",
    "outcome",
    "value",
    "unit",
    "status",
    "reason",
    "se",
    "ci_low",
    "ci_high",
]
QUALITY_COLUMNS = [
    "participant_id",
    "session_id",
    "signal",
    "segment",
    "event_onset_s",
    "exercise",
    "start_s",
    "end_s",
    "usable_pct",
    "beats",
    "corrected_pct",
    "longest_repaired_run",
    "reason",
]
RECOVERY_COLUMNS = [
    *("participant_id", "session_id", "event_onset_s", "trial_type", "exercise", "condition"),
    *("bout", "after_s", "rmssd_ms", "se"),
]
RECOVERY_STEP_S = 15.0
RECOVERY_WINDOW_S = 30.0
FILES = {
    *("beats", "respiration", "saturation", "segments", "beat_quality", "sync"),
    *("outcomes", "quality", "recovery"),
}


def measure_outcomes(
    beats: Input,
    respiration: Input,
    saturation: Input,
    segments: Input,
    beat_quality: Input,
    sync: Input,
    outcomes: Output,
    quality: Output,
    recovery: Output,
    *,
    study: str,
    participant: str,
    baseline_settle_s: float,
    recovery_steady_from_s: float,
    shortest_steady_s: float,
    low_frequency_hz: list,
    high_frequency_hz: list,
    resampling_hz: float,
    detrending_regularisation: float,
    spectrum_method: str,
    peak_window_s: float,
    end_rate_window_s: float,
    recovery_rate_window_s: float,
    saturation_baseline_s: float,
    nadir_window_s: float,
    slope_window_s: float,
    end_window_s: float,
    failure_band_pct: list,
    failure_band_hysteresis_pct: float,
    half_time_to: str,
    slowest_cadence_hz: float,
    fastest_cadence_hz: float,
    samples_per_contraction: float,
    longest_recovery_delay_s: float,
    smallest_recovery_r2: float,
    largest_tau_error: float,
    smallest_usable_pct: float,
    gates: dict,
    usual_gates: dict,
):
    settings = {name: value for name, value in locals().items() if name not in FILES}
    person = Person(
        study, participant, beats, respiration, saturation, segments, beat_quality, sync
    )
    rows, verdicts, series = [], [], []
    for window, inputs in person.windows(settings):
        labels = person.labels(inputs["event"])
        verdicts.append(quality_row(window, inputs, labels))
        series.append(recovery_series(window, inputs, labels))
        for name, module in outcome_modules().items():
            if f"{window.trial_type}/{window.name}" in module.ASKED_OF:
                found = measured(name, module, window, inputs, gates, usual_gates)
                rows.append(
                    {**labels, "window": window.name, "outcome": name, "unit": module.UNIT, **found}
                )
    write_table(pd.DataFrame(rows, columns=OUTCOME_COLUMNS), outcomes)
    write_table(pd.DataFrame(verdicts, columns=QUALITY_COLUMNS), quality)
    filled = [table for table in series if len(table)]
    found = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    write_table(found.reindex(columns=RECOVERY_COLUMNS), recovery)


class Person:
    """What the earlier steps found about one person, cut into sessions."""

    def __init__(
        self,
        study,
        participant,
        beats,
        respiration,
        saturation,
        segments,
        beat_quality,
        sync,
    ):
        self.participant = participant
        self.segments = read_table(segments)
        self.events = with_supplied_times(events_of(study, participant), self.segments)
        people = table_of(study, "participants", participant)
        self.age_years = people["age_years"].iloc[0] if len(people) else None
        self.visits = table_of(study, "sessions", participant).set_index("session_id")["visit"]
        self.beats = with_beginnings(read_table(beats))
        self.respiration = read_table(respiration)
        self.traces = pq.read_table(saturation).to_pandas()
        clocks = read_table(sync)
        self.clocks = clocks[clocks["signal"].isin(["ecg", "rr"])].set_index("session_id")["status"]
        quality = read_table(beat_quality)
        self.ecg_spans = quality[quality["segment"] == "span"]
        self.timing_step_ms = quality[quality["segment"] == "recording"].set_index("session_id")[
            "timing_step_ms"
        ]

    def windows(self, settings):
        """Every window of every event, with what outcomes may ask for in it."""
        cutting = ("baseline_settle_s", "recovery_steady_from_s", "shortest_steady_s")
        for session_id, session_events in self.events.groupby("session_id"):
            given = {
                "beats": _of(self.beats, session_id),
                "respiration": _of(self.respiration, session_id),
                "traces": _of(self.traces, session_id),
                "session_events": session_events,
                "age_years": self.age_years,
                "timing_step_ms": self.timing_step_ms.get(session_id),
                "ecg_spans": _of(self.ecg_spans, session_id),
                "heart_clock_status": "; ".join(self.clocks[self.clocks.index == session_id]),
            }
            session = WindowInputs(**settings, **given)
            for event in session_events.itertuples():
                segment = self._segment(session_id, event)
                of_event = WindowInputs(session, event=event, segment=segment)
                for window in (
                    windows_without_time(event)
                    if event.untimed
                    else windows_of_event(
                        event, session_events, **{name: settings[name] for name in cutting}
                    )
                ):
                    yield window, WindowInputs(of_event, window=window)

    def _segment(self, session_id, event):
        """The sensor that counts in an event: a set's own, at baseline the only one there is."""
        if event.trial_type == "baseline":
            traces = _of(self.traces, session_id)
            sensors = traces.loc[traces["signal"] == "muscle_oxygen", ["file", "channel"]]
            sensors = sensors.drop_duplicates()
            if len(sensors) > 1:
                return {
                    "status": "refused",
                    "reason": f"{len(sensors)} sensors: the resting level of each stands on the "
                    "sets that it belongs to",
                }
            if sensors.empty:
                return None
            sensor = dict(sensors.iloc[0])
            return {"status": "ok", "reason": self._doubt(session_id, sensor), **sensor}
        own = self.segments[
            (self.segments["session_id"] == session_id)
            & ((self.segments["event_onset_s"] - event.onset_s).abs() < 1e-3)
        ]
        if event.trial_type != "set" or own.empty:
            return None
        return own.iloc[0]

    def _doubt(self, session_id, sensor):
        """What speaks against a sensor, as its sets have it."""
        own = self.segments[
            (self.segments["session_id"] == session_id)
            & (self.segments["file"] == sensor["file"])
            & (self.segments["status"] == "flagged")
        ]
        return own["reason"].iloc[0] if len(own) else ""

    def labels(self, event):
        return {
            "participant_id": self.participant,
            "session_id": event.session_id,
            "visit": self.visits.get(event.session_id),
            "event_onset_s": float(event.onset_s),
            "trial_type": event.trial_type,
            "exercise": event.exercise,
            "condition": event.condition,
            "bout": None if pd.isna(event.bout) else int(event.bout),
        }


def windows_without_time(event):
    """Windows of a set that has no time: nothing can be measured in them, for that reason."""
    return [
        Window(name, "set", event.onset_s, float("nan"), float("nan"), event.untimed)
        for name in ("set", "recovery_first_60_s")
    ]


def _of(table, session_id):
    return table[table["session_id"] == session_id]


def with_beginnings(beats):
    """The beats in order, each interval knowing whether the beat that begins it is normal."""
    used = beats[beats["nn_time_s"].notna() | (beats["kind"] != "normal")]
    used = used.sort_values(["session_id", "time_s"], kind="stable")
    in_series = used[used["nn_time_s"].notna()]
    before = in_series.groupby("session_id")["kind"].shift()
    return used.assign(begins_normal=(before == "normal").reindex(used.index, fill_value=False))


def measured(name, module, window, inputs, gates, usual_gates):
    """Value, standard error, status and reason of one outcome in one window."""
    refused = {"value": None, "status": "refused"}
    event = inputs["event"]
    if event.excluded:
        return refused | {"reason": event.excluded}
    if window.problem:
        return refused | {"reason": window.problem}
    status, reason = verdict(name, window.name, gates, inputs.property_of_window)
    if status == "refused":
        return refused | {"reason": reason}
    usual, usual_reason = verdict(name, window.name, usual_gates, inputs.property_of_window)
    if WORSE[usual] > WORSE[status]:
        status, reason = "flagged", f"given only under a rule this study changed: {usual_reason}"
    try:
        found = inputs.call(module.measure)
    except Absent as absent:
        return refused | {"status": "missing", "reason": str(absent)}
    except NotEnough as not_enough:
        return refused | {"reason": str(not_enough)}
    cautions = [text for text in (event.supplied, doubt_about_sensor(module, inputs)) if text]
    status = "flagged" if cautions else status
    reason = "; ".join([text for text in (reason, *cautions) if text])
    if not hasattr(found, "status"):
        return {"value": float(found), "status": status, "reason": reason}
    if found.status == "refused":
        return refused | {"reason": found.reason}
    reasons = [text for text in (reason, found.reason) if text]
    half_width = NORMAL_QUANTILE * found.se
    return {
        "value": found.value,
        "se": found.se,
        "ci_low": getattr(found, "ci_low", found.value - half_width),
        "ci_high": getattr(found, "ci_high", found.value + half_width),
        "status": "flagged" if "flagged" in (status, found.status) else "ok",
        "reason": "; ".join(reasons),
    }


def doubt_about_sensor(module, inputs):
    """What speaks against the sensor that an outcome of saturation is read from."""
    segment = inputs["segment"]
    if module.FAMILY != "saturation" or segment is None or pd.isna(segment["reason"]):
        return ""
    return segment["reason"]


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


def quality_row(window, inputs, labels):
    """How well the beats cover one window."""
    return {
        "participant_id": labels["participant_id"],
        "session_id": labels["session_id"],
        "signal": "beats",
        "segment": window.name,
        "event_onset_s": window.event_onset_s,
        "exercise": labels["exercise"],
        "start_s": window.start_s,
        "end_s": window.end_s,
        "usable_pct": inputs.property_of_window("covered_pct"),
        "beats": inputs.property_of_window("beat_count"),
        "corrected_pct": inputs.property_of_window("corrected_pct"),
        "longest_repaired_run": inputs.property_of_window("longest_repaired_run"),
        "reason": window.problem or inputs["event"].supplied,
    }


if __name__ == "__main__":
    run(measure_outcomes)
