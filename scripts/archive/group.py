"""Values of a group that a twin may know: means and spreads over enough people, rounded."""

from dataclasses import dataclass

import pandas as pd

from study.session_sheet import events_of, table_of

FEWEST_PEOPLE = 5

# digits that a value of the group keeps
DIGITS = 2

# what is noted of an event or of a set by numbers
TIMED = ("baseline", "recovery", "set", "rest")
ANSWERED = ("rpe", "pain")


@dataclass(frozen=True)
class Group:
    """Values of a group, with the demo's where fewer than five people gave any."""

    values: dict

    def mean(self, name, otherwise):
        """The mean over people, or what the demo study has."""
        return self.values.get(name, (otherwise, None))[0]

    def spread(self, name, otherwise):
        """The standard deviation between people, or what the demo study has."""
        return self.values.get(name, (None, otherwise))[1]


def group_values(study, outcomes):
    """Mean and spread over people of what was done and measured, by name, rounded.

    outcomes : outcomes.tsv of a run, or None. Each person's mean counts once.
    """
    events = events_of(study)
    people = table_of(study, "participants")
    sets = events[events["trial_type"] == "set"]
    given = [("age_years", people[["participant_id", "age_years"]], "age_years")]
    for kind in TIMED:
        given.append((f"duration of {kind}, s", events[events["trial_type"] == kind], "duration_s"))
    occlusion = table_of(study, "occlusion")
    for limb, of_group in occlusion.groupby("limb"):
        what = f"occlusion pressure of the {limb}, mmHg"
        given.append((what, of_group, "occlusion_pressure_mmhg"))
    for (condition, limb), of_group in sets.groupby(["condition", "limb"]):
        given.append((f"pressure at {condition}, {limb}, mmHg", of_group, "cuff_pressure_mmhg"))
    failed = sets.assign(to_failure=sets["to_failure"].astype(float))
    for condition, of_group in failed.groupby("condition"):
        given += [(f"{name} at {condition}", of_group, name) for name in (*ANSWERED, "to_failure")]
    for (condition, exercise), of_group in sets.groupby(["condition", "exercise"]):
        given.append((f"reps_done at {condition}, {exercise}", of_group, "reps_done"))
    if outcomes is not None:
        known = outcomes[outcomes["value"].notna()]
        for name, window in (("mean_hr_bpm", "baseline"), ("rmssd_ms", "baseline"),
                             ("smo2_baseline_pct", "baseline")):  # fmt: skip
            of_group = known[(known["outcome"] == name) & (known["window"] == window)]
            given.append((f"{name} at {window}", of_group, "value"))
        for name in ("mean_hr_bpm", "smo2_nadir_pct"):
            of_group = known[(known["outcome"] == name) & (known["window"] == "set")]
            for (condition, exercise), cell in of_group.groupby(["condition", "exercise"]):
                given.append((f"{name} at {condition}, {exercise}", cell, "value"))
    summaries = {}
    for name, table, column in given:
        of_each = pd.to_numeric(table[column]).groupby(table["participant_id"]).mean().dropna()
        if len(of_each) >= FEWEST_PEOPLE:
            summaries[name] = rounded(of_each.mean()), rounded(of_each.std())
    return Group(summaries)


def rounded(figure):
    """A value to two significant digits."""
    return float(f"{figure:.{DIGITS}g}")


def entered(group):
    """The values of the group that entered, as a paragraph of the README."""
    if not group.values:
        return (
            f"No value of the group entered: fewer than {FEWEST_PEOPLE} people gave any, and the "
            "demo study of the program stands for all."
        )
    lines = [
        f"- {name}: {mean:g}" + ("" if pd.isna(sd) else f" (SD {sd:g})")
        for name, (mean, sd) in group.values.items()
    ]
    return "\n".join(
        [
            f"These values of the group entered, means over people (standard deviation between "
            f"them) to {DIGITS} digits, each of at least {FEWEST_PEOPLE} people; the demo study of "
            "the program stands for all others.",
            "",
            *lines,
        ]
    )
