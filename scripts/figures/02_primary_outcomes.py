"""Every participant's value in each condition, small, and the means over the n participants who
have one, large, for the primary outcomes."""

import textwrap

import pandas as pd

from engine.listings import described
from figures._drawing import WIDTH_IN, empty_figure, pyplot, style_of
from report.words import label_of
from results.words import words_of

TITLE = "Primary outcomes by condition"
ALT = "A line per participant across the conditions for each primary outcome, with condition means."
NEEDS = ("outcomes",)


def draw(results):
    parts = {}
    for outcome, window in results.primary:
        cells = person_means(results.outcomes, outcome, window, results.conditions)
        if len(cells):
            parts[outcome, window] = cells
    if not parts:
        return empty_figure("No primary outcome was measured in any condition."), pd.DataFrame()
    figure, row = pyplot.subplots(
        1, len(parts), figsize=(WIDTH_IN, 2.9), layout="constrained", squeeze=False
    )
    for axes, ((outcome, window), cells) in zip(row[0], parts.items(), strict=True):
        draw_people(axes, cells, results.conditions)
        axes.set_ylabel(label_of(outcome))
        title = f"{described(outcome).LABEL}, {words_of(window)}"
        axes.set_title(textwrap.fill(title, 84 // len(parts)), loc="left")
    figure.legend(handles=legend_marks(), loc="outside upper right", ncols=2)
    numbers = [
        cells.assign(outcome=outcome, window=window) for (outcome, window), cells in parts.items()
    ]
    return figure, pd.concat(numbers, ignore_index=True)[
        ["outcome", "window", "participant_id", "condition", "mean", "n"]
    ]


def legend_marks():
    """What small and large symbols are."""
    return [
        pyplot.Line2D([], [], color="#999999", lw=0.7, marker=".", ms=3, label="one participant"),
        pyplot.Line2D(
            [], [], color="#333333", ls="", marker="o", ms=8, label="mean of n participants"
        ),
    ]


def person_means(outcomes, outcome, window, conditions):
    """Mean over exercises and bouts per participant and condition, with the number of values."""
    own = outcomes[
        (outcomes["outcome"] == outcome)
        & (outcomes["window"] == window)
        & outcomes["value"].notna()
        & outcomes["condition"].isin(conditions)
    ]
    return own.groupby(["participant_id", "condition"], as_index=False).agg(
        mean=("value", "mean"), n=("value", "size")
    )


def draw_people(axes, cells, conditions):
    """Thin lines for people, marks with the mean for conditions."""
    at = {condition: n for n, condition in enumerate(conditions)}
    for _, person in cells.groupby("participant_id"):
        ordered = person.assign(at=person["condition"].map(at)).sort_values("at")
        axes.plot(ordered["at"], ordered["mean"], color="#999999", lw=0.7, marker=".", ms=3)
    for condition, means in cells.groupby("condition")["mean"]:
        axes.plot(at[condition], means.mean(), ms=8, ls="", **style_of(condition, conditions))
    counts = cells.groupby("condition")["participant_id"].nunique()
    names = [f"{name}\nn {counts.get(name, 0)}" for name in conditions]
    axes.set_xticks(range(len(at)), names)
    axes.set_xlim(-0.4, len(at) - 0.6)
