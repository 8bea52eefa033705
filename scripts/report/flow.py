"""Who and what took part, step by step, with the names of those left out and why."""

import pandas as pd

from report.words import label_of
from results.words import counted, words_of

# what exclusions.tsv counts down, in the order of a study: scope, what is counted
STEPS = (("participant", "people"), ("session", "visits"), ("event", "sets and other events"))

# more names than this are counted
MOST_NAMED = 12


def flow_of(exclusions, outcomes, events, recordings, primary, conditions):
    """A row for each step: how many before and after, and who was left out and why.

    People, visits and events that were left out; people and sets of each condition; values of each
    primary outcome. A step that loses nobody says so.
    """
    n_sets = int((events["trial_type"] == "set").sum())
    visits = recordings[["participant_id", "session_id"]].drop_duplicates()
    now = {
        "participant": recordings["participant_id"].nunique(),
        "session": len(visits),
        "event": len(events),
    }
    boxes = []
    for scope, counted_here in STEPS:
        part = exclusions[exclusions["scope"] == scope]
        before = part["n_before"].max() if len(part) else now[scope]
        after = part["n_after"].min() if len(part) else now[scope]
        boxes.append(_row(counted_here, before, after, named(part)))
    done = events[(events["trial_type"] == "set") & events["condition"].isin(conditions)]
    for condition in conditions:
        part = done[done["condition"] == condition]
        without = exclusions[
            (exclusions["scope"] == "condition")
            & exclusions["reason"].fillna("").str.contains(f"in condition {condition}", regex=False)
        ]
        people = part["participant_id"].nunique()
        lacking = sorted({*done["participant_id"]} - {*part["participant_id"]})
        who = named(without) or (f"{_some(lacking)}: no set" if lacking else "")
        label = f"people with sets under {condition} ({counted(len(part), 'set')} of {n_sets})"
        boxes.append(_row(label, done["participant_id"].nunique(), people, who))
    for outcome, window in primary:
        part = outcomes[(outcomes["outcome"] == outcome) & (outcomes["window"] == window)]
        if len(part):
            absent = part[part["value"].isna()]
            label = f"values of {label_of(outcome)}, {words_of(window)}"
            boxes.append(_row(label, len(part), len(part) - len(absent), named(absent)))
    return pd.DataFrame(boxes)


def _row(label, before, after, who):
    return {
        "step": label,
        "before": f"{before:.0f}",
        "after": f"{after:.0f}",
        "left out, and why": who or "nobody" if "people" in label else who or "none",
    }


def named(boxes):
    """Who or what was left out with the reason, the same reason once."""
    by_reason = {}
    for row in boxes.to_dict("records"):
        name = row.get("event_id")
        if not isinstance(name, str):
            parts = (row.get("participant_id"), row.get("session_id"))
            name = " ".join(part for part in parts if isinstance(part, str)) or "several"
        by_reason.setdefault(row["reason"], []).append(name)
    said = []
    for reason, names in by_reason.items():
        said.append(f"{_some(names)}: {reason}")
    return "; ".join(said)


def _some(names):
    """Names, of many the first and how many more."""
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return f"{', '.join(names[:MOST_NAMED])}{more}"
