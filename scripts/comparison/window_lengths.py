"""Outcomes that grow with the length of their window, in windows of unequal length."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from results.words import in_words

EVENT = ["participant_id", "session_id", "event_id"]

# windows of one person that differ by more than this factor are told (convention)
ALIKE = 1.1

UNEQUAL = "windows differ in length between conditions"


def lengths_of(quality: pd.DataFrame) -> pd.DataFrame:
    """Seconds of every window of beats: participant_id, session_id, event_id, window, length_s."""
    windows = quality[(quality["signal"] == "beats") & quality["event_id"].notna()]
    lengths = windows.assign(length_s=windows["end_s"] - windows["start_s"])
    return lengths.rename(columns={"segment": "window"})[[*EVENT, "window", "length_s"]]


def unequal_lengths(
    measured: pd.DataFrame, lengths: pd.DataFrame, conditions: Sequence[str]
) -> str:
    """The mean lengths by condition where those of somebody differ; empty where they are alike.

    `measured` are the rows of one outcome in one window, with a condition.
    """
    both = measured.merge(lengths, on=[*EVENT, "window"])
    of_person = both.groupby(["participant_id", "condition"])["length_s"].mean().unstack()
    of_person = of_person.reindex(columns=[c for c in conditions if c in of_person])
    if not (of_person.max(axis=1) > ALIKE * of_person.min(axis=1)).any():
        return ""
    means = of_person.mean()
    listed = in_words([f"{means[name]:.0f} s with {name}" for name in means.index])
    return f"{UNEQUAL} (mean {listed}), and the outcome grows with the length"


def with_lengths(contrasts: pd.DataFrame, remark: str) -> pd.DataFrame:
    """Contrasts whose notes hold a remark as well."""
    if not remark:
        return contrasts
    notes = contrasts["note"].fillna("")
    return contrasts.assign(note=[f"{note}; {remark}" if note else remark for note in notes])
