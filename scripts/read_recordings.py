"""Read one person's recordings, convert units and put them on the clock of each session."""

import logging

from engine.step import Inputs, Output, run
from recordings.reading import read_all, sync_table
from recordings.session_clock import on_session_clock
from recordings.store import write_stretches
from results.tables import write
from study.rows import rows_of
from study.session_sheet import table_of
from study.settings import ReadRecordings


def read_recordings(
    raw: Inputs,
    signals: Output,
    sync: Output,
    *,
    study: str,
    participant: str,
    settings: ReadRecordings,
):
    events = table_of(study, "events", participant)
    recordings = rows_of(study, "recordings", participant)
    read = read_all(study, recordings, events, largest_drift_ppm=settings.largest_drift_ppm)
    for row, recording, _ in read:
        for note in recording.notes:
            logging.info("%s %s: %s", row.session_id, row.file, note)
    write_stretches([part for timed in read for part in on_session_clock(*timed)], signals)
    write(sync_table(read, events, settings), "sync", sync)


if __name__ == "__main__":
    run(read_recordings)
