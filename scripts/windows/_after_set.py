"""Where the recovery after a set begins and ends, from the sets and cuffs of the session sheet."""

import numpy as np
import pandas as pd

# a cuff released within this time of the end of a set belongs to that set
SLACK_S = 1.0


def after_set(event, session_events: pd.DataFrame) -> tuple[float, float, str]:
    """Start of the recovery after a set, the time at which something else begins, any problem."""
    end_s = event.onset_s + event.duration_s
    start_s = max(end_s, release_of_cuff(event, session_events))
    onset_s = session_events["onset_s"].to_numpy(float)
    if np.isnan(onset_s).any():
        return end_s, end_s, "the session holds a set of unknown time, which may follow"
    kind = session_events["trial_type"].to_numpy()
    later = onset_s > event.onset_s + SLACK_S
    if start_s > onset_s[later & (kind == "set")].min(initial=np.inf):
        return end_s, end_s, "the cuff stays inflated into the next set"
    follows = later & ((kind == "set") | (kind == "cuff")) & (onset_s >= start_s - SLACK_S)
    return start_s, float(onset_s[follows].min(initial=np.inf)), ""


def release_of_cuff(event, session_events: pd.DataFrame) -> float:
    """When the cuff that is inflated at the end of a set is released; without one, that end."""
    end_s = event.onset_s + event.duration_s
    onset_s = session_events["onset_s"].to_numpy(float)
    released_s = onset_s + session_events["duration_s"].to_numpy(float)
    held = (session_events["trial_type"] == "cuff").to_numpy() & (onset_s <= end_s)
    held &= released_s >= end_s - SLACK_S
    if event.limb:
        limb = session_events["limb"]
        held &= (limb.isna() | (limb == event.limb)).to_numpy()
    return float(released_s[held].max()) if held.any() else end_s
