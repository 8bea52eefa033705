"""The state in which people came to their visits, by condition."""

import pandas as pd

NOTED = {
    "sleep_h": "sleep (h)",
    "caffeine_h": "since caffeine (h)",
    "exercise_h": "since exercise (h)",
    "room_c": "room (degrees Celsius)",
}


def with_condition(sessions, events):
    """Visits with the condition of their sets; those of none or several conditions have none."""
    sets = events[events["trial_type"] == "set"]
    by_visit = sets.groupby(["participant_id", "session_id"])["condition"]
    shared = by_visit.first()[by_visit.nunique() == 1].to_dict()
    keys = zip(sessions["participant_id"], sessions["session_id"], strict=True)
    return sessions.assign(condition=[shared.get(key) for key in keys])


def states_table(visits, conditions):
    """Mean and range of what was noted of the visits of each condition; None without a note.

    visits : rows of sessions.tsv with the condition of each
    """
    noted = {name: words for name, words in NOTED.items() if visits[name].notna().any()}
    if not noted or visits["condition"].isna().all():
        return None
    states = []
    for condition in conditions:
        of_condition = visits[visits["condition"] == condition]
        if len(of_condition):
            means = {words: mean_and_range(of_condition[name]) for name, words in noted.items()}
            states.append({"condition": condition, "visits": len(of_condition), **means})
    return pd.DataFrame(states)


def mean_and_range(noted):
    """`7.2 (6.5 to 8)`, or the one value; empty where nothing was noted."""
    noted = noted.dropna().astype(float)
    if noted.empty:
        return ""
    low, high = noted.min(), noted.max()
    return f"{low:g}" if low == high else f"{noted.mean():.3g} ({low:g} to {high:g})"


def expectations_in_words(visits, conditions):
    """How often people named the condition that they had; nothing where nobody was asked.

    Only answers that are a condition of the study are counted, other words stay in the study.
    """
    asked = visits[visits["expectation"].notna() & visits["condition"].notna()]
    if asked.empty:
        return ""
    named = asked[asked["expectation"].isin(conditions)]
    right = int((named["expectation"] == named["condition"]).sum())
    unnamed = len(asked) - len(named)
    rest = f" {unnamed} of the answers name no condition." if unnamed else ""
    chance = f" ({100 / len(conditions):.0f} % by guessing)" if len(conditions) > 1 else ""
    return (
        f"The condition that the participant expected was noted in {len(asked)} visits; in {right} "
        f"it was the one that was done{chance}. Cuffs can be felt, so that nobody is blind to "
        f"them.{rest}"
    )
