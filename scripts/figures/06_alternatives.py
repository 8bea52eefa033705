"""Each primary outcome measured and compared again under other settings, one change at a time: the
contrasts over all exercises with their intervals, the main analysis as dotted lines. Below
each outcome stand the settings that concern it and leave its contrasts as they were; a setting that
does not concern it, and the main setting, are left out."""

import textwrap

import pandas as pd

from figures._drawing import COLOURS, MARKS, WIDTH_IN, empty_figure, pyplot, ratio_axis
from report.words import label_of
from results.words import words_of

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
        (outcome, window, own, changed_in(own))
        for outcome, window in results.primary
        if len(own := table[(table["outcome"] == outcome) & (table["window"] == window)])
    ]
    if not parts:
        return empty_figure("No primary outcome could be compared."), pd.DataFrame()
    contrasts = list(dict.fromkeys(table["contrast"]))
    heights = [(0.09 * len(contrasts) + 0.06) * len(changed) for *_, changed in parts]
    figure, rows = pyplot.subplots(
        len(parts),
        1,
        figsize=(WIDTH_IN, sum(heights) + 0.95 * len(parts) + 0.2),
        layout="constrained",
        squeeze=False,
        gridspec_kw={"height_ratios": heights},
    )
    for axes, (outcome, window, own, changed) in zip(rows[:, 0], parts, strict=True):
        draw_alternatives(axes, own, changed, contrasts)
        axes.set_title(f"{label_of(outcome)}, {words_of(window)}", loc="left")
    handles, labels = rows[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=len(labels))
    return figure, pd.concat([own for _, _, own, _ in parts], ignore_index=True)[NUMBERS]


def changed_in(own):
    """The main analysis and every alternative that changes a contrast of one outcome."""
    names = list(dict.fromkeys(own["alternative"]))
    by_name = {n: rows.set_index("contrast")[SHOWN] for n, rows in own.groupby("alternative")}
    main = by_name[names[0]]
    return names[:1] + [name for name in names[1:] if not by_name[name].equals(main)]


def unchanged_in(own, changed):
    """What the alternatives say that concern one outcome and change none of its contrasts."""
    concerned = own[(own["concerns"] == "yes") & ~own["alternative"].isin(changed)]
    return list(dict.fromkeys(concerned["says"]))


def draw_alternatives(axes, own, names, contrasts):
    """One row an alternative, the contrasts above each other; the first row is the main one."""
    for n, contrast in enumerate(contrasts):
        style = {"color": COLOURS[n % len(COLOURS)], "marker": MARKS[n % len(MARKS)]}
        rows = own[own["contrast"] == contrast].set_index("alternative").reindex(names)
        axes.plot([], [], ls="", ms=3, label=contrast, **style)
        if rows["estimate"].isna().all():
            continue
        place = [m + 0.7 * ((n + 0.5) / len(contrasts) - 0.5) for m in range(len(names))]
        axes.axvline(rows["main_estimate"].dropna().iloc[0], color=style["color"], lw=0.6, ls=":")
        axes.hlines(place, rows["ci_low"], rows["ci_high"], style["color"], lw=0.8)
        axes.plot(rows["estimate"], place, ls="", ms=3, **style)
    ratio = own["scale"].iloc[0] == "ratio"
    axes.axvline(1 if ratio else 0, color="#888888", lw=0.7, ls="--")
    if ratio:
        ratio_axis(axes)
    says = dict(zip(own["alternative"], own["says"], strict=True))
    axes.set_yticks(range(len(names)), [says[name] for name in names])
    axes.set_ylim(len(names) - 0.5, -0.5)
    axes.set_xlabel("ratio" if ratio else "difference")
    same = unchanged_in(own, names)
    if same:
        text = textwrap.fill(f"Unchanged: {', '.join(same)}", 110)
        where = {"xycoords": "axes fraction", "textcoords": "offset points"}
        axes.annotate(text, (0, 0), (0, -32), va="top", fontsize=6, color="#555555", **where)
