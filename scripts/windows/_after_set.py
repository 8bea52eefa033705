"""Where the recovery after a set begins and ends, from the sets and cuffs of the session sheet."""

import pandas as pd

# a cuff released within this time of the end of a set belongs to that set
SLACK_S = 1.0


def after_set(event, session_events: pd.DataFrame) -> tuple[float, float, str]:
    """Start of the recovery after a set, the time at which something else begins, any problem."""
    end_s = event.onset_s + event.duration_s
    start_s = max(end_s, release_of_cuff(event, session_events))
    if session_events["onset_s"].isna().any():
        return end_s, end_s, "the session holds a set of unknown time, which may follow"
    later = session_events[
        session_events["trial_type"].isin(["set", "cuff"])
        & (session_events["onset_s"] > event.onset_s + SLACK_S)
    ]
    next_set_s = later.loc[later["trial_type"] == "set", "onset_s"].min()
    if pd.notna(next_set_s) and start_s > next_set_s:
        return end_s, end_s, "the cuff stays inflated into the next set"
    next_s = later.loc[later["onset_s"] >= start_s - SLACK_S, "onset_s"].min()
    return start_s, float("inf") if pd.isna(next_s) else float(next_s), ""


def release_of_cuff(event, session_events: pd.DataFrame) -> float:
    """When the cuff that is inflated at the end of a set is released; without one, that end."""
    end_s = event.onset_s + event.duration_s
    cuffs = session_events[session_events["trial_type"] == "cuff"]
    released_s = cuffs["onset_s"] + cuffs["duration_s"]
    other_limb = cuffs["limb"].notna() & (cuffs["limb"] != event.limb) if event.limb else False
    held = (cuffs["onset_s"] <= end_s) & (released_s >= end_s - SLACK_S) & ~other_limb
    return float(released_s[held].max()) if held.any() else end_s
