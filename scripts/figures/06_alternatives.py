"""Each primary outcome measured and compared again under other settings, one change at a time: the
contrasts over all exercises with their intervals, the main analysis as dotted lines. Below
each outcome stand the settings that concern it and leave its contrasts as they were; a setting that
does not concern it, and the main setting, are left out."""

import textwrap

import pandas as pd

from engine.listings import described
from figures._drawing import (
    FAINT,
    contrast_marks,
    contrast_style,
    empty_figure,
    legend_above,
    pyplot,
    ratio_axis,
    width_in,
    wrapped,
)
from figures._panels import title_of
from report.sentences import in_unit

TITLE = "The same contrasts under other settings"
ALT = "Point estimates with intervals of each contrast, a row for every alternative setting."
NEEDS = ("alternatives",)
NUMBERS = [
    *("alternative", "says", "differs", "outcome", "window", "contrast", "scale", "estimate"),
    *("ci_low", "ci_high", "main_estimate"),
]
SHOWN = ["estimate", "ci_low", "ci_high"]


def draw(results):
    table = results.alternatives[results.alternatives["ci_low"].notna()]
    parts = [
        (outcome, window, of_outcome, changed_in(of_outcome))
        for outcome, window in results.primary
        if len(of_outcome := table[(table["outcome"] == outcome) & (table["window"] == window)])
    ]
    if not parts:
        text = "No primary outcome could be compared."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    contrasts = list(dict.fromkeys(table["contrast"]))
    heights = [(0.09 * len(contrasts) + 0.06) * len(changed) for *_, changed in parts]
    figure, panels = pyplot.subplots(
        len(parts),
        1,
        figsize=(width_in(results), sum(heights) + 0.95 * len(parts) + 0.3),
        layout="constrained",
        squeeze=False,
        gridspec_kw={"height_ratios": heights},
    )
    for axes, (outcome, window, of_outcome, changed) in zip(panels[:, 0], parts, strict=True):
        draw_alternatives(axes, of_outcome, changed, contrasts, results)
        axes.set_title(wrapped(title_of(outcome, window), width_in(results) - 1.0))
    marks = contrast_marks(contrasts, results.conditions)
    legend_above(figure, marks)
    numbers = pd.concat([of_outcome for _, _, of_outcome, _ in parts], ignore_index=True)
    return figure, numbers[NUMBERS]


def changed_in(alternatives):
    """The main analysis and every alternative that changes a contrast of one outcome."""
    names = list(dict.fromkeys(alternatives["alternative"]))
    by_name = {
        n: contrasts.set_index("contrast")[SHOWN]
        for n, contrasts in alternatives.groupby("alternative")
    }
    main = by_name[names[0]]
    return names[:1] + [name for name in names[1:] if not by_name[name].equals(main)]


def unchanged_in(alternatives, changed):
    """What the alternatives say that concern one outcome and change none of its contrasts."""
    concerned = alternatives[
        (alternatives["concerns"] == "yes") & ~alternatives["alternative"].isin(changed)
    ]
    return list(dict.fromkeys(concerned["says"]))


def finding(numbers):
    """How far any alternative moves a contrast from the main analysis."""
    moved = numbers[numbers["estimate"] != numbers["main_estimate"]]
    if moved.empty:
        return "No alternative setting changes a contrast."
    changed = (moved["estimate"] / moved["main_estimate"] - 1).abs()
    row = moved.loc[changed.idxmax()]
    return (
        f"The contrast that moves most is {row['contrast']} of {described(row['outcome']).LABEL}: "
        f"{row['main_estimate']:.3g} in the main analysis, {row['estimate']:.3g} under "
        f"'{row['says']}'."
    )


def draw_alternatives(axes, alternatives, names, contrasts, results):
    """One row an alternative, the contrasts above each other; the first row is the main one."""
    for n, contrast in enumerate(contrasts):
        style = contrast_style(contrast, results.conditions)
        shown = (
            alternatives[alternatives["contrast"] == contrast]
            .set_index("alternative")
            .reindex(names)
        )
        if shown["estimate"].isna().all():
            continue
        heights = [m + 0.7 * ((n + 0.5) / len(contrasts) - 0.5) for m in range(len(names))]
        axes.axvline(shown["main_estimate"].dropna().iloc[0], color=style["color"], lw=0.6, ls=":")
        axes.hlines(
            heights, shown["ci_low"], shown["ci_high"], style["color"], ls=style["ls"], lw=0.9
        )
        axes.plot(shown["estimate"], heights, **style | {"ls": "", "ms": 3.5})
    ratio = alternatives["scale"].iloc[0] == "ratio"
    axes.axvline(1 if ratio else 0, color=FAINT, lw=0.7, ls="--")
    if ratio:
        ratio_axis(axes)
    says = dict(zip(alternatives["alternative"], alternatives["says"], strict=True))
    axes.set_yticks(range(len(names)), [textwrap.fill(says[name], 26) for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)
    unit = described(alternatives["outcome"].iloc[0]).UNIT or ""
    axes.set_xlabel("Ratio" if ratio else in_unit("Difference,", unit).removesuffix(","))
    same = unchanged_in(alternatives, names)
    if same:
        text = textwrap.fill(f"Unchanged: {', '.join(same)}", int(width_in(results) * 15))
        where = {"xycoords": "axes fraction", "textcoords": "offset points"}
        axes.annotate(text, (0, 0), (0, -32), va="top", fontsize=6, color="#555555", **where)
