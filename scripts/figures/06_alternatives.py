"""Each primary outcome measured and compared again under other settings, one change at a time: the
contrasts over all exercises with their intervals, the main analysis as a line. Pale where a change
does not reach the outcome or leaves its contrast as it was."""

import pandas as pd

from drawing import COLOURS, MARKS, WIDTH_IN, empty_figure, pyplot
from wording import label_of, words_of

TITLE = "The same contrasts under other settings"
ALT = "Point estimates with intervals of each contrast, a row for every alternative setting."
NEEDS = ("alternatives",)
NUMBERS = [
    *("alternative", "differs", "outcome", "window", "contrast", "scale", "estimate"),
    *("ci_low", "ci_high", "main_estimate"),
]


def draw(data):
    table = data.alternatives[data.alternatives["estimate"].notna()]
    parts = [
        (outcome, window, own)
        for outcome, window in data.primary_outcomes
        if len(own := table[(table["outcome"] == outcome) & (table["window"] == window)])
    ]
    if not parts:
        return empty_figure("No contrast of a primary outcome could be estimated."), pd.DataFrame()
    names = list(dict.fromkeys(table["alternative"]))
    contrasts = list(dict.fromkeys(table["contrast"]))
    row_in = 0.09 * len(contrasts) + 0.04
    figure, rows = pyplot.subplots(
        len(parts),
        1,
        figsize=(WIDTH_IN, len(parts) * (row_in * len(names) + 0.75)),
        layout="constrained",
        squeeze=False,
    )
    for axes, (outcome, window, own) in zip(rows[:, 0], parts, strict=True):
        draw_alternatives(axes, own, names, contrasts)
        axes.set_title(f"{label_of(outcome)}, {words_of(window)}", loc="left")
    handles, labels = rows[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside upper right", ncols=len(labels))
    return figure, pd.concat([own for *_, own in parts], ignore_index=True)[NUMBERS]


def draw_alternatives(axes, own, names, contrasts):
    """One row an alternative, the contrasts above each other; the first row is the main one."""
    for n, contrast in enumerate(contrasts):
        look = {"color": COLOURS[n % len(COLOURS)], "marker": MARKS[n % len(MARKS)]}
        rows = own[own["contrast"] == contrast].set_index("alternative").reindex(names)
        place = [m + 0.7 * ((n + 0.5) / len(contrasts) - 0.5) for m in range(len(names))]
        axes.axvline(rows["main_estimate"].dropna().iloc[0], color=look["color"], lw=0.6, ls=":")
        same = rows["estimate"].eq(rows["main_estimate"]) & (rows.index != names[0])
        for at, row, pale in zip(place, rows.itertuples(), same, strict=True):
            alpha = 0.3 if pale else 1.0
            axes.hlines(at, row.ci_low, row.ci_high, look["color"], lw=0.8, alpha=alpha)
            axes.plot(row.estimate, at, ls="", ms=3, alpha=alpha, **look)
        axes.plot([], [], ls="", ms=3, label=contrast, **look)
    ratio = own["scale"].iloc[0] == "ratio"
    if ratio:
        axes.set_xscale("log")
        axes.xaxis.set_major_formatter("{x:.2g}")
        axes.xaxis.set_minor_formatter("{x:.2g}")
        axes.tick_params(axis="x", which="minor", labelsize=6)
    axes.axvline(1 if ratio else 0, color="#888888", lw=0.7, ls="--")
    axes.set_yticks(range(len(names)), [words_of(name) for name in names])
    axes.set_ylim(len(names) - 0.4, -0.6)
    axes.set_xlabel("ratio" if ratio else "difference")
