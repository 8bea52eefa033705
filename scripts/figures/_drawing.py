"""The one style of all figures: sizes, type, colours and marks, axes that fit, and saving.

Everything drawn is deterministic, so that the same results give the same bytes.
"""

import logging
import textwrap
from itertools import pairwise

import matplotlib
import numpy as np
import pandas as pd
from matplotlib import pyplot, ticker
from matplotlib.collections import LineCollection

from figures._forms import pdf_of, png_of, svg_of
from results.condition_marks import colour_and_mark

matplotlib.use("Agg")

MM_PER_IN = 25.4

# below this width panels stand below each other and long texts are left out
NARROW_MM = 130

# 1920 by 1080 points at 144 per inch
SLIDE_IN = (13.3333, 7.5)
SLIDE_DPI = 144


# what one condition is compared with, or one sensor of several, without colour as well
LINE_STYLES = ("-", "--", "-.", ":")

# between two numbers below a panel, at least
TICK_GAP_PT = 4

FAINT = "#888888"
FAINTER = "#b8b8b8"
SHADE = "#e4e4e4"
BAND = "#D55E00"

# an axes with more marks than this holds them as a picture, words and scales stay as they are:
# each mark of a vector graphic costs memory in whatever reads it
MOST_MARKS = 1500

# below it lie marks and lines, above it scales and words (of matplotlib)
_MARKS_BELOW = 2.005

PICTURE_DPI = 150

STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "axes.titlesize": 8.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 8,
    "axes.linewidth": 0.6,
    "axes.edgecolor": "#444444",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.color": "#444444",
    "ytick.color": "#444444",
    "xtick.labelcolor": "black",
    "ytick.labelcolor": "black",
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "legend.handletextpad": 0.5,
    "legend.columnspacing": 1.5,
    "lines.linewidth": 1.0,
    # unhinted, so that letters are as wide when the layout is solved as in every format
    "text.hinting": "none",
    "figure.dpi": 200,
    "svg.fonttype": "path",
    "svg.hashsalt": "cuffstudy",
}

# what a room can read from its last row
SLIDE_STYLE = STYLE | {
    "font.size": 18,
    "axes.titlesize": 20,
    "axes.labelsize": 18,
    "axes.linewidth": 1.2,
    "xtick.labelsize": 17,
    "ytick.labelsize": 17,
    "xtick.major.width": 1.2,
    "ytick.major.width": 1.2,
    "legend.fontsize": 17,
    "lines.linewidth": 2.2,
}


def width_in(results):
    """Width of a figure in inches, as the study asks for it."""
    return results.settings.draw_figures.width_mm / MM_PER_IN


def is_narrow(results):
    """Whether a figure is as narrow as one column of a journal."""
    return results.settings.draw_figures.width_mm < NARROW_MM


def style_of(condition, conditions):
    """Colour and mark of one of the conditions."""
    colour, mark = colour_and_mark(condition, conditions)
    return {"color": colour, "marker": mark}


def contrast_style(contrast, conditions):
    """Colour, mark, filling and line of `A - B`: those of A; open where B is not the reference."""
    first, second = contrast.split(" - ")
    style = style_of(first, conditions)
    n = conditions.index(second)
    face = style["color"] if n == 0 else "white"
    return style | {"markerfacecolor": face, "ls": LINE_STYLES[n % len(LINE_STYLES)]}


def contrast_marks(contrasts, conditions):
    """Handles of a legend that says what each mark compares."""
    return [
        pyplot.Line2D([], [], label=contrast, ms=4, **contrast_style(contrast, conditions))
        for contrast in contrasts
    ]


def condition_legend(conditions, drawn=None):
    """Handles of a legend of the conditions, or of those of them that are drawn."""
    return [
        pyplot.Line2D([], [], label=name, ls="", ms=mark_size(), **style_of(name, conditions))
        for name in drawn or conditions
    ]


def legend_above(figure, handles):
    """One legend over all panels, in as few lines as its names allow."""
    if not handles:
        return
    # letters that fit beside each other, each about 0.62 of the size of the type; 6 for a mark
    room = figure.get_figwidth() * 72 / (0.62 * pyplot.rcParams["legend.fontsize"])
    letters = [len(mark.get_label()) + 6 for mark in handles]
    ncols = len(handles) if sum(letters) < room else max(1, int(room // max(letters)))
    figure.legend(handles=handles, loc="outside upper left", ncols=ncols, borderaxespad=0.2)


def mark_size():
    """Size of a mark of a legend, in points, beside the type as it is set."""
    return 0.56 * pyplot.rcParams["font.size"]


class TicksWithOne(ticker.MaxNLocator):
    """Even ticks, and one at a ratio of 1, where nothing differs."""

    def tick_values(self, vmin, vmax):
        even = super().tick_values(vmin, vmax)
        if not vmin <= 1 <= vmax:
            return even
        # none so near to 1 that their numbers would meet
        far = even[np.abs(even - 1) > 0.6 * np.diff(even).min()]
        return np.sort(np.append(far, 1.0))


def ratio_axis(axes, *, ticks=6):
    """A logarithmic x axis for ratios that are drawn already, with even ticks where it is short."""
    axes.set_xscale("log")
    low, high = axes.get_xlim()
    if high < 4 * low:
        axes.xaxis.set_major_locator(TicksWithOne(ticks))
        axes.xaxis.set_minor_locator(ticker.NullLocator())
    # as many digits as tell two ticks apart
    digits = 3 if high > 1.02 * low else 4 if high > 1.002 * low else 6
    axes.xaxis.set_major_formatter(f"{{x:.{digits}g}}")
    axes.xaxis.set_minor_formatter("")


def power_of_ten(numbers):
    """Power of ten taken out of the numbers of an axis: 0 where these are short to read.

    4.4e-4 is drawn as 4.4 beside the power -4.
    """
    known = np.abs(np.asarray(numbers, dtype=float))
    largest = known[np.isfinite(known)].max(initial=0.0)
    if largest == 0 or 0.05 <= largest < 1e5:
        return 0
    return int(np.floor(np.log10(largest)))


def scaled_axis(axis, power):
    """Write the numbers of an axis without a power of ten that its label gives."""
    if power:
        axis.set_major_formatter(lambda number, _: f"{number / 10.0**power:.3g}")


def unit_with_power(unit, power):
    """`× 10⁻⁴` or `10³ ms²`: a unit with the power of ten that was taken out of its numbers."""
    unit = {"ms2": "ms\N{SUPERSCRIPT TWO}", "dimensionless": ""}.get(unit, unit or "")
    if not power:
        return unit or "dimensionless"
    small = str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))
    return f"10{small} {unit}" if unit else f"\N{MULTIPLICATION SIGN} 10{small}"


def mark_failure_band(axes, band_pct, *, named=False):
    """Saturations that are said to mark failure: hatched over shaded sets, under what is drawn."""
    low, high = band_pct
    axes.axhspan(low, high, color=BAND, alpha=0.13, lw=0, zorder=0.6)
    axes.axhline(high, color=BAND, lw=0.6, ls=(0, (4, 2)), zorder=0.7)
    if named:
        axes.annotate(
            "failure band",
            (1.0, high),
            xycoords=("axes fraction", "data"),
            xytext=(-2, -2),
            textcoords="offset points",
            ha="right",
            va="top",
            fontsize="small",
            color="#7a3500",
            # readable where a line passes behind it
            bbox={"facecolor": "white", "alpha": 0.6, "pad": 0.5, "lw": 0},
        )


def wrapped(text, width_in_):
    """A title in as many lines as a panel of this width needs (a letter of bold 8.5 pt: 1.8 mm)."""
    return textwrap.fill(text, max(12, int(width_in_ * MM_PER_IN / 1.8)))


def width_of_text_pt(text, size_pt):
    """Width of one line of text in points, measured from its letters."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    if not text.strip():
        return 0.0
    letters = FontProperties(family=STYLE["font.family"])
    return float(TextPath((0, 0), text, size=size_pt, prop=letters).get_extents().x1)


def levels_without_collision(spans, gap):
    """For each (start, end) the lowest level at which it meets none of those before it.

    Spans and the least gap between two of one level share their unit.
    """
    ends, levels = [], []
    for start, end in spans:
        level = next((n for n, last in enumerate(ends) if start >= last + gap), len(ends))
        if level == len(ends):
            ends.append(end)
        ends[level] = end
        levels.append(level)
    return levels


def empty_figure(sentence, width_in_=180 / MM_PER_IN):
    """A figure that says why there is nothing to draw, for those who cannot see it as well."""
    size = pyplot.rcParams["font.size"]
    figure, axes = pyplot.subplots(figsize=(width_in_, 0.15 * size), layout="constrained")
    axes.axis("off")
    axes.text(0.5, 0.5, wrapped(sentence, width_in_), ha="center", va="center")
    figure.set_label(sentence)
    return figure


def draw_or_say_why(module, results, *size):
    """Figure and numbers of a module, and why it could not be drawn; a fault costs one figure."""
    try:
        return *module.draw(results, *size), ""
    except Exception as fault:
        # whatever it is, it stands in the log, in the figure and in figures/undrawn.tsv
        logging.exception("%s could not be drawn", module.TITLE)
        reason = f"{type(fault).__name__}: {fault}"
        figure = empty_figure(f"This figure could not be drawn: {reason}")
        return figure, pd.DataFrame({"reason": [reason]}), reason


def freeze_layout(figure, title):
    """Lay a figure out once, the title of the study below it.

    Rounded, because the solver of the layout leaves last bits that change from one process to the
    next.
    """
    below_in = 0.14 * pyplot.rcParams["font.size"] / 8
    share = below_in / figure.get_figheight()
    small = {"fontsize": "xx-small", "color": "#555555"}
    figure.text(0.995, 0.25 * share, title, ha="right", va="bottom", **small)
    engine = figure.get_layout_engine()
    engine.set(rect=(0, share, 1, 1 - share))
    engine.execute(figure)
    keep_ticks_apart(figure)
    figure.set_layout_engine(None)
    for part in figure.subfigs:
        part.bbox_relative.set_points(part.bbox_relative.get_points().round(5))
    for text in [text for part in (figure, *figure.subfigs) for text in part.texts]:
        text.set_position([round(at, 5) for at in text.get_position()])
    for axes in figure.axes:
        axes.set_position([round(bound, 5) for bound in axes.get_position().bounds])


def keep_ticks_apart(figure):
    """Fewer even ticks below panels in which their numbers meet."""
    for axes in figure.axes:
        for most in (4, 3, 2, 1):
            locator = axes.xaxis.get_major_locator()
            if not isinstance(locator, ticker.MaxNLocator) or ticks_are_apart(axes):
                break
            locator.set_params(nbins=most, min_n_ticks=1)


def ticks_are_apart(axes):
    """Whether no number below a panel meets the next."""
    # brings the ticks up to date as well
    axes.xaxis.get_majorticklabels()
    low, high = axes.get_xlim()
    shown = [
        tick.label1.get_window_extent()
        for tick in axes.xaxis.get_major_ticks()
        if low <= tick.get_loc() <= high and tick.label1.get_visible() and tick.label1.get_text()
    ]
    gap_px = TICK_GAP_PT * axes.figure.get_dpi() / 72
    return all(near.x1 + gap_px < far.x0 for near, far in pairwise(shown))


def save(figure, *paths, title, heading, alt, png_dpi):
    """Write a figure in the form of each path with its heading and what it shows; no dates.

    paths : files with suffix .svg, .pdf or .png
    title : of the study, printed below the figure
    heading, alt : name of the figure and what it shows in words, for those who cannot see it
    """
    freeze_layout(figure, title)
    draw_many_marks_as_picture(figure)
    said = {"heading": heading, "alt": alt}
    svg = svg_of(figure, **said, dpi=PICTURE_DPI)
    pyplot.close(figure)
    for path in paths:
        if path.suffix == ".svg":
            path.write_text(svg, encoding="utf-8")
        elif path.suffix == ".pdf":
            path.write_bytes(pdf_of(svg, **said))
        else:
            path.write_bytes(png_of(svg, **said, dpi=png_dpi))


def draw_many_marks_as_picture(figure):
    """Marks of a study of many people as pixels, as thousands of them cannot be told apart."""
    for axes in figure.axes:
        marks = sum(len(line.get_xdata()) for line in axes.lines)
        for drawn_together in axes.collections:
            vertices = sum(len(path.vertices) for path in drawn_together.get_paths())
            is_lines = isinstance(drawn_together, LineCollection)
            marks += vertices if is_lines else len(drawn_together.get_offsets())
        if marks > MOST_MARKS:
            axes.set_rasterization_zorder(_MARKS_BELOW)


def alt_text(figure, module, numbers):
    """What a figure shows and what is seen in its numbers; of an empty one, why it is empty."""
    if figure.get_label():
        return f"Nothing is drawn. {figure.get_label()}"
    finding = module.finding(numbers) if hasattr(module, "finding") else ""
    return " ".join(filter(None, [module.ALT, finding]))
