"""All recordings of one person, each with its clock; what cannot be read is told of all at once."""

import re
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from recordings.agreement import checked_clocks
from recordings.clock import JOINED, Clock, fit_clock
from recordings.coverage import coverage_caution, events_measured_in
from recordings.declared import declared_by
from recordings.doubtful_times import times_caution
from recordings.doubtful_values import values_caution
from recordings.joining import Series, join_pieces
from recordings.placing import place_of
from recordings.raw_files import forget_opened
from recordings.readers.any_file import read_recording
from recordings.recording import ReadingError, Recording
from recordings.session_clock import (
    end_of_session_s,
    refuse_marks_outside,
    refuse_times_of_another_unit,
    span_of,
    sync_marks_of,
    sync_row,
    unused_row,
)
from results.words import in_words
from study.problems import StudyError
from study.rows import rows_of
from study.session_sheet import table_of
from study.tables import Recording as RecordingRow


class TimedRecording(NamedTuple):
    """A row of recordings.tsv, what its file holds, and how its clock stands to the session's."""

    row: RecordingRow
    recording: Recording
    clock: Clock


class PersonRead(NamedTuple):
    """All recordings of one person in the order of recordings.tsv, their pieces joined, and the
    session sheet."""

    timed: list[TimedRecording]
    series: Series
    events: pd.DataFrame


def read_person(study, participant, settings) -> PersonRead:
    """Read all recordings of one person, with the settings of read_recordings.

    Raises StudyError with every file that cannot be read or timed, or joined with another.
    """
    events = table_of(study, "events", participant)
    sessions = rows_of(study, "sessions", participant)
    # clock time of zero on the session clock, None where it is not known
    starts = {row.session_id: row.session_start for row in sessions}
    timed, faults = [], []
    for row in rows_of(study, "recordings", participant):
        try:
            recording = recording_of(row, study, events)
        except (ReadingError, OSError) as fault:
            faults.append((row, fault_in_words(row.file, fault)))
            continue
        try:
            placing = place_of(row, recording, starts.get(row.session_id))
            clock = clock_of(row, events, placing, settings.largest_drift_ppm)
        except ValueError as fault:
            where = "sync_marks_s" if row.sync_marks() else "clock_offset_s"
            faults.append((row, f"{row.file}, {where}: {fault}"))
            continue
        timed.append(TimedRecording(row, recording, clock))
    forget_opened()
    if faults:
        raise StudyError(each_once(faults))
    return PersonRead(timed, join_pieces(timed), events)


def recording_of(row, study, events):
    """What the file of one row holds. Raises ReadingError where its times cannot be those of the
    session."""
    path = Path(study) / row.file_inside
    recording = read_recording(path, declared_by(row.model_dump(), row.overruled), Path(study))
    if row.signal != "rr":
        refuse_times_of_another_unit(recording, end_of_session_s(events, row.session_id))
    refuse_marks_outside(recording, row.sync_marks())
    return recording


def clock_of(row, events, placing, largest_drift_ppm):
    """The clock of one row's file; `placing` holds where no mark was taken.

    Raises ValueError for marks that cannot be fitted.
    """
    marks_s = row.sync_marks()
    clock = fit_clock(
        marks_s,
        sync_marks_of(events, row.session_id) if marks_s else [],
        given_offset_s=placing.offset_s,
        given_by=placing.given_by,
        max_drift_ppm=largest_drift_ppm,
    )
    if marks_s or not placing.caution:
        return clock
    return replace(clock, status=f"{clock.status}; {placing.caution}")


def sync_table(read, settings):
    """One row per recording of a person: how it stands on the session clock and what it lacks."""
    timed, series, events = read
    clocks = []
    compared = checked_clocks(timed)
    for row, recording, clock in timed:
        reason = series.unused.get(row.row_number)
        if reason:
            clocks.append(unused_row(row, recording, clock, reason))
            continue
        span = span_of(recording, clock)
        spans = series.spans.get(row.row_number, [span])
        of_session = events[events["session_id"] == row.session_id]
        caution = coverage_caution(
            events_measured_in(of_session, row.signal, limb=row.limb, side=row.side),
            spans,
            span,
            largest_uncovered_s=settings.largest_uncovered_s,
        )
        joined = f"one of {len(spans)} {JOINED}" if len(spans) > 1 else ""
        times = times_caution(row.signal, recording, clock, of_session)
        unlikely = values_caution(row.signal, recording)
        said = [caution, times, unlikely, joined, compared.get(row.row_number, "")]
        clocks.append(sync_row(row, recording, clock, said, settings.lost_time_s_per_5_min))
    return pd.DataFrame(clocks)


def fault_in_words(file, fault):
    """Why a file cannot be read, under the name that recordings.tsv gives it."""
    if isinstance(fault, OSError):
        return f"{file}: cannot be opened ({fault.strerror}); see who may read it, or copy it again"
    return fault.of_file(file).replace("\n", "\n  ")


def each_once(faults):
    """Faults of files with all the rows of recordings.tsv that meet them; one of a whole file is
    one, with its first figures, however many sensors share the file."""
    numbers, words = {}, {}
    for row, fault in faults:
        same = (row.file, re.sub(r"\d+(\.\d+)?", "#", fault))
        words.setdefault(same, fault)
        numbers.setdefault(same, []).append(str(row.row_number))
    return "\n".join(
        f"recordings.tsv, {'row' if len(of_fault) == 1 else 'rows'} {in_words(of_fault)}: "
        f"{words[same]}"
        for same, of_fault in numbers.items()
    )
