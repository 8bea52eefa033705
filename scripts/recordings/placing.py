"""Where a recording begins on the session clock: a stated offset, its time stamps, or nothing."""

from __future__ import annotations

from typing import NamedTuple

from recordings.clock import ACQUISITION, NOTHING, STAMPS, STATED
from recordings.recording import Recording
from study.clock_times import DAY_S, ClockTimeError, moment_of, seconds_after

# stamps of two days are no stamps of one session; one that passes midnight is shorter
FARTHEST_S = DAY_S / 2

# a stated offset and the stamps of a file that are set by hand agree to a few seconds (convention)
SAME_START_S = 5.0


class Place(NamedTuple):
    """Session time at a file's own zero (s), what gave it, and a caution, empty where none."""

    offset_s: float
    given_by: str
    caution: str = ""


def place_of(row, recording: Recording, session_start: str | None) -> Place:
    """Where a row of recordings.tsv says that its file begins, sync marks apart.

    A stated offset counts before the time stamps of the file, which check it. Raises ValueError for
    stamps that cannot be those of the session.
    """
    overruled = "start" in row.overruled
    stamped_s = None
    if session_start and recording.zero_at is not None and not overruled:
        stamped_s = _stamped_s(recording.zero_at, session_start, needed=row.clock_offset_s is None)
    if row.clock_offset_s is not None:
        return Place(row.clock_offset_s, STATED, _disagreement(row.clock_offset_s, stamped_s))
    if stamped_s is not None:
        return Place(stamped_s, STAMPS)
    if recording.zero_is_acquisition:
        return Place(0.0, ACQUISITION)
    return Place(0.0, NOTHING)


def _stamped_s(zero_at, session_start: str, *, needed: bool) -> float | None:
    """Seconds from the start of the session to the zero of a file; None where they may not be told
    apart and nobody needs them."""
    try:
        stamped_s = seconds_after(moment_of(session_start), zero_at)
    except ClockTimeError as error:
        if needed:
            raise ValueError(
                f"the file begins at {zero_at.isoformat()}, session_start is {session_start}: "
                f"{error}"
            ) from None
        return None
    if abs(stamped_s) > FARTHEST_S:
        if needed:
            raise ValueError(
                f"the file begins at {zero_at.isoformat()}, session_start in sessions.tsv is "
                f"{session_start}, {abs(stamped_s) / 3600:.0f} h apart; allowed: within 12 h; "
                "correct session_start, or write it without a date, as 09:30:00, where the "
                "recorder's date is wrong"
            )
        return None
    return stamped_s


def _disagreement(stated_s: float, stamped_s: float | None) -> str:
    if stamped_s is None or abs(stated_s - stamped_s) <= SAME_START_S:
        return ""
    return (
        f"flagged: the stated offset is {stated_s:g} s, the time stamps of the file give "
        f"{stamped_s:g} s"
    )
