"""Outcomes as one row per event and window, a column per outcome."""

import pandas as pd

EVENT_KEYS = [
    *("participant_id", "session_id", "visit", "event_id", "event_onset_s", "trial_type"),
    *("exercise", "condition", "bout", "window"),
]


def wide(found):
    """One row per event and window, a column per outcome; what was refused is missing."""
    names = sorted(found["outcome"].dropna().unique())
    if found.empty:
        return pd.DataFrame(columns=EVENT_KEYS)
    keys = found[EVENT_KEYS].astype(object).where(found[EVENT_KEYS].notna(), "")
    number = keys.apply(tuple, axis=1).factorize()[0]
    table = found.assign(number=number).pivot(index="number", columns="outcome", values="value")
    labels = found[EVENT_KEYS].assign(number=number).drop_duplicates("number").set_index("number")
    return labels.join(table[names]).reset_index(drop=True)
