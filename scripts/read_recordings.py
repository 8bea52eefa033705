"""Read one person's recordings, convert units and put them on the clock of each session."""

import logging

from engine.step import Inputs, Output, run
from recordings.joining import join_pieces
from recordings.reading import read_all, sync_table
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
    starts = {row.session_id: row.session_start for row in rows_of(study, "sessions", participant)}
    read = read_all(study, recordings, events, starts, largest_drift_ppm=settings.largest_drift_ppm)
    series = join_pieces(read)
    for row, recording, _ in read:
        for note in recording.notes:
            logging.info("%s %s: %s", row.session_id, row.file, note)
    write_stretches(series.stretches, signals)
    write(sync_table(read, series, events, settings), "sync", sync)


if __name__ == "__main__":
    run(read_recordings)
