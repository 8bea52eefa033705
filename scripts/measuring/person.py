"""One person's beats, breathing and saturation, cut into windows."""

import pandas as pd
import pyarrow.parquet as pq

from heart.repair.series import with_beginnings
from measuring.cutting import windows_of_event
from measuring.inputs import WindowInputs
from results.tables import read_table
from study.session_sheet import events_of, table_of, with_supplied_times
from study.settings import by_name


class Person:
    """What the earlier steps made of one person's recordings, cut into sessions.

    `tables` are beats, respiration, saturation, segments, beat_quality and sync, `events` come
    from `session_sheet.events_of`, `people` and `sessions` are the person's rows of these tables.
    """

    def __init__(self, participant, people, sessions, events, tables):
        self.participant = participant
        self.segments = tables["segments"]
        self.events = with_supplied_times(events, self.segments)
        self.age_years = people["age_years"].iloc[0] if len(people) else None
        self.visits = sessions.set_index("session_id")["visit"]
        self.beats = with_beginnings(tables["beats"])
        self.respiration = tables["respiration"]
        self.traces = tables["saturation"]
        clocks = tables["sync"]
        self.clocks = clocks[clocks["signal"].isin(["ecg", "rr"])].set_index("session_id")["status"]
        quality = tables["beat_quality"]
        self.ecg_spans = quality[quality["segment"] == "span"]
        self.timing_step_ms = quality[quality["segment"] == "recording"].set_index("session_id")[
            "timing_step_ms"
        ]

    @classmethod
    def of_study(cls, study, participant, tables, *, with_edits=True):
        """A person with the session sheet of a study, with or without the decisions of people."""
        return cls(
            participant,
            table_of(study, "participants", participant),
            table_of(study, "sessions", participant),
            events_of(study, participant, with_edits=with_edits),
            tables,
        )

    def windows(self, settings, protocol, only=None):
        """Every window of every event, or those named, with what outcomes may ask for in it."""
        asked = by_name(settings, protocol)
        for session_id, session_events in self.events.groupby("session_id"):
            given = {
                "beats": _of(self.beats, session_id),
                "respiration": _of(self.respiration, session_id),
                "traces": _of(self.traces, session_id),
                "session_events": session_events,
                "age_years": self.age_years,
                "step_of_beat_times_ms": self.timing_step_ms.get(session_id),
                "ecg_spans": _of(self.ecg_spans, session_id),
                "heart_clock_status": "; ".join(self.clocks[self.clocks.index == session_id]),
            }
            session = WindowInputs(**asked, **given)
            for event in session_events.itertuples():
                segment = self._segment(session_id, event)
                of_event = WindowInputs(session, event=event, segment=segment)
                for window in windows_of_event(of_event, only):
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
            & (self.segments["event_id"] == event.event_id)
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
            "event_id": event.event_id,
            "event_onset_s": float(event.onset_s),
            "trial_type": event.trial_type,
            "exercise": event.exercise,
            "condition": event.condition,
            "bout": None if pd.isna(event.bout) else int(event.bout),
        }


def _of(table, session_id):
    return table[table["session_id"] == session_id]


def read_tables(**files):
    """The tables of a person from the files of the earlier steps."""
    return {
        name: pq.read_table(path).to_pandas() if path.suffix == ".parquet" else read_table(path)
        for name, path in files.items()
    }
