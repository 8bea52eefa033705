"""From a recorder's clock to the session clock: offset, drift, and beats lost on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


MARKS = "sync marks"
STATED = "stated offset"
STAMPS = "time stamps"
ACQUISITION = "start of the acquisition"
NOTHING = "nothing"

# how pieces of one signal are told
JOINED = "pieces joined on the session clock"

# what is said where no sync mark was taken
WITHOUT_MARKS = {
    STATED: "unchecked: no sync mark, offset as given, drift unknown",
    STAMPS: "unchecked: no sync mark, placed by the time stamps of the file, drift unknown",
    ACQUISITION: "unchecked: no sync mark, the file counts from the start of the acquisition, "
    "drift unknown",
    NOTHING: "flagged: no sync mark, no stated offset and no time stamp beside a session_start, "
    "its place on the session clock is unknown and it is taken to begin with the session",
}


@dataclass(frozen=True)
class Clock:
    """How a recorder's clock stands to the session clock.

    Session time = `offset_s` + file time x (1 + `drift_ppm` x 1e-6). `residual_ms` is the root
    mean square of the marks about that line, None with fewer than two marks. `drift_ppm` is 0
    where it is not known. `placed_by` says what gave the offset. `status` begins with `ok:`,
    `unchecked:` (drift not known) or `flagged:` and says why.
    """

    offset_s: float
    drift_ppm: float
    residual_ms: float | None
    n_marks: int
    status: str
    placed_by: str = MARKS


LARGEST_RESIDUAL_MS = 100.0


def fit_clock(
    file_marks_s: Sequence[float],
    session_marks_s: Sequence[float],
    *,
    given_offset_s: float = 0.0,
    given_by: str = STATED,
    max_drift_ppm: float = 500.0,
) -> Clock:
    """Offset and drift of a recorder from shared events seen by both clocks.

    `file_marks_s` and `session_marks_s`: the same n events in the same order, in s. Two or more:
    least squares; one: offset only; none: `given_offset_s`, which `given_by` gave. A drift or
    residual beyond its limit is flagged, not refused. Raises ValueError where the marks differ in
    number, are not finite or do not rise. Source: ordinary least squares; limits by convention
    (quartz clocks drift by tens of ppm: common practice, no source).
    """
    file_s = np.asarray(file_marks_s, dtype=np.float64)
    session_s = np.asarray(session_marks_s, dtype=np.float64)
    _check_marks(file_s, session_s)
    n_marks = len(file_s)
    if n_marks == 0:
        return Clock(
            float(given_offset_s), 0.0, None, 0, WITHOUT_MARKS[given_by], placed_by=given_by
        )
    if n_marks == 1:
        status = "unchecked: one sync mark, offset only, drift unknown"
        return Clock(float(session_s[0] - file_s[0]), 0.0, None, 1, status)
    # Regressing the small difference, not the times themselves, keeps all digits of the drift.
    centre_s = file_s.mean()
    lead_s = session_s - file_s
    slope = float(np.sum((file_s - centre_s) * lead_s) / np.sum((file_s - centre_s) ** 2))
    offset_s = float(lead_s.mean() - slope * centre_s)
    residual_s = lead_s - offset_s - slope * file_s
    residual_ms = 0.0 if n_marks == 2 else float(np.sqrt(np.mean(residual_s**2)) * 1e3)
    drift_ppm = slope * 1e6
    status = _clock_status(drift_ppm, residual_ms, n_marks, max_drift_ppm)
    return Clock(offset_s, drift_ppm, residual_ms, n_marks, status)


def to_session_time(clock: Clock, file_time_s: ArrayLike) -> float | FloatArray:
    """Times of a file on the session clock, in s: a number for a number, else a new array."""
    session_s = clock.offset_s + np.asarray(file_time_s, dtype=np.float64) * (
        1.0 + clock.drift_ppm * 1e-6
    )
    return float(session_s) if np.ndim(file_time_s) == 0 else session_s


def lost_time(covered_s: float, elapsed_s: float, *, allowed_s_per_5_min: float = 0.5) -> str:
    """Whether beat intervals sum to the time that passed: `ok:` or `flagged:`, and why.

    `covered_s`: sum of the intervals; `elapsed_s`: time from the first to the last beat by an
    independent clock. The allowance grows with time beyond 5 min; its limit is common practice.
    """
    lost_s = elapsed_s - covered_s
    compared = f"intervals sum to {covered_s:.2f} s of {elapsed_s:.2f} s elapsed"
    if abs(lost_s) <= allowed_s_per_5_min * max(1.0, elapsed_s / 300.0):
        return f"ok: {compared}"
    finding = f"{lost_s:.2f} s of beats lost" if lost_s > 0 else f"{-lost_s:.2f} s too much"
    return f"flagged: {compared}, {finding}"


def _check_marks(file_s: FloatArray, session_s: FloatArray) -> None:
    if len(file_s) != len(session_s):
        raise ValueError(
            f"{len(file_s)} sync marks in the file but {len(session_s)} sync events in the "
            "session: each event needs one mark, in the same order"
        )
    for name, marks in (("file", file_s), ("session", session_s)):
        if not np.all(np.isfinite(marks)):
            raise ValueError(f"every sync mark of the {name} must be a number of seconds")
        if np.any(np.diff(marks) <= 0):
            raise ValueError(f"sync marks of the {name} must rise in time: {marks.tolist()}")


def _clock_status(drift_ppm: float, residual_ms: float, n_marks: int, max_drift_ppm: float) -> str:
    faults = []
    if abs(drift_ppm) > max_drift_ppm:
        faults.append(f"drift {drift_ppm:.0f} ppm is beyond {max_drift_ppm:g} ppm, check the marks")
    if residual_ms > LARGEST_RESIDUAL_MS:
        faults.append(
            f"residual {residual_ms:.0f} ms is beyond {LARGEST_RESIDUAL_MS:g} ms, check the marks"
        )
    if n_marks == 2:
        faults.append("two sync marks, the residual is 0 by construction")
        return ("ok: " if len(faults) == 1 else "flagged: ") + "; ".join(faults)
    return f"flagged: {'; '.join(faults)}" if faults else f"ok: {n_marks} sync marks"
