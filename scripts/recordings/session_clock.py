"""Recordings put on the clock of their session, and what is refused on the way."""

import numpy as np

from recordings.clock import lost_time, to_session_time
from recordings.declared import DIALECT_COLUMNS
from recordings.readers.any_file import ReadingError
from recordings.store import TRACE_COLUMNS, SessionStretch

# a recording of a whole day around a short session stays below, times in ms lie above
LONGEST_IN_SESSIONS = 100

# marks are read off by hand and may be rounded to whole seconds (convention)
MARK_ROUNDING_S = 1.0


def sync_marks_of(events, session_id):
    """Onsets of the sync events of a session, in order, in seconds on the session clock."""
    marks = events[(events["session_id"] == session_id) & (events["trial_type"] == "sync")]
    return sorted(marks["onset_s"])


def end_of_session_s(events, session_id):
    """End of the last event of a session, in seconds; not a number without timed events."""
    of_session = events[events["session_id"] == session_id]
    return float((of_session["onset_s"] + of_session["duration_s"].fillna(0.0)).max())


def refuse_times_of_another_unit(recording, session_s):
    """Refuse times that span a hundred sessions: they count in ms, as a day's recording does not.

    Raises ReadingError.
    """
    first_s = min(piece.time_s[0] for piece in recording.stretches)
    last_s = max(piece.time_s[-1] for piece in recording.stretches)
    if last_s - first_s > LONGEST_IN_SESSIONS * session_s:
        raise ReadingError(
            "times",
            f"a span of {last_s - first_s:.0f} s, but the events of the session end at "
            f"{session_s:.0f} s",
            "seconds",
            "times not in s: time_format = ms or min in recordings.tsv",
        )


def refuse_marks_outside(recording, marks_s):
    """Refuse sync marks before the beginning or behind the end of the file. Raises ReadingError."""
    first_s, last_s = extent_s(recording)
    for mark_s in marks_s:
        if not first_s - MARK_ROUNDING_S <= mark_s <= last_s + MARK_ROUNDING_S:
            cut_off = f" ({recording.cut_off})" if recording.cut_off else ""
            raise ReadingError(
                "sync_marks_s",
                f"a sync mark at {mark_s:g} s, but the file holds {first_s:.0f} to {last_s:.0f} s"
                f"{cut_off}",
                "marks within the recording, in seconds of the file's own clock",
                "correct the mark or copy the file whole from the recorder; if the rest is lost, "
                "clear sync_marks_s and fill in clock_offset_s",
            )


def extent_s(recording):
    """First and last time of a recording on its own clock, in seconds."""
    pieces = recording.stretches
    return float(min(p.start_s for p in pieces)), float(max(p.time_s[-1] for p in pieces))


def span_of(recording, clock):
    """First and last time of a recording on the session clock, in seconds."""
    first_s, last_s = extent_s(recording)
    return to_session_time(clock, first_s), to_session_time(clock, last_s)


def on_session_clock(row, recording, clock):
    """Stretches with session times; intervals keep the beat that begins the first of them."""
    labels = {name: getattr(row, name) for name in TRACE_COLUMNS}
    rate = 1 + clock.drift_ppm * 1e-6
    for number, piece in enumerate(recording.stretches):
        time_s, samples, step_s = piece.time_s, piece.value, piece.step_s
        if row.signal == "rr":
            time_s, samples = np.append(piece.start_s, time_s), np.append(np.nan, samples)
            step_s = None
        session_s = to_session_time(clock, time_s)
        yield SessionStretch(
            **labels,
            unit=recording.unit,
            number=number,
            start_s=float(session_s[0]),
            step_s=None if step_s is None else step_s * rate,
            time_s=session_s,
            value=samples,
        )


def sync_row(row, recording, clock, cautions, lost_time_s_per_5_min):
    """How one recording stands on the session clock, what it lacks, and how its text was read."""
    status = [clock.status]
    if row.signal == "rr" and clock.n_marks >= 2:
        status.append(intervals_against_elapsed(row, clock, lost_time_s_per_5_min))
    lacking, *said = cautions
    status += [", ".join(filter(None, [lacking, recording.cut_off])), *said]
    status += [*recording.notes, overruled_in_words(row)]
    said = "; ".join(filter(None, status))
    return clock_row(row, recording, clock) | {"used": "yes", "status": said}


def unused_row(row, recording, clock, reason):
    """A recording that is declared and not used, with the reason."""
    return clock_row(row, recording, clock) | {"used": "no", "status": f"not used: {reason}"}


def overruled_in_words(row):
    """What recordings.tsv declares against the file, in a sentence; empty where nothing."""
    if not row.overruled:
        return ""
    declared = {
        "unit": f"the unit {row.unit}",
        "scale": f"the factor {row.scale:g}" if row.scale is not None else "",
        "start": "the start",
        "rate": f"the rate {row.sampling_rate_hz:g} Hz" if row.sampling_rate_hz else "",
    }
    parts = " and ".join(declared[name] for name in row.overruled)
    return f"{parts} declared over the header of the file ({row.declared_reason})"


def clock_row(row, recording, clock):
    """Clock of one recording, how far its stamps were moved, and the dialect of its text."""
    moves = recording.stamp_moves
    return {
        "participant_id": row.participant_id,
        "session_id": row.session_id,
        "signal": row.signal,
        "file": row.file,
        "offset_s": clock.offset_s,
        "drift_ppm": clock.drift_ppm,
        "residual_ms": clock.residual_ms,
        "n_marks": clock.n_marks,
        "placed_by": clock.placed_by,
        "stamps_moved_pct": moves.moved_pct if moves else np.nan,
        "largest_move_ms": moves.largest_ms if moves else np.nan,
        **{name: _shown(recording.dialect.get(name)) for name in DIALECT_COLUMNS},
    }


def intervals_against_elapsed(row, clock, lost_time_s_per_5_min):
    """Whether intervals, summed from the first to the last sync mark, cover the time that passed.

    The clock of an interval file is the sum of its intervals, so that its marks give the sum.
    """
    first_s, last_s = row.sync_marks()[0], row.sync_marks()[-1]
    elapsed_s = to_session_time(clock, last_s) - to_session_time(clock, first_s)
    return lost_time(last_s - first_s, elapsed_s, allowed_s_per_5_min=lost_time_s_per_5_min)


def _shown(separator):
    """A separator that a reader can see."""
    return {"\t": "tab", " ": "space"}.get(separator, separator)
