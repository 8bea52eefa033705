"""Every participant's value in each condition, joined by a line, and the mean over the participants
who have one as a bar where several have, for the primary outcomes."""

import pandas as pd

from figures._drawing import (
    condition_legend,
    empty_figure,
    is_narrow,
    legend_above,
    pyplot,
    width_in,
    wrapped,
)
from figures._panels import (
    draw_people,
    mean_of_whom,
    means_of,
    n_in_words,
    name_values,
    person_mark,
    title_of,
)

TITLE = "Primary outcomes by condition"
ALT = "A line per participant across the conditions for each primary outcome."
NEEDS = ("outcomes",)


def draw(results):
    parts = {}
    for outcome, window in results.primary:
        cells = person_means(results.outcomes, outcome, window, results.conditions)
        if len(cells):
            parts[outcome, window] = cells
    if not parts:
        text = "No primary outcome was measured in any condition."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    narrow = is_narrow(results)
    columns = 1 if narrow else min(len(parts), 3)
    lines = -(-len(parts) // columns)
    figure, panels = pyplot.subplots(
        *(lines, columns),
        figsize=(width_in(results), (2.2 if narrow else 2.6) * lines + 0.35),
        layout="constrained",
        squeeze=False,
    )
    given = {name for cells in parts.values() for name in cells["condition"]}
    conditions = [name for name in results.conditions if name in given]
    for axes, ((outcome, window), cells) in zip(panels.flat, parts.items(), strict=False):
        draw_conditions(axes, cells, conditions, results.conditions)
        name_values(axes, cells["mean"], outcome)
        axes.set_title(wrapped(title_of(outcome, window), width_in(results) / columns - 0.5))
    for axes in panels.flat[len(parts) :]:
        axes.axis("off")
    flagged = any(cells["flagged"].any() for cells in parts.values())
    several = any(cells["participant_id"].nunique() > 1 for cells in parts.values())
    marks = condition_legend(results.conditions, conditions) + person_mark(flagged, several)
    legend_above(figure, marks)
    numbers = [
        cells.assign(outcome=outcome, window=window) for (outcome, window), cells in parts.items()
    ]
    return figure, pd.concat(numbers, ignore_index=True)[
        ["outcome", "window", "participant_id", "condition", "mean", "n", "flagged"]
    ]


def finding(numbers):
    """Means over participants of each condition."""
    said = []
    for (outcome, window), cells in numbers.groupby(["outcome", "window"], sort=False):
        means = means_of(cells.set_index("condition")["mean"], outcome)
        said.append(f"{title_of(outcome, window)}, {mean_of_whom(numbers)}: {means}.")
    return " ".join(said)


def person_means(outcomes, outcome, window, conditions):
    """Mean over exercises and bouts per participant and condition; how many values, how many of
    them flagged."""
    of_outcome = outcomes[
        (outcomes["outcome"] == outcome)
        & (outcomes["window"] == window)
        & outcomes["value"].notna()
        & outcomes["condition"].isin(conditions)
    ]
    of_outcome = of_outcome.assign(flagged=of_outcome["status"] == "flagged")
    means = of_outcome.groupby(["participant_id", "condition"], as_index=False).agg(
        mean=("value", "mean"), n=("value", "size"), flagged=("flagged", "sum")
    )
    order = means["condition"].map({name: n for n, name in enumerate(conditions)})
    return means.assign(order=order).sort_values(["participant_id", "order"]).drop(columns="order")


def draw_conditions(axes, cells, conditions, all_conditions):
    """The conditions that have values beside each other, people joined by lines."""
    x = cells["condition"].map({name: n for n, name in enumerate(conditions)})
    drawn = cells.assign(x=x, value=cells["mean"], line=cells["participant_id"])
    draw_people(axes, drawn, all_conditions, reach=0.2)
    axes.set_xticks(range(len(conditions)), n_in_words(cells, conditions))
    axes.set_xlim(-0.5, len(conditions) - 0.5)
    axes.tick_params(axis="x", length=0)
