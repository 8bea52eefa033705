"""Draw a page for every session of one person, each with the numbers that it draws."""

import pyarrow.parquet as pq

from cuff.log import noted_course
from engine.step import Input, Output, run
from figures._drawing import STYLE, pyplot, save
from figures._session_page import Session, draw
from figures._sessions import joined_with_gaps, with_windows
from recordings.store import joined, read_stretches
from results.tables import read_table, write_table
from study.session_sheet import events_of, table_of, with_supplied_times
from study.settings import Protocol


def draw_sessions(
    signals: Input,
    beats: Input,
    respiration: Input,
    saturation: Input,
    segments: Input,
    outcomes: Input,
    beat_quality: Input,
    window_quality: Input,
    folder: Output,
    *,
    study: str,
    participant: str,
    title: str,
    protocol: Protocol,
):
    events = with_supplied_times(events_of(study, participant), read_table(segments))
    visits = table_of(study, "sessions", participant).set_index("session_id")["visit"]
    tables = {
        "beats": read_table(beats),
        "respiration": read_table(respiration),
        "traces": pq.read_table(saturation).to_pandas(),
        "outcomes": with_windows(read_table(outcomes), read_table(window_quality)),
        "spans": read_table(beat_quality).query("segment == 'span'"),
    }
    stretches = read_stretches(signals, ["ecg", "cuff_pressure"])
    sessions = sorted({s for table in tables.values() for s in table["session_id"].dropna()})
    folder.mkdir(parents=True, exist_ok=True)
    for session_id in sessions:
        own = [s for s in stretches if s.session_id == session_id]
        ecg = [s for s in own if s.signal == "ecg"]
        of_session = events[events["session_id"] == session_id]
        session = Session(
            {
                "participant_id": participant,
                "session_id": session_id,
                "visit": visits.get(session_id),
            },
            events=of_session,
            ecg=joined([s for s in ecg if (s.file, s.channel) == (ecg[0].file, ecg[0].channel)]),
            pressure=joined_with_gaps([s for s in own if s.signal == "cuff_pressure"]),
            noted_pressure=noted_course(of_session, protocol.no_cuff_condition),
            **{name: table[table["session_id"] == session_id] for name, table in tables.items()},
        )
        with pyplot.rc_context(STYLE):
            page, numbers = draw(session, protocol.failure_band_pct)
            stem = folder / session_id
            save(page, *(stem.with_suffix(f".{kind}") for kind in ("svg", "pdf", "png")), title)
        write_table(numbers, stem.with_suffix(".tsv"))


if __name__ == "__main__":
    run(draw_sessions)
