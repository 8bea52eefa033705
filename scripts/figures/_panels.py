"""Panels that several figures share: an outcome by exercise and condition, every person visible."""

import numpy as np
import pandas as pd

from engine.listings import described
from figures._drawing import WIDTH_IN, empty_figure, pyplot, style_of
from report.words import label_of, window_of_set
from results.words import words_of


def by_exercise(results, outcomes):
    """One panel below the other for (outcome, window) pairs, with the numbers that are drawn."""
    parts = {pair: cells for pair in outcomes if len(cells := person_cells(results, *pair))}
    if not parts:
        return empty_figure("None of these outcomes was given in any exercise."), pd.DataFrame()
    figure, rows = pyplot.subplots(
        len(parts), 1, figsize=(WIDTH_IN, 2.1 * len(parts)), layout="constrained", squeeze=False
    )
    for axes, ((outcome, window), cells) in zip(rows[:, 0], parts.items(), strict=True):
        draw_points(axes, cells, results)
        if (cells["value"] == 0).all():
            # nothing but zeros would be drawn on an axis of meaningless small numbers
            axes.set_ylim(-0.05, 1)
            axes.set_yticks([0])
        axes.set_ylabel(label_of(outcome).replace(" (", "\n("))
        label = described(outcome).LABEL
        axes.set_title(f"{label}, {window_of_set(window)}", loc="left")
    handles, labels = rows[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=len(labels))
    numbers = [cells.assign(outcome=o, window=w) for (o, w), cells in parts.items()]
    columns = ["outcome", "window", "exercise", "condition", "participant_id", "value"]
    return figure, pd.concat(numbers, ignore_index=True)[columns]


def person_cells(results, outcome, window):
    """Mean over bouts for every participant, exercise and condition."""
    own = results.outcomes[
        (results.outcomes["outcome"] == outcome)
        & (results.outcomes["window"] == window)
        & results.outcomes["value"].notna()
        & results.outcomes["exercise"].notna()
        & results.outcomes["condition"].isin(results.conditions)
    ]
    return own.groupby(["exercise", "condition", "participant_id"], as_index=False, sort=False)[
        "value"
    ].mean()


def draw_points(axes, cells, results):
    """Points spread within their condition in order of participant, and the mean as a line."""
    exercises = list(dict.fromkeys(cells["exercise"]))
    width = 0.8 / len(results.conditions)
    for n, condition in enumerate(results.conditions):
        style = style_of(condition, results.conditions)
        for place, exercise in enumerate(exercises):
            own = cells[(cells["exercise"] == exercise) & (cells["condition"] == condition)]
            own = own.sort_values("participant_id")
            if own.empty:
                continue
            centre = place - 0.4 + width * (n + 0.5)
            spread = np.linspace(-0.3, 0.3, len(own)) * width * (len(own) > 1)
            label = condition if place == 0 else None
            axes.plot(centre + spread, own["value"], ls="", ms=3, label=label, **style)
            ends = centre - 0.4 * width, centre + 0.4 * width
            axes.hlines(own["value"].mean(), *ends, style["color"])
    axes.set_xticks(range(len(exercises)), [words_of(e) for e in exercises])
