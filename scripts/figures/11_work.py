"""Repetitions of each set by exercise and bout, a panel for each exercise. A mark is one
participant's set, filled where it was to failure, open where it was not, crossed where nobody noted
it. The line joins the means of a condition, dotted lines are the repetitions planned."""

import numpy as np
import pandas as pd

from comparison.failure_table import FAILED
from figures._drawing import (
    FAINT,
    condition_legend,
    empty_figure,
    is_narrow,
    legend_above,
    mark_size,
    pyplot,
    style_of,
    width_in,
)
from figures._panels import MANY_PEOPLE
from results.words import counted, words_of

TITLE = "Work"
ALT = "Repetitions of every set by exercise, bout and condition, sets to failure marked."
NEEDS = ("outcomes",)
SLIDE = True

SET = ["participant_id", "session_id", "event_id"]
LABELS = ["exercise", "condition", "bout"]

# marks beside each other within this share of the distance between two bouts
WIDTH = 0.7


def draw(results, size_in=None):
    sets = sets_done(results)
    if sets.empty:
        text = "No set has repetitions and a number of its bout."
        return empty_figure(text, size_in[0] if size_in else width_in(results)), pd.DataFrame()
    exercises = list(dict.fromkeys(sets["exercise"]))
    narrow = is_narrow(results) and not size_in
    columns = min(len(exercises), 2 if narrow else 4)
    lines = -(-len(exercises) // columns)
    figure, panels = pyplot.subplots(
        *(lines, columns),
        figsize=size_in or (width_in(results), 2.2 * lines + 0.5),
        layout="constrained",
        squeeze=False,
        sharey=True,
    )
    for axes, exercise in zip(panels.flat, exercises, strict=False):
        draw_exercise(axes, sets[sets["exercise"] == exercise], results.conditions)
        axes.set_title(words_of(exercise))
    for axes in panels.flat[len(exercises) :]:
        axes.axis("off")
    for axes in panels[:, 0]:
        axes.set_ylabel("Repetitions")
    panels[0, 0].set_ylim(bottom=0)
    panels[0, 0].yaxis.get_major_locator().set_params(integer=True)
    present = [name for name in results.conditions if (sets["condition"] == name).any()]
    legend_above(figure, condition_legend(results.conditions, present) + failure_marks(sets))
    return figure, sets.drop(columns="x")


def finding(numbers):
    """Mean repetitions and sets to failure of each condition."""
    said = []
    for condition, of_condition in numbers.groupby("condition", sort=False):
        failed = int((of_condition[FAILED] == 1).sum())
        noted = of_condition[FAILED].notna().sum()
        text = f"{condition}: {of_condition['reps_done'].mean():.1f} repetitions a set"
        said.append(f"{text}, {failed} of {counted(noted, 'set')} to failure" if noted else text)
    return f"{'; '.join(said)}."


def sets_done(results):
    """A row for each set with its repetitions, whether it failed and how many were planned."""
    of_sets = results.outcomes[
        (results.outcomes["window"] == "set")
        & results.outcomes["outcome"].isin(["reps_done", FAILED])
        & results.outcomes["condition"].isin(results.conditions)
    ]
    labels = of_sets[[*SET, *LABELS]].drop_duplicates(SET)
    repetitions = of_sets.pivot(index=SET, columns="outcome", values="value")
    repetitions = repetitions.reindex(columns=["reps_done", FAILED]).reset_index()
    planned = results.events[results.events["trial_type"] == "set"]
    planned = planned.reindex(columns=[*SET, "reps_planned"])
    sets = labels.merge(repetitions, on=SET).merge(planned, on=SET, how="left")
    sets = sets.dropna(subset=["reps_done", "bout", "exercise"])
    order = {condition: n for n, condition in enumerate(results.conditions)}
    people = {name: n for n, name in enumerate(sorted(set(sets["participant_id"])))}
    within = sets["participant_id"].map(people) / max(len(people) - 1, 1) - 0.5
    share = WIDTH / len(order)
    x = sets["bout"] + share * (sets["condition"].map(order) - (len(order) - 1) / 2)
    sets = sets.assign(x=x + 0.7 * share * within, rank=sets["condition"].map(order))
    exercises = list(dict.fromkeys(sets["exercise"]))
    sets["exercise_rank"] = sets["exercise"].map(exercises.index)
    ordered = sets.sort_values(["exercise_rank", "rank", "bout", "participant_id", "session_id"])
    return ordered.drop(columns=["rank", "exercise_rank"]).reset_index(drop=True)


def draw_exercise(axes, sets, conditions):
    """Sets of one exercise: bouts beside each other, within each the conditions."""
    size = pyplot.rcParams["font.size"]
    many = sets["participant_id"].nunique() > MANY_PEOPLE
    for condition, of_condition in sets.groupby("condition", sort=False):
        style = style_of(condition, conditions)
        for chosen, look in marks_of(of_condition, style["color"]):
            drawn = {"ls": "", "ms": 0.42 * size, "alpha": 0.35 if many else 0.8}
            axes.plot(
                of_condition["x"][chosen],
                of_condition["reps_done"][chosen],
                **style | drawn | look,
            )
        share = WIDTH / len(conditions)
        middle = share * (conditions.index(condition) - (len(conditions) - 1) / 2)
        means = of_condition.groupby("bout", as_index=False)["reps_done"].mean()
        axes.plot(means["bout"] + middle, means["reps_done"], color=style["color"])
    bouts = sorted(set(sets["bout"].astype(int)))
    for bout in bouts:
        planned = sets.loc[sets["bout"] == bout, "reps_planned"].dropna().unique()
        if len(planned) == 1:
            axes.hlines(float(planned[0]), bout - 0.4, bout + 0.4, FAINT, ls=":", zorder=1)
    axes.set_xticks(bouts, [f"bout {bout}" for bout in bouts])
    axes.set_xlim(bouts[0] - 0.5, bouts[-1] + 0.5)
    axes.set(xlabel="", ylabel="")


def marks_of(sets, colour):
    """Which sets are filled, open or crossed."""
    failed = sets[FAILED]
    return (
        (failed == 0, {"markerfacecolor": "none"}),
        (failed == 1, {"markerfacecolor": colour}),
        (failed.isna(), {"marker": "x"}),
    )


def failure_marks(sets):
    """Handles of a legend of what filled, open and crossed marks are."""
    named = (("not to failure", {"markerfacecolor": "none"}), ("to failure", {}), ("not noted", {}))
    handles = []
    for (chosen, _), (name, look) in zip(marks_of(sets, "black"), named, strict=True):
        if np.any(chosen):
            style = {"ls": "", "color": "#555555", "marker": "x" if name == "not noted" else "o"}
            handles.append(pyplot.Line2D([], [], label=name, ms=mark_size(), **style | look))
    if sets["reps_planned"].notna().any():
        handles.append(pyplot.Line2D([], [], color=FAINT, ls=":", label="planned"))
    return handles
