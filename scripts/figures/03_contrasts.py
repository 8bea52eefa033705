"""Contrasts of the primary outcomes with their intervals, over all exercises and within each."""

import pandas as pd

from figures._drawing import WIDTH_IN, empty_figure, pyplot, ratio_axis
from report.sentences import is_comparison
from report.words import label_of
from results.words import words_of

TITLE = "Contrasts between conditions"
ALT = "Point estimates with confidence intervals of each contrast between conditions."
NEEDS = ("contrasts",)


def draw(results):
    table = results.contrasts[is_comparison(results.contrasts)]
    chosen = [
        (outcome, window, own)
        for outcome, window in results.primary
        if len(own := table[(table["outcome"] == outcome) & (table["window"] == window)])
    ]
    if not chosen:
        return empty_figure("Nothing could be compared."), pd.DataFrame()
    heights = [len(own) for _, _, own in chosen]
    figure, rows = pyplot.subplots(
        len(chosen),
        1,
        figsize=(WIDTH_IN, 0.17 * sum(heights) + 0.75 * len(chosen)),
        layout="constrained",
        squeeze=False,
        gridspec_kw={"height_ratios": [h + 2 for h in heights]},
    )
    for axes, (outcome, window, own) in zip(rows[:, 0], chosen, strict=True):
        draw_forest(axes, own.reset_index(drop=True))
        axes.set_title(f"{label_of(outcome)}, {words_of(window)}", loc="left")
    columns = [
        "outcome",
        "window",
        "exercise",
        "contrast",
        "scale",
        "estimate",
        "ci_low",
        "ci_high",
    ]
    return figure, pd.concat([own for *_, own in chosen], ignore_index=True)[columns]


def draw_forest(axes, own):
    """One row a contrast; the contrasts over all exercises are drawn strong."""
    for place, row in own.iterrows():
        strong = row["exercise"] == "all"
        axes.plot(
            [row["ci_low"], row["ci_high"]],
            [place, place],
            color="black",
            lw=1.8 if strong else 0.8,
        )
        axes.plot(
            row["estimate"], place, "s" if strong else "o", color="black", ms=5 if strong else 3
        )
    ratio = own["scale"].iloc[0] == "ratio"
    if ratio:
        ratio_axis(axes)
    axes.axvline(1 if ratio else 0, color="#888888", lw=0.7, ls="--")
    names = [
        f"{row['contrast']}, {words_of(row['exercise'])}".replace(", all", ", all exercises")
        for _, row in own.iterrows()
    ]
    axes.set_yticks(range(len(own)), names)
    axes.set_ylim(len(own) - 0.4, -0.6)
    axes.set_xlabel("ratio" if ratio else "difference")
