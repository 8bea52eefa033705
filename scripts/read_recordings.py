"""Read one person's recordings, convert units and put them on the clock of each session."""

import logging

from engine.step import Inputs, Output, run
from recordings.reading import read_person, sync_table
from recordings.store import write_stretches
from results.tables import write
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
    read = read_person(study, participant, settings)
    for row, recording, _ in read.timed:
        for note in recording.notes:
            logging.info("%s %s: %s", row.session_id, row.file, note)
    write_stretches(read.series.stretches, signals)
    write(sync_table(read, settings), "sync", sync)


if __name__ == "__main__":
    run(read_recordings)
