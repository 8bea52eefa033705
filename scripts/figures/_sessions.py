"""What a session page draws, joined per session."""

import numpy as np

from engine.listings import outcome_modules
from recordings.store import joined


def joined_with_gaps(stretches):
    """Several recordings one after the other, so that no line is drawn from one to the next."""
    recordings = {}
    for stretch in stretches:
        recordings.setdefault((stretch.file, stretch.channel), []).append(stretch)
    parts = [joined(own) for own in recordings.values()]
    if not parts:
        return np.empty(0), np.empty(0)
    times_s = [np.append(time_s, np.nan) for time_s, _ in parts]
    values = [np.append(value, np.nan) for _, value in parts]
    return np.concatenate(times_s)[:-1], np.concatenate(values)[:-1]


def with_windows(outcomes, window_quality):
    """Outcomes with the family they belong to and the limits of their windows."""
    families = {name: module.FAMILY for name, module in outcome_modules().items()}
    limits = window_quality.rename(columns={"segment": "window"})
    keys = ["session_id", "event_onset_s", "window"]
    limits = limits.drop_duplicates(keys)[[*keys, "start_s", "end_s"]]
    return outcomes.merge(limits, on=keys, how="left").assign(
        family=lambda table: table["outcome"].map(families)
    )
