"""Whether the times of a recording can be those of its session, where no clock confirms them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from recordings.clock import STAMPS, Clock
from recordings.recording import Recording

# how every sentence of `times_caution` begins
TIMES = "flagged: times "

# times in minutes are sixty times too long, a lost digit of a rate ten times (convention)
LONGEST_IN_SESSIONS = 4.0

LONG_RECORDING_S = 3600.0

# Slowest sampling of a signal, in s. ECG: 100 Hz is satisfactory where beats are placed between
# samples, Task Force 1996. Oximeters of muscle give a value each second or more often: common
# practice, no source.
_LONGEST_STEP_S = {
    "ecg": 0.01,
    "muscle_oxygen": 3.0,
    "oxy_haemoglobin": 3.0,
    "deoxy_haemoglobin": 3.0,
    "total_haemoglobin": 3.0,
}


def times_caution(signal: str, recording: Recording, clock: Clock, events: pd.DataFrame) -> str:
    """What makes the times of a recording doubtful, in a sentence; empty where nothing does.

    `events`: rows of the session sheet of the session. Two sync marks, or clock times written in
    the file, confirm how long a recording is.
    """
    longest_step_s = _LONGEST_STEP_S.get(signal, np.inf)
    if recording.step_s > longest_step_s * (1 + 1e-6):
        return (
            f"{TIMES}are {recording.step_s:.3g} s apart, where {signal} is sampled every "
            f"{longest_step_s:g} s or faster, see sampling rate and time_format"
        )
    if clock.n_marks >= 2 or clock.placed_by == STAMPS:
        return ""
    session_s = float((events["onset_s"] + events["duration_s"]).max() - events["onset_s"].min())
    pieces = recording.stretches
    span_s = max(p.time_s[-1] for p in pieces) - min(p.time_s[0] for p in pieces)
    if span_s > max(LONGEST_IN_SESSIONS * session_s, LONG_RECORDING_S):
        return (
            f"{TIMES}span {span_s:.0f} s and the events of the session {session_s:.0f} s, see "
            "whether they are in seconds; two sync marks would tell"
        )
    return ""
