"""Read one person's recordings, convert units and put them on the clock of each session."""

import logging
from pathlib import Path

import pandas as pd

from engine.step import Inputs, Output, run
from recordings.clock import fit_clock
from recordings.coverage import coverage_doubt, events_measured_in
from recordings.readers.any_file import ReadingError, read_recording
from recordings.session_clock import (
    DIALECT_COLUMNS,
    each_once,
    end_of_session_s,
    fault_in_words,
    on_session_clock,
    refuse_marks_outside,
    refuse_times_of_another_unit,
    span_of,
    sync_marks_of,
    sync_row,
)
from recordings.store import write_stretches
from results.tables import write
from study.problems import StudyError
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
    read, faults = [], []
    for row in rows_of(study, "recordings", participant):
        marks_s = sync_marks_of(events, row.session_id)
        try:
            recording = read_recording(
                Path(study) / row.file,
                **row.model_dump(
                    include={"channel", "time_column", "unit", "sampling_rate_hz", "signal"}
                ),
                **row.model_dump(include={*DIALECT_COLUMNS, "time_format"}),
            )
            if row.signal != "rr":
                refuse_times_of_another_unit(
                    Path(study) / row.file, recording, end_of_session_s(events, row.session_id)
                )
            refuse_marks_outside(Path(study) / row.file, recording, row.sync_marks())
        except (ReadingError, OSError) as fault:
            faults.append((row, fault_in_words(row.file, fault)))
            continue
        try:
            clock = fit_clock(
                row.sync_marks(),
                marks_s if row.sync_marks() else [],
                given_offset_s=row.clock_offset_s,
                max_drift_ppm=settings.largest_drift_ppm,
            )
        except ValueError as fault:
            faults.append((row, f"{row.file}, sync_marks_s: {fault}"))
            continue
        read.append((row, recording, clock))
        for note in recording.notes:
            logging.info("%s %s: %s", row.session_id, row.file, note)
    if faults:
        raise StudyError(each_once(faults))
    spans = [(row.session_id, row.signal, span_of(*placed)) for row, *placed in read]
    clocks = []
    for (row, recording, clock), (*_, own) in zip(read, spans, strict=True):
        # intervals of several files are one series, of any other signal each file stands alone
        of_series = [s for *labels, s in spans if labels == [row.session_id, "rr"]]
        doubt = coverage_doubt(
            events_measured_in(
                events[events["session_id"] == row.session_id],
                row.signal,
                limb=row.limb,
                side=row.side,
            ),
            of_series if row.signal == "rr" else [own],
            own,
            largest_uncovered_s=settings.largest_uncovered_s,
        )
        clocks.append(sync_row(row, recording, clock, doubt, settings.lost_time_s_per_5_min))
    write_stretches([s for placed in read for s in on_session_clock(*placed)], signals)
    write(pd.DataFrame(clocks), "sync", sync)


if __name__ == "__main__":
    run(read_recordings)
