"""Courses over time that several figures draw: pressure as noted and as recorded, saturation, rate.

Times are in seconds on the clock of the session.
"""

import numpy as np
import pandas as pd

from cuff.noted_pressures import noted_course

NOTED = "noted"
RECORDED = "recorded"

# a line is not drawn across a longer gap in readings or beats
LONGEST_GAP_S = 5.0


def of_session(table, participant, session_id):
    """Rows of one session."""
    return table[(table["participant_id"] == participant) & (table["session_id"] == session_id)]


def noted_pressure(events, no_cuff_condition):
    """Pressure as the session sheet has it, in steps; a gap where it is unknown.

    `events` are those of one session.
    """
    time_s, pressure_mmhg, _ = noted_course(events, no_cuff_condition)
    end_s = (events["onset_s"] + events["duration_s"].fillna(0)).max()
    if end_s > time_s[-1]:
        time_s, pressure_mmhg = (
            np.append(time_s, end_s),
            np.append(pressure_mmhg, pressure_mmhg[-1]),
        )
    return course(NOTED, time_s, pressure_mmhg)


def recorded_pressure(stretches, *, step_s):
    """Pressure of every cuff as its recorder had it, mean of every `step_s`."""
    parts = []
    for stretch in stretches:
        name = f"{RECORDED}, {stretch.site}" if stretch.site else RECORDED
        time_s, pressure_mmhg = np.asarray(stretch.time_s, float), np.asarray(stretch.value, float)
        parts.append(means_of_steps(name, time_s, pressure_mmhg, step_s))
    return pd.concat(parts, ignore_index=True) if parts else empty_course()


def saturation(traces, *, step_s):
    """Mean saturation of every sensor in every `step_s`; `traces` are readings of one session."""
    of_muscle = traces[traces["signal"] == "muscle_oxygen"]
    parts = [
        means_of_steps(site, trace["time_s"].to_numpy(), trace["value"].to_numpy(), step_s)
        for site, trace in of_muscle.groupby(of_muscle["site"].fillna("muscle"), sort=False)
    ]
    return pd.concat(parts, ignore_index=True) if parts else empty_course()


def heart_rate(beats, *, n_beats):
    """Heart rate of the repaired series of one session, mean of every `n_beats`."""
    used = beats[beats["nn_ms"].notna() & beats["nn_time_s"].notna()]
    if used.empty:
        return empty_course()
    means = used.groupby(np.arange(len(used)) // n_beats)[["nn_time_s", "nn_ms"]].mean()
    return with_gaps(course("heart rate", means["nn_time_s"], 60000 / means["nn_ms"]), n_beats)


def with_gaps(line, n_beats):
    """A missing value wherever more than `LONGEST_GAP_S` passed beyond the beats of one mean."""
    steps = np.diff(line["time_s"], prepend=line["time_s"].iloc[0])
    return line.assign(value=line["value"].mask(steps > LONGEST_GAP_S + 2 * n_beats))


def means_of_steps(series, time_s, readings, step_s):
    """Mean value of every `step_s`, at the middle of it; steps without readings are missing."""
    if not len(time_s):
        return empty_course()
    at = np.floor_divide(time_s, step_s).astype(int)
    means = pd.Series(readings).groupby(at).mean()
    means = means.reindex(np.arange(at.min(), at.max() + 1))
    return course(series, (means.index + 0.5) * step_s, means)


def course(series, time_s, readings):
    return pd.DataFrame(
        {
            "series": series,
            "time_s": np.asarray(time_s, float),
            "value": np.asarray(readings, float),
        }
    )


def empty_course():
    return course([], [], [])


def between(line, start_s, end_s):
    """The part of a course between two moments."""
    return line[line["time_s"].between(start_s, end_s)]
