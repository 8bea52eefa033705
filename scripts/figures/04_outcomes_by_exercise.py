"""Primary outcomes by exercise and condition, a point for every participant."""

import numpy as np
import pandas as pd

from drawing import WIDTH_IN, empty_figure, pyplot
from wording import label_of, words_of

TITLE = "Primary outcomes by exercise"
ALT = "Points of every participant by exercise and condition for each primary outcome of the sets."
NEEDS = ("outcomes",)


def draw(data):
    parts = {}
    for outcome, window in data.primary_outcomes:
        own = data.outcomes[
            (data.outcomes["outcome"] == outcome)
            & (data.outcomes["window"] == window)
            & data.outcomes["value"].notna()
            & data.outcomes["exercise"].notna()
            & data.outcomes["condition"].isin(data.conditions)
        ]
        if len(own):
            parts[outcome, window] = own.groupby(
                ["exercise", "condition", "participant_id"], as_index=False, sort=False
            )["value"].mean()
    if not parts:
        return empty_figure("No primary outcome was measured by exercise."), pd.DataFrame()
    figure, rows = pyplot.subplots(
        len(parts), 1, figsize=(WIDTH_IN, 2.3 * len(parts)), layout="constrained", squeeze=False
    )
    for axes, ((outcome, window), cells) in zip(rows[:, 0], parts.items(), strict=True):
        draw_points(axes, cells, data)
        axes.set_ylabel(label_of(outcome))
        axes.set_title(words_of(window), loc="left")
    handles, labels = rows[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=len(labels))
    numbers = [cells.assign(outcome=o, window=w) for (o, w), cells in parts.items()]
    return figure, pd.concat(numbers, ignore_index=True)[
        ["outcome", "window", "exercise", "condition", "participant_id", "value"]
    ]


def draw_points(axes, cells, data):
    """Points spread within their condition in order of participant, and the mean as a line."""
    exercises = list(dict.fromkeys(cells["exercise"]))
    width = 0.8 / len(data.conditions)
    for n, condition in enumerate(data.conditions):
        look = data.look_of(condition)
        for place, exercise in enumerate(exercises):
            own = cells[(cells["exercise"] == exercise) & (cells["condition"] == condition)]
            own = own.sort_values("participant_id")
            centre = place - 0.4 + width * (n + 0.5)
            spread = np.linspace(-0.3, 0.3, len(own)) * width if len(own) > 1 else [0.0]
            label = condition if place == 0 else None
            axes.plot(
                centre + np.array(spread)[: len(own)],
                own["value"],
                ls="",
                ms=3,
                label=label,
                **look,
            )
            if len(own):
                axes.hlines(
                    own["value"].mean(), centre - 0.4 * width, centre + 0.4 * width, look["color"]
                )
    axes.set_xticks(range(len(exercises)), [words_of(e) for e in exercises])
