"""What the models of the primary outcomes rest on: residuals against fitted values and against
normal quantiles, their spread by condition and exercise (bars: one SD), the predicted random
effects, and every contrast without each participant in turn (bar: with all; named: whoever moves it
most). On ratio scales residuals are of natural logarithms."""

import numpy as np
import pandas as pd

from figures._drawing import (
    FAINT,
    condition_legend,
    contrast_style,
    empty_figure,
    is_narrow,
    pyplot,
    ratio_axis,
    style_of,
    width_in,
)
from figures._panels import title_of
from results.condition_marks import COLOURS, MARKS
from results.words import counted, words_of

TITLE = "Diagnostics of the models"
ALT = (
    "For each primary outcome: residuals, normal quantiles, spread, random effects, leave-one-out."
)
NEEDS = ("diagnostics", "sensitivity", "contrasts")
LEFT_OUT = "one participant left out"

# of a panel's share of the width, in inches: what stands beside it, and a letter of its names
BESIDE_PANEL_IN = 0.5
LETTER_IN = 0.047

# height of one name of the legend, as a share of what is drawn
LEGEND_SHARE = 0.12

NUMBERS = [
    *("outcome", "window", "part", "participant_id", "condition", "exercise", "term", "contrast"),
    *("fitted", "value", "quantile", "ci_low", "ci_high"),
]


def draw(results):
    parts = []
    for outcome, window in results.primary:
        diagnostics, left_out = (
            table[(table["outcome"] == outcome) & (table["window"] == window)]
            for table in (results.diagnostics, results.sensitivity)
        )
        left_out = left_out[(left_out["analysis"] == LEFT_OUT) & left_out["estimate"].notna()]
        if len(diagnostics):
            parts.append((outcome, window, diagnostics, left_out))
    if not parts:
        text = "No model of a primary outcome could be fitted."
        return empty_figure(text, width_in(results)), pd.DataFrame()
    narrow = is_narrow(results)
    height_in = (5.6 if narrow else 3.6) * len(parts)
    figure = pyplot.figure(figsize=(width_in(results), height_in), layout="constrained")
    blocks = np.atleast_1d(figure.subfigures(len(parts), 1))
    for block, (outcome, window, diagnostics, left_out) in zip(blocks, parts, strict=True):
        block.suptitle(
            *(title_of(outcome, window),),
            **{"x": 0.01, "ha": "left", "fontsize": 8.5, "fontweight": "bold"},
        )
        axes = block.subplots(*((3, 2) if narrow else (2, 3))).ravel()
        residuals = diagnostics[diagnostics["part"] == "residual"]
        draw_fitted(axes[0], residuals, results)
        if not narrow:
            marks = condition_legend(results.conditions)
            legend_place = {"loc": "upper right", "ncols": len(marks), "fontsize": 7}
            block.legend(handles=marks, **legend_place)
        draw_quantiles(axes[1], residuals, "residual")
        panel_in = width_in(results) / (2 if narrow else 3) - BESIDE_PANEL_IN
        draw_spread(axes[2], residuals, "condition", results.conditions, panel_in)
        exercises = list(dict.fromkeys(residuals["exercise"].dropna()))
        draw_spread(axes[3], residuals, "exercise", exercises, panel_in)
        draw_effects(axes[4], diagnostics[diagnostics["part"] == "random effect"])
        draw_left_out(
            axes[5], left_out, most_of(results.contrasts, outcome, window), results.conditions
        )
    numbers = [diagnostics for _, _, diagnostics, _ in parts]
    numbers += [
        left_out.rename(columns={"left_out": "participant_id", "estimate": "value"}).assign(
            part=LEFT_OUT
        )
        for *_, left_out in parts
        if len(left_out)
    ]
    filled = [table.dropna(axis=1, how="all") for table in numbers]
    return figure, pd.concat(filled, ignore_index=True).reindex(columns=NUMBERS)


def finding(numbers):
    """How many residuals lie farther from zero than 3 SD, outcome by outcome."""
    said = []
    residuals = numbers[numbers["part"] == "residual"]
    for (outcome, window), of_outcome in residuals.groupby(["outcome", "window"], sort=False):
        far = int((of_outcome["value"].abs() > 3 * of_outcome["value"].std()).sum())
        n_in_words = counted(len(of_outcome), "residual")
        said.append(f"{title_of(outcome, window)}: {far} of {n_in_words} beyond 3 SD.")
    return " ".join(said)


def draw_fitted(axes, residuals, results):
    """Residuals against fitted values, conditions told apart."""
    for condition, of_condition in residuals.groupby("condition", sort=False):
        style = style_of(condition, results.conditions)
        axes.plot(
            of_condition["fitted"], of_condition["value"], ls="", ms=2.5, label=condition, **style
        )
    axes.axhline(0, color=FAINT, lw=0.7, ls="--")
    axes.set(xlabel="fitted", ylabel="residual")


def draw_quantiles(axes, ordered, name, **style):
    """Ordered values against normal quantiles, with the line of a normal of the same SD."""
    style = {"color": COLOURS[0], "marker": MARKS[0]} | style
    axes.plot(ordered["quantile"], ordered["value"], ls="", ms=2.5, **style)
    if len(ordered) > 1 and name == "residual":
        ends = np.array([ordered["quantile"].min(), ordered["quantile"].max()])
        line = ordered["value"].mean() + ordered["value"].std() * ends
        axes.plot(ends, line, color=FAINT, lw=0.7, ls="--")
    axes.set(xlabel="normal quantile", ylabel=name)


def draw_spread(axes, residuals, by, names, panel_in):
    """Residuals of each level beside each other, with a bar of one SD either side.

    panel_in : width of the panel in inches; names too long for it are turned
    """
    if not names:
        axes.axis("off")
        axes.text(0.5, 0.5, f"no {by}\nto tell apart", ha="center", va="center")
        return
    for height, name in enumerate(names):
        of_name = residuals.loc[residuals[by] == name, "value"]
        spread = np.linspace(-0.25, 0.25, len(of_name)) * (len(of_name) > 1)
        axes.plot(height + spread, of_name, ls="", marker=".", ms=2, color=FAINT)
        if len(of_name) > 1:
            axes.vlines(height, -of_name.std(), of_name.std(), COLOURS[0], lw=2)
    axes.axhline(0, color=FAINT, lw=0.7, ls="--")
    # long names stand on lines of their own, or turned
    labels = [words_of(name).replace(" ", "\n") for name in names]
    longest = max(len(line) for label in labels for line in label.split("\n"))
    turned = longest * LETTER_IN > panel_in / len(names)
    if turned:
        labels = [label.replace("\n", " ") for label in labels]
    axes.set_xticks(range(len(names)), labels, fontsize=6, rotation=90 if turned else 0)
    axes.set_ylabel("residual and SD")


def draw_effects(axes, effects):
    """Predicted random effects of each term against normal quantiles."""
    for n, (term, of_term) in enumerate(effects.groupby("term", sort=False)):
        style = {"color": COLOURS[n % len(COLOURS)], "marker": MARKS[n % len(MARKS)]}
        label = str(term).replace("participant:", "by ")
        draw_quantiles(axes, of_term, "random effect", label=label, **style)
    # room for the names above what is drawn
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + LEGEND_SHARE * effects["term"].nunique() * (high - low))
    corner = {"loc": "upper left", "borderaxespad": 0.1, "labelspacing": 0.2}
    axes.legend(fontsize=6, handletextpad=0.1, **corner)


def most_of(contrasts, outcome, window):
    """Who moves each contrast of an outcome most, from contrasts.tsv."""
    of_outcome = contrasts[(contrasts["outcome"] == outcome) & (contrasts["window"] == window)]
    of_outcome = of_outcome[of_outcome["leave_out_most"].notna()]
    return dict(zip(of_outcome["contrast"], of_outcome["leave_out_most"], strict=True))


def draw_left_out(axes, left_out, most, conditions):
    """Each contrast without each participant in turn, the one that moves it most named."""
    if left_out.empty:
        axes.axis("off")
        axes.text(0.5, 0.5, "too few participants\nto leave one out", ha="center", va="center")
        return
    contrasts = list(dict.fromkeys(left_out["contrast"]))
    for height, contrast in enumerate(contrasts):
        of_contrast = left_out[left_out["contrast"] == contrast]
        style = contrast_style(contrast, conditions)
        axes.plot(
            of_contrast["estimate"],
            np.full(len(of_contrast), height),
            **style | {"ls": "", "ms": 2.5},
        )
        axes.plot(of_contrast["main_estimate"].iloc[0], height, "|", ms=12, color=style["color"])
    if left_out["scale"].iloc[0] == "ratio":
        ratio_axis(axes, ticks=3)
    names = [f"{contrast}\n{most.get(contrast, '')}" for contrast in contrasts]
    axes.set_yticks(range(len(contrasts)), names, fontsize=6)
    axes.set_ylim(len(contrasts) - 0.4, -0.6)
    axes.set_xlabel("without one person")
