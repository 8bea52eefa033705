"""Panels that several figures share: outcomes by condition, every person visible."""

import pandas as pd
from matplotlib.collections import LineCollection

from engine.listings import described
from figures._drawing import (
    FAINTER,
    condition_legend,
    empty_figure,
    is_narrow,
    legend_above,
    power_of_ten,
    pyplot,
    scaled_axis,
    style_of,
    unit_with_power,
    width_in,
    wrapped,
)
from results.format import significant
from results.words import counted, words_of

# with more people, lines and marks grow faint instead of filling the panel
MANY_PEOPLE = 40

# windows of a panel's outcome, as its title says them
WINDOWS = {
    "baseline": "at baseline",
    "set": "during sets",
    "rest": "between sets",
    "recovery_first_60_s": "in the first 60 s after sets or cuff release",
    "recovery_steady": "in the steady part of recovery",
}


def title_of(outcome, window):
    """`Saturation nadir during sets`."""
    return f"{described(outcome).LABEL} {WINDOWS.get(window, words_of(window))}"


def by_exercise(results, outcomes):
    """One panel below the other for (outcome, window) pairs, with the numbers that are drawn."""
    parts = {pair: cells for pair in outcomes if len(cells := person_cells(results, *pair))}
    if not parts:
        text = "None of these outcomes was given in any exercise."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    narrow = is_narrow(results)
    figure, panels = pyplot.subplots(
        *(len(parts), 1),
        figsize=(width_in(results), (1.9 if narrow else 1.75) * len(parts) + 0.35),
        layout="constrained",
        squeeze=False,
    )
    for axes, ((outcome, window), cells) in zip(panels[:, 0], parts.items(), strict=True):
        draw_exercises(axes, cells, results)
        name_values(axes, cells["value"], outcome)
        axes.set_title(wrapped(title_of(outcome, window), width_in(results) - 0.6))
    drawn = {name for cells in parts.values() for name in cells["condition"]}
    conditions = [name for name in results.conditions if name in drawn]
    flagged = any(cells["flagged"].any() for cells in parts.values())
    several = any(cells["participant_id"].nunique() > 1 for cells in parts.values())
    marks = condition_legend(results.conditions, conditions) + person_mark(flagged, several)
    legend_above(figure, marks)
    numbers = [cells.assign(outcome=o, window=w) for (o, w), cells in parts.items()]
    columns = ["outcome", "window", "exercise", "condition", "participant_id", "value", "flagged"]
    return figure, pd.concat(numbers, ignore_index=True)[columns]


def name_values(axes, cell_means, outcome):
    """The unit beside the values, with the power of ten that their numbers would repeat."""
    power = power_of_ten(cell_means)
    scaled_axis(axes.yaxis, power)
    axes.set_ylabel(unit_with_power(described(outcome).UNIT, power))
    if (cell_means == 0).all():
        # nothing but zeros would be drawn on an axis of meaningless small numbers
        axes.set_ylim(-0.05, 1)
        axes.set_yticks([0])


def finding_by_exercise(numbers):
    """Means over participants of each condition, outcome by outcome, from the numbers drawn."""
    said = []
    for (outcome, window), of_outcome in numbers.groupby(["outcome", "window"], sort=False):
        people = of_outcome.groupby(["condition", "participant_id"], sort=False)["value"].mean()
        means = means_of(people, outcome)
        said.append(f"{title_of(outcome, window)}, {mean_of_whom(numbers)}: {means}.")
    return " ".join(said)


def mean_of_whom(numbers):
    """Over whom the means of a figure are taken."""
    several = numbers["participant_id"].nunique() > 1
    return "mean over participants" if several else "mean over the sets of the one participant"


def means_of(people, outcome):
    """`none 48.8 %, target 17.3 %` from one value of each condition and participant."""
    unit = unit_with_power(described(outcome).UNIT, 0).replace("dimensionless", "")
    means = people.groupby("condition", sort=False).mean()
    return ", ".join(f"{name} {significant(mean)} {unit}".strip() for name, mean in means.items())


def person_cells(results, outcome, window):
    """Mean over bouts for every participant, exercise and condition, and how many are flagged."""
    of_outcome = results.outcomes[
        (results.outcomes["outcome"] == outcome)
        & (results.outcomes["window"] == window)
        & results.outcomes["value"].notna()
        & results.outcomes["exercise"].notna()
        & results.outcomes["condition"].isin(results.conditions)
    ]
    labels = ["exercise", "condition", "participant_id"]
    of_outcome = of_outcome.assign(flagged=of_outcome["status"] == "flagged")
    of_each = of_outcome.groupby(labels, as_index=False, sort=False)
    cells = of_each.agg(value=("value", "mean"), flagged=("flagged", "sum"))
    names = [*dict.fromkeys(cells["exercise"]), *results.conditions]
    ranks = {name: n for n, name in enumerate(names)}
    order = cells["exercise"].map(ranks) * len(ranks) + cells["condition"].map(ranks)
    return cells.iloc[order.argsort(kind="stable")].reset_index(drop=True)


def draw_exercises(axes, cells, results):
    """Exercises beside each other, within each the conditions, people joined by lines."""
    exercises = list(dict.fromkeys(cells["exercise"]))
    width = 0.8 / len(results.conditions)
    x = cells["exercise"].map({name: n for n, name in enumerate(exercises)})
    offsets = {c: width * (n + 0.5) for n, c in enumerate(results.conditions)}
    offset = cells["condition"].map(offsets)
    line = cells["participant_id"] + " " + cells["exercise"]
    drawn = cells.assign(x=x - 0.4 + offset, line=line)
    draw_people(axes, drawn, results.conditions, reach=0.36 * width)
    axes.set_xticks(range(len(exercises)), [words_of(e) for e in exercises])
    if is_narrow(results):
        axes.set_xticks(range(len(exercises)), [words_of(e).replace(" ", "\n") for e in exercises])
    axes.set_xlim(-0.5, len(exercises) - 0.5)
    axes.tick_params(axis="x", length=0)


def draw_people(axes, drawn, conditions, *, reach):
    """A thin line for every person of `line`, a mark for each of their values, a bar for the mean
    of several people.

    drawn : columns x (place on the axis), value, condition, line, flagged; the mark of a mean with
        a flagged value in it is open
    reach : half of the width of a bar
    """
    n_people = drawn["participant_id"].nunique()
    strength = min(1.0, MANY_PEOPLE / n_people)
    # one object for all lines: each of its own would take 40 kB
    lines = [points_of(of_line) for _, of_line in drawn.groupby("line", sort=False)]
    faint = {"color": FAINTER, "linewidths": 0.6, "alpha": strength, "zorder": 1.5}
    axes.add_collection(LineCollection(lines, capstyle="projecting", joinstyle="round", **faint))
    for condition, of_condition in drawn.groupby("condition", sort=False):
        style = style_of(condition, conditions)
        for is_flagged, part in of_condition.groupby(of_condition["flagged"] > 0):
            face = ("white", 0.8) if is_flagged else (style["color"], 0)
            axes.scatter(
                *(part["x"], part["value"]),
                **{
                    "s": 10 if n_people > 1 else 20,
                    "alpha": max(0.15, 0.75 * strength),
                    "zorder": 2,
                },
                **{"edgecolor": style["color"], "marker": style["marker"]},
                **dict(zip(("facecolor", "linewidth"), face, strict=True)),
            )
        for x, at_place in of_condition.groupby("x")["value"] if n_people > 1 else ():
            ends = x - reach, x + reach
            axes.hlines(at_place.mean(), *ends, style["color"], lw=2, zorder=3)
    axes.set(xlabel="")


def points_of(of_line):
    """Places and values of one line from left to right, as n x 2."""
    points = of_line[["x", "value"]].to_numpy(float)
    return points[points[:, 0].argsort(kind="stable")]


def person_mark(flagged, several):
    """Handles of a legend for the lines, the bars of several people, and open marks if any."""
    mark = {"marker": "o", "mfc": "white", "mec": "#333333", "ls": "", "ms": 4}
    open_mark = pyplot.Line2D([], [], **mark, label="open: flagged")
    line = pyplot.Line2D([], [], color=FAINTER, lw=0.8, label="one participant")
    bar = pyplot.Line2D([], [], color="#333333", lw=2, label="mean")
    return [line, *[bar] * several, *[open_mark] * flagged]


def n_in_words(cells, conditions):
    """`none\\n10 people` for each condition."""
    counts = cells.groupby("condition")["participant_id"].nunique()
    return [f"{name}\n{counted(counts.get(name, 0), 'person', 'people')}" for name in conditions]
