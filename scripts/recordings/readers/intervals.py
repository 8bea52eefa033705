"""Beat intervals as text: one interval per row, with or without a time column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from recordings.declared import Declared
from recordings.dialect import open_table
from recordings.readers.delimited import choose_columns, read_columns
from recordings.recording import FloatArray, ReadingError, Recording, Stretch, cut_at_gaps
from recordings.units import to_canonical
from study.outside import OutsideFile


def read_intervals(file: OutsideFile, declared: Declared) -> Recording:
    """Read beat intervals in their declared unit, each at the time of the beat that ends it.

    Without a time column the first interval begins at 0 and times are the running sum of the
    intervals, so lost beats shift what follows (see `recordings.clock.lost_time`). With a time
    column, its times are kept (stamps of the beat that begins an interval are moved to the one
    that ends it) and the recording is cut where they outrun the intervals. Raises
    ReadingError as `readers.read_recording` says, and for a blank or negative interval.
    """
    if declared.sampling_rate_hz is not None:
        raise ReadingError(
            "sampling_rate_hz",
            f"{declared.sampling_rate_hz:g} Hz for beat intervals",
            "blank: intervals come with the beats",
            "clear sampling_rate_hz in recordings.tsv, or declare the signal as what it is",
        )
    unit = declared.unit
    text, dialect, notes = open_table(file, declared.dialect)
    value_at, time_at = choose_columns(dialect, declared.channel, declared.time_column, text=text)
    read = read_columns(
        text, dialect, value_at=value_at, time_at=time_at, time_format=declared.time_format
    )
    intervals, time_s, row_numbers, time_notes, zero_at = read
    _refuse_impossible(intervals, row_numbers)
    interval_s = to_canonical("rr", intervals, unit) * 1e-3
    if time_s is None:
        whole = Stretch(0.0, None, np.cumsum(interval_s), intervals)
        return Recording((whole,), unit, dialect.shown(), notes)
    if _stamped_at_start(time_s, interval_s):
        time_s = time_s + interval_s
        time_notes += (
            "times are of the beat that begins an interval: moved to the one that ends it",
        )
    stretches, cuts, _ = cut_at_gaps(
        time_s, intervals, row_numbers=row_numbers, expected_step_s=interval_s[1:]
    )
    from_first_beat = tuple(
        replace(
            stretch,
            start_s=float(stretch.time_s[0] - to_canonical("rr", stretch.value[0], unit) * 1e-3),
            step_s=None,
        )
        for stretch in stretches
    )
    notes += time_notes + cuts
    return Recording(from_first_beat, unit, dialect.shown(), notes, zero_at=zero_at)


def _stamped_at_start(time_s: FloatArray, interval_s: FloatArray) -> bool:
    """Whether steps in time match the interval before each step clearly better than the one after.

    Both stamps are in use: common practice, no source.
    """
    if len(time_s) < 3:
        return False
    steps_s = np.diff(time_s)
    misfit_start = np.median(np.abs(steps_s - interval_s[:-1]))
    misfit_end = np.median(np.abs(steps_s - interval_s[1:]))
    return bool(misfit_start < 0.5 * misfit_end)


def _refuse_impossible(intervals: FloatArray, row_numbers: Sequence[int]) -> None:
    bad = np.flatnonzero(~(intervals >= 0))
    if bad.size:
        at = int(bad[0])
        raise ReadingError(
            f"row {row_numbers[at]}",
            "no interval" if np.isnan(intervals[at]) else f"an interval of {intervals[at]:g}",
            "a positive interval in every row: a missing one hides how much time passed",
            "fill in the interval in a copy of the file, or cut the file into two recordings there",
        )
