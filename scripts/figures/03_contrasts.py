"""Contrasts of the primary outcomes with their intervals, over all exercises and within each. A
mark is that of the condition compared, filled where this is with the reference and open where it is
with another. In the grey band a difference is smaller than the smallest effect of interest. Beside
a contrast over all exercises stands what is claimed of it."""

import pandas as pd

from engine.listings import described
from figures._drawing import (
    FAINT,
    SHADE,
    contrast_marks,
    contrast_style,
    empty_figure,
    is_narrow,
    legend_above,
    pyplot,
    ratio_axis,
    width_in,
    wrapped,
)
from figures._panels import title_of
from report.sentences import in_unit, is_comparison, verdict_of
from report.words import with_interval
from results.words import words_of

TITLE = "Contrasts between conditions"
ALT = "Point estimates with confidence intervals of each contrast between conditions."
NEEDS = ("contrasts",)

NUMBERS = [
    *("outcome", "window", "exercise", "contrast", "scale", "estimate", "ci_low", "ci_high"),
    *("claim", "smallest_effect"),
]

ALL_EXERCISES = "all"

# what is claimed of a contrast, in a word or two
CLAIMS = {
    "lower": "shown",
    "higher": "shown",
    "same": "too small to matter",
    "not shown": "not shown",
    "described": "described only",
}


def draw(results):
    table = results.contrasts[is_comparison(results.contrasts)]
    chosen = [
        (outcome, window, shown)
        for outcome, window in results.primary
        if len(shown := table[(table["outcome"] == outcome) & (table["window"] == window)])
    ]
    if not chosen:
        return empty_figure("Nothing could be compared.", width_in(results)), pd.DataFrame()
    narrow = is_narrow(results)
    heights = [0.135 * len(shown) + 0.06 * shown["exercise"].nunique() for *_, shown in chosen]
    figure, panels = pyplot.subplots(
        *(len(chosen), 1),
        figsize=(width_in(results), sum(heights) + 0.75 * len(chosen) + 0.4),
        layout="constrained",
        squeeze=False,
        gridspec_kw={"height_ratios": heights},
    )
    for axes, (outcome, window, shown) in zip(panels[:, 0], chosen, strict=True):
        draw_forest(axes, shown, results.conditions, with_numbers=not narrow)
        unit = described(outcome).UNIT or ""
        axes.set_xlabel(axis_label(shown["scale"].iloc[0], unit))
        axes.set_title(wrapped(title_of(outcome, window), width_in(results) - 1.0))
    contrasts = list(dict.fromkeys(c for *_, shown in chosen for c in shown["contrast"]))
    legend_above(figure, contrast_marks(contrasts, results.conditions))
    numbers = pd.concat([shown for *_, shown in chosen], ignore_index=True)
    return figure, numbers.reindex(columns=NUMBERS)


def finding(numbers):
    """The contrasts over all exercises with their intervals."""
    overall = numbers[(numbers["exercise"] == ALL_EXERCISES) & numbers["ci_low"].notna()]
    said = []
    for (outcome, window), of_outcome in overall.groupby(["outcome", "window"], sort=False):
        parts = ", ".join(f"{row.contrast} {with_interval(row)}" for row in of_outcome.itertuples())
        said.append(f"{title_of(outcome, window)}: {parts}.")
    return " ".join(said)


def axis_label(scale, unit):
    """What the axis of a contrast counts."""
    if scale == "ratio":
        return "Ratio (1: no difference)"
    if scale == "ordinal":
        return "Difference of relative effects (0: no difference)"
    return in_unit("Difference,", unit).removesuffix(",") + " (0: no difference)"


def draw_forest(axes, contrasts, conditions, *, with_numbers):
    """A group of rows for each exercise, a row for each contrast."""
    ratio = contrasts["scale"].iloc[0] == "ratio"
    shade_smallest_effect(axes, contrasts, ratio)
    at, ticks = 0.0, {}
    for exercise, group in contrasts.groupby("exercise", sort=False):
        strong = exercise == ALL_EXERCISES
        ticks[at + (len(group) - 1) / 2] = "all exercises" if strong else words_of(exercise)
        for row in group.itertuples():
            style = contrast_style(row.contrast, conditions)
            width = {"lw": 1.8 if strong else 0.9, "ms": 5 if strong else 3.5}
            line = {"color": style["color"], "ls": style["ls"], "lw": width["lw"]}
            axes.plot([row.ci_low, row.ci_high], [at, at], **line)
            axes.plot(row.estimate, at, **style | width | {"ls": ""})
            if with_numbers:
                write_beside(axes, row, at, strong)
            at += 1
        at += 0.45
    if ratio:
        ratio_axis(axes)
    axes.axvline(1 if ratio else 0, color=FAINT, lw=0.7, ls="--", zorder=1)
    axes.set_yticks(list(ticks), [name.replace(" ", "\n", 1) for name in ticks.values()])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(at - 0.45 - 0.3, -0.7)


def shade_smallest_effect(axes, contrasts, ratio):
    """Grey where a difference is too small to matter, if the study says how small that is."""
    sizes = contrasts["smallest_effect"].dropna() if "smallest_effect" in contrasts else []
    if len(sizes):
        size = sizes.iloc[0]
        limits = sorted((size, 1 / size)) if ratio else (-size, size)
        axes.axvspan(*limits, color=SHADE, lw=0, zorder=0.5)


def write_beside(axes, row, at, strong):
    """Estimate with its interval at the right; over all exercises with what is claimed."""
    claim = CLAIMS.get(verdict_of(row), "")
    text = with_interval(row).replace("-", "\N{MINUS SIGN}")
    if strong and claim:
        text = f"{text}, {claim}"
    axes.annotate(
        text,
        (1.01, at),
        xycoords=("axes fraction", "data"),
        va="center",
        fontsize=6.5,
        fontweight="bold" if strong else "normal",
        annotation_clip=False,
    )
