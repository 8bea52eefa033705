"""Which windows a session offers: when each begins and ends, and what it belongs to.

Windows follow from the session sheet alone. What follows a set is counted from the end of the set,
or from the release of the cuff where that is later, and ends when the next set or inflation begins.
"""

from dataclasses import dataclass

import pandas as pd

FIRST_RECOVERY_S = 60.0

# a cuff released within this time of the end of a set belongs to that set
SLACK_S = 1.0


@dataclass(frozen=True)
class Window:
    """A window of one session; times in seconds on the session clock."""

    name: str
    trial_type: str
    event_onset_s: float
    start_s: float
    end_s: float
    problem: str = ""

    @property
    def duration_s(self) -> float:
        return max(self.end_s - self.start_s, 0.0)


def windows_of_event(
    event,
    session_events: pd.DataFrame,
    *,
    baseline_settle_s: float,
    recovery_steady_from_s: float,
    shortest_steady_s: float,
) -> list[Window]:
    """Windows of one row of events.tsv, given all rows of its session.

    A baseline loses its first `baseline_settle_s`; a recovery gives its first 60 s and, when at
    least `shortest_steady_s` remain after `recovery_steady_from_s`, a steady block; a set gives
    itself and the first 60 s after it. `problem` says why a window cannot be used. Convention.
    """
    onset, end = event.onset_s, event.onset_s + event.duration_s

    def window(name, start_s, end_s, problem=""):
        return Window(name, event.trial_type, onset, start_s, end_s, problem)

    if event.trial_type == "baseline":
        start = onset + baseline_settle_s
        problem = "" if start < end else f"the baseline is shorter than {baseline_settle_s:g} s"
        return [window("baseline", min(start, end), end, problem)]
    if event.trial_type == "rest":
        return [window("rest", onset, end)]
    if event.trial_type == "recovery":
        steady = onset + recovery_steady_from_s
        rest_s = end - steady
        problem = (
            ""
            if rest_s >= shortest_steady_s
            else f"the recovery lasts {event.duration_s:.0f} s and holds no steady block"
        )
        return [
            window("recovery_first_60_s", onset, min(onset + FIRST_RECOVERY_S, end)),
            window("recovery_steady", min(steady, end), end, problem),
        ]
    if event.trial_type == "set":
        start, until, problem = _after_set(event, session_events)
        first = window(
            "recovery_first_60_s", start, max(min(start + FIRST_RECOVERY_S, until), start), problem
        )
        return [window("set", onset, end), first]
    return []


def _after_set(event, session_events):
    """Start of the recovery after a set, the time at which something else begins, any problem."""
    end = event.onset_s + event.duration_s
    start = max(end, release_of_cuff(event, session_events))
    later = session_events[
        session_events["trial_type"].isin(["set", "cuff"])
        & (session_events["onset_s"] > event.onset_s + SLACK_S)
    ]
    if session_events["onset_s"].isna().any():
        return end, end, "the session holds a set of unknown time, which may follow"
    next_set = later.loc[later["trial_type"] == "set", "onset_s"].min()
    if pd.notna(next_set) and start > next_set:
        return end, end, "the cuff stays inflated into the next set"
    next_onset = later.loc[later["onset_s"] >= start - SLACK_S, "onset_s"].min()
    return start, float("inf") if pd.isna(next_onset) else float(next_onset), ""


def release_of_cuff(event, session_events: pd.DataFrame) -> float:
    """When the cuff that is inflated at the end of a set is released; without one, that end."""
    end = event.onset_s + event.duration_s
    cuffs = session_events[session_events["trial_type"] == "cuff"]
    released = cuffs["onset_s"] + cuffs["duration_s"]
    other_limb = cuffs["limb"].notna() & (cuffs["limb"] != event.limb) if event.limb else False
    held = (cuffs["onset_s"] <= end) & (released >= end - SLACK_S) & ~other_limb
    return float(released[held].max()) if held.any() else end
