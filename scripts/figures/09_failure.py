"""Sets by the repetitions done and the lowest saturation, a panel for each condition; sets to
failure are filled, others open, and crosses are sets of which nobody noted it. The failure band is
pale red. Conditions in which nobody failed say nothing about what marks failure."""

import pandas as pd

from comparison.failure_table import AREA, FAILED, NADIR, WITHIN_CONDITION, sets_with_markers
from figures._drawing import (
    empty_figure,
    is_narrow,
    mark_failure_band,
    pyplot,
    style_of,
    width_in,
    wrapped,
)

TITLE = "Saturation and failure"
ALT = "Nadir of saturation against repetitions of every set, sets to failure marked, by condition."
NEEDS = ("outcomes", "failure")


def draw(results):
    sets = sets_with_markers(results.outcomes)
    sets = sets[sets[[NADIR, "reps_done"]].notna().all(axis=1)]
    conditions = [c for c in results.conditions if (sets["condition"] == c).any()]
    if not conditions:
        text = "No set has both repetitions and a saturation."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    narrow = is_narrow(results)
    lines, columns = (len(conditions), 1) if narrow else (1, len(conditions))
    figure, panels = pyplot.subplots(
        *(lines, columns),
        figsize=(width_in(results), 1.7 * lines + 0.5 if narrow else 2.8),
        layout="constrained",
        squeeze=False,
        sharex=True,
        sharey=True,
    )
    for axes, condition in zip(panels.flat, conditions, strict=True):
        of_condition = sets[sets["condition"] == condition]
        draw_sets(axes, of_condition, style_of(condition, results.conditions))
        mark_failure_band(axes, results.settings.protocol.failure_band_pct)
        axes.set_title(
            wrapped(title_of(condition, of_condition), width_in(results) / columns - 0.55)
        )
        axes.xaxis.get_major_locator().set_params(integer=True)
    if sets["reps_done"].nunique() == 1:
        # else the axis shows fractions of a repetition
        panels[0, 0].set_xlim(sets["reps_done"].min() - 2.5, sets["reps_done"].max() + 2.5)
    for axes in panels[-1]:
        axes.set_xlabel("Repetitions done")
    panels[0, 0].set_ylim(bottom=0)
    figure.supylabel("Saturation nadir (%)", fontsize="medium")
    figure.suptitle(
        wrapped(area_in_words(results.failure), width_in(results)), fontsize=8, x=0.01, ha="left"
    )
    columns = ["participant_id", "session_id", "event_id", "exercise", "condition", "bout"]
    in_order = sets.sort_values("condition", key=lambda c: c.map(conditions.index), kind="stable")
    return figure, in_order[[*columns, "reps_done", NADIR, FAILED]]


def finding(numbers):
    """How many sets were to failure in each condition, and the lowest saturation in it."""
    said = [
        f"{title_of(condition, of_condition)}, lowest nadir {of_condition[NADIR].min():.0f} %"
        for condition, of_condition in numbers.groupby("condition", sort=False)
    ]
    return f"{'; '.join(said)}."


def draw_sets(axes, sets, style):
    """Sets to failure filled, others open, those without a note as crosses."""
    looks = (
        (sets[FAILED] == 0, {"markerfacecolor": "none"}),
        (sets[FAILED] == 1, {}),
        (sets[FAILED].isna(), {"marker": "x"}),
    )
    for chosen, look in looks:
        drawn = sets[chosen]
        axes.plot(drawn["reps_done"], drawn[NADIR], ls="", ms=4, alpha=0.8, **style | look)


def title_of(condition, sets):
    noted = sets[FAILED].notna().sum()
    if not noted:
        return f"{condition}: failure not noted"
    return f"{condition}: {(sets[FAILED] == 1).sum()} of {noted} sets to failure"


def area_in_words(failure):
    """How well the nadir tells failed sets from others of their condition."""
    of_nadir = failure[(failure["marker"] == NADIR) & (failure["measure"] == AREA)]
    within = of_nadir[(of_nadir["stratum"] == WITHIN_CONDITION) & of_nadir["value"].notna()]
    if within.empty:
        return "Whether saturation marks failure within a condition cannot be told from this study."
    row = within.iloc[0]
    limits = "" if pd.isna(row["ci_low"]) else f" ({row['ci_low']:.2f} to {row['ci_high']:.2f})"
    return f"Area under the curve within condition: {row['value']:.2f}{limits}"
