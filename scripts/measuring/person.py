"""One person's beats, breathing and saturation, cut into windows."""

import pandas as pd

from heart.repair.series import with_beginnings
from measuring.cutting import windows_of_event
from measuring.inputs import WindowInputs
from measuring.sensors import Sensors
from recordings.store import read_parquet
from results.tables import read_table
from study.session_sheet import events_of, table_of, with_supplied_times
from study.settings import by_name

# what is asked of the cleaned traces: labels, which every reading repeats, and numbers
TRACE_LABELS = ["session_id", "signal", "file", "channel", "site", "side", "unit"]

TRACE = [*TRACE_LABELS, "time_s", "value", "level_segment"]

# what the earlier steps left of one person, in a folder of results
FILES = {
    "beats": "beats/{}.tsv",
    "respiration": "participants/{}/respiration.tsv.gz",
    "saturation": "signals/{}_oxygenation.parquet",
    "segments": "participants/{}/segments.tsv",
    "beat_quality": "participants/{}/beat_quality.tsv",
    "sync": "participants/{}/sync.tsv",
}


def files_of(results, participant):
    """Paths of what the earlier steps left of one person, by name."""
    return {name: results / path.format(participant) for name, path in FILES.items()}


class Person:
    """What the earlier steps made of one person's recordings, cut into sessions.

    `tables` are beats, respiration, saturation, segments, beat_quality and sync, `events` come
    from `session_sheet.events_of`, `people` and `sessions` are the person's rows of these tables.
    """

    def __init__(self, participant, people, sessions, events, tables):
        self.participant = participant
        self.events = with_supplied_times(events, tables["segments"])
        self.sensors = Sensors(tables["segments"])
        self.age_years = people["age_years"].iloc[0] if len(people) else None
        self.visits = sessions.set_index("session_id")["visit"]
        self.beats = with_beginnings(tables["beats"])
        self.respiration = tables["respiration"]
        self.traces = tables["saturation"]
        clocks = tables["sync"]
        self.clocks = clocks[clocks["used"] == "yes"]
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
                "clocks": _of(self.clocks, session_id),
            }
            session = WindowInputs(**asked, **given)
            for event in session_events.itertuples():
                segment = self.sensors.of_event(event, given["traces"])
                of_event = WindowInputs(session, event=event, segment=segment)
                for window in windows_of_event(of_event, only):
                    yield window, WindowInputs(of_event, window=window)

    def labels(self, event):
        """Columns that name an event in outcomes.tsv."""
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
        name: read_parquet(path, TRACE, as_codes=TRACE_LABELS).to_pandas()
        if path.suffix == ".parquet"
        else read_table(path)
        for name, path in files.items()
    }
