"""Where two or more reviewers judged the same session: what they decided alike, and what not."""

from collections import Counter
from typing import NamedTuple

import numpy as np
import pandas as pd

SAME_TIME_S = 0.060

# spans are alike that share at least this part of what both cover together
LEAST_SHARED = 0.5


class Agreement(NamedTuple):
    """Decisions in sessions that several people judged.

    `sessions` judged by several, decisions `alike` (each counted once) and `single`, a list of
    participant, session, action and time in s (None for a set or visit) that not all decided.
    """

    sessions: int
    alike: int
    single: list


def agreement(edits):
    """Compare the decisions of all editors session by session; `edits` are rows of edits.tsv."""
    sessions, alike, single = 0, 0, []
    for (participant, session), of_session in edits.groupby(["participant_id", "session_id"]):
        editors = of_session["editor"].nunique()
        if editors < 2:
            continue
        sessions += 1
        for group in groups_alike(of_session.to_dict("records")):
            if len({decision["editor"] for decision in group}) == editors:
                alike += 1
            else:
                first = group[0]
                time_s = None if pd.isna(first["time_s"]) else float(first["time_s"])
                single.append((participant, session, first["action"], time_s))
    return Agreement(sessions, alike, single)


def groups_alike(decisions):
    """Decisions put together that mean the same, in the order in which they were first made."""
    groups = []
    for decision in decisions:
        for group in groups:
            if are_alike(group[0], decision):
                group.append(decision)
                break
        else:
            groups.append([decision])
    return groups


def are_alike(first, second):
    """Whether two decisions mean the same: action, signal or event, and times near each other."""
    if (first["action"], first["signal"]) != (second["action"], second["signal"]):
        return False
    if first["action"] in ("exclude_span", "accept_span"):
        begin_s, end_s = zip(*((d["time_s"], d["end_s"]) for d in (first, second)), strict=True)
        shared_s = min(end_s) - max(begin_s)
        return shared_s >= LEAST_SHARED * (max(end_s) - min(begin_s))
    if first["event_id"] != second["event_id"]:
        return False
    times = ("time_s", "new_time_s", "event_onset_s")
    return all(_near(first[name], second[name]) for name in times)


def _near(one_s, other_s):
    unknown = pd.isna(one_s), pd.isna(other_s)
    return all(unknown) or (not any(unknown) and np.abs(one_s - other_s) <= SAME_TIME_S)


def in_sentence(compared):
    """What an overview says of the agreement of reviewers; empty where nobody judged twice."""
    if not compared.sessions:
        return ""
    by_action = Counter(action.replace("_", " ") for *_, action, _ in compared.single)
    differ = ", ".join(f"{count} {action}" for action, count in sorted(by_action.items()))
    sessions = "1 session was" if compared.sessions == 1 else f"{compared.sessions} sessions were"
    return (
        f"{sessions} judged by more than one reviewer. Decisions made by all of them: "
        f"{compared.alike}. "
        + (f"Not by all: {len(compared.single)} ({differ})." if differ else "No other was made.")
    )
