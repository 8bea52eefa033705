"""Sets by the repetitions done and the lowest saturation, a panel for each condition; sets to
failure are filled, others open. The failure band is pale red. Conditions in which nobody failed say
nothing about what marks failure."""

import pandas as pd

from comparison.failure_table import AREA, FAILED, NADIR, WITHIN_CONDITION, sets_of
from figures._drawing import WIDTH_IN, empty_figure, mark_failure_band, pyplot, style_of

TITLE = "Saturation and failure"
ALT = "Nadir of saturation against repetitions of every set, sets to failure marked, by condition."
NEEDS = ("outcomes", "failure")


def draw(results):
    sets = sets_of(results.outcomes)
    sets = sets[sets[[NADIR, "reps_done"]].notna().all(axis=1)]
    conditions = [c for c in results.conditions if (sets["condition"] == c).any()]
    if not conditions:
        text = "No set has both repetitions and a saturation."
        return empty_figure(text), pd.DataFrame()
    figure, panels = pyplot.subplots(
        1,
        len(conditions),
        figsize=(WIDTH_IN, 2.8),
        layout="constrained",
        squeeze=False,
        sharex=True,
        sharey=True,
    )
    for axes, condition in zip(panels[0], conditions, strict=True):
        of_condition = sets[sets["condition"] == condition]
        draw_sets(axes, of_condition, style_of(condition, results.conditions))
        mark_failure_band(axes, results.settings.protocol.failure_band_pct)
        axes.set_title(title_of(condition, of_condition), loc="left")
        axes.set_xlabel("Repetitions done")
        axes.xaxis.get_major_locator().set_params(integer=True)
    panels[0, 0].set_ylabel("Saturation nadir (%)")
    panels[0, 0].set_ylim(bottom=0)
    figure.suptitle(area_in_words(results.failure), fontsize=8, x=0.01, ha="left")
    columns = ["participant_id", "session_id", "event_id", "exercise", "condition", "bout"]
    return figure, sets[[*columns, "reps_done", NADIR, FAILED]]


def draw_sets(axes, sets, style):
    for failed, face in ((False, "none"), (True, style["color"])):
        drawn = sets[(sets[FAILED] == 1) == failed]
        axes.plot(
            drawn["reps_done"], drawn[NADIR], ls="", ms=4, markerfacecolor=face, alpha=0.8, **style
        )


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
