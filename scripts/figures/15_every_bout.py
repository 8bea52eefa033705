"""Every bout of the one participant as a point, in the order of the bouts, by exercise and
condition. Bouts of a condition are joined; a ring marks a set to failure, pale red the failure
band (see Terms)."""

import textwrap

import pandas as pd

from figures._drawing import (
    condition_legend,
    empty_figure,
    legend_above,
    mark_failure_band,
    mark_size,
    pyplot,
    style_of,
    width_in,
)
from report.single_case import DRAWN, is_one_participant, people_compared, sets_of, values_of
from report.words import label_of
from results.words import in_words, words_of

TITLE = "Every bout of one participant"
ALT = "Points of every bout of one participant by exercise and condition, sets to failure ringed."
NEEDS = ("outcomes",)

# letters that stand beside a panel without reaching the next
LETTERS_BESIDE = 16


def draw(results):
    conditions = results.conditions
    if not is_one_participant(results.outcomes, conditions):
        return empty_figure(
            "Drawn for a study of one participant.", width_in(results)
        ), no_numbers()
    (person,) = people_compared(results.outcomes, conditions)
    sets = sets_of(results.outcomes, person, conditions)
    given = [key for key in DRAWN if len(values_of(sets, *key))]
    if not given:
        return empty_figure("No bout has a value to draw.", width_in(results)), no_numbers()
    exercises = list(dict.fromkeys(sets["exercise"]))
    figure, panels = pyplot.subplots(
        *(len(given), len(exercises)),
        figsize=(width_in(results), 1.35 * len(given) + 0.6),
        layout="constrained",
        squeeze=False,
        sharey="row",
    )
    failed = values_of(sets, "to_failure")
    failed = set(event_of(failed[failed["value"] == 1]))
    band_pct = results.settings.protocol.failure_band_pct
    for row, (outcome, window) in zip(panels, given, strict=True):
        of_outcome = values_of(sets, outcome, window)
        for axes, exercise in zip(row, exercises, strict=True):
            draw_bouts(axes, of_outcome[of_outcome["exercise"] == exercise], conditions, failed)
            axes.set_xticks([])
            axes.margins(y=0.15)
            if outcome == "smo2_nadir_pct":
                mark_failure_band(axes, band_pct)
        row[0].set_ylabel(textwrap.fill(label_of(outcome), LETTERS_BESIDE))
    for axes, exercise in zip(panels[0], exercises, strict=True):
        axes.set_title(words_of(exercise))
    figure.align_ylabels(panels[:, 0])
    present = [name for name in conditions if (sets["condition"] == name).any()]
    ring = pyplot.Line2D(
        *([], []), ls="", marker="o", ms=2 * mark_size(), mfc="none", color="#333333"
    )
    ring.set_label("to failure")
    legend_above(figure, condition_legend(conditions, present) + ([ring] if failed else []))
    numbers = [values_of(sets, *key) for key in given]
    columns = ["exercise", "condition", "number", "outcome", "window", "value"]
    return figure, pd.concat(numbers, ignore_index=True)[columns]


def no_numbers():
    return pd.DataFrame()


def event_of(sets):
    """Labels of sets that differ between sessions as well."""
    return sets["session_id"] + "/" + sets["event_id"]


def draw_bouts(axes, bouts, conditions, failed):
    """Bouts of one exercise from left to right, a free place between conditions."""
    at = 0
    for condition in conditions:
        of_condition = bouts[bouts["condition"] == condition]
        if of_condition.empty:
            continue
        x = [at + n for n in range(len(of_condition))]
        at = x[-1] + 2
        axes.plot(x, of_condition["value"], color="#8d9a97", lw=0.7, zorder=1)
        axes.plot(
            x, of_condition["value"], ls="", ms=mark_size(), **style_of(condition, conditions)
        )
        ringed = event_of(of_condition).isin(failed).to_numpy()
        at_failure = [n for n, to_failure in zip(x, ringed, strict=True) if to_failure]
        axes.plot(
            at_failure,
            of_condition["value"][ringed],
            "o",
            ms=2 * mark_size(),
            mfc="none",
            color="#333333",
            mew=0.8,
        )


def finding(numbers):
    """Bouts drawn, and the lowest saturation of each condition."""
    nadirs = numbers[numbers["outcome"] == "smo2_nadir_pct"]
    if nadirs.empty:
        return f"{len(numbers)} values of bouts are drawn."
    lowest = [
        f"{of_condition['value'].min():.0f} % with {condition}"
        for condition, of_condition in nadirs.groupby("condition", sort=False)
    ]
    return f"The lowest nadirs are {in_words(lowest)}."
