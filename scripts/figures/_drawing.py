"""What figures share: size, colours and marks of the conditions, and saving to the same bytes."""

import matplotlib
import numpy as np
from matplotlib import pyplot, ticker

from results import condition_marks

matplotlib.use("Agg")

WIDTH_IN = 180 / 25.4

COLOURS, MARKS = condition_marks.COLOURS, condition_marks.MARKS

# sensors of one session, told apart without colour as well
SENSOR_STYLES = ("-", "--", "-.", ":")

STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 8,
    "axes.titlesize": 9,
    "axes.labelsize": 8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "legend.frameon": False,
    "legend.fontsize": 8,
    "lines.linewidth": 1.0,
    "figure.dpi": 100,
    "savefig.dpi": 200,
    "svg.fonttype": "path",
    "svg.hashsalt": "cuffstudy",
    "pdf.fonttype": 42,
}


def style_of(condition, conditions):
    """Colour and mark of one of the conditions."""
    colour, mark = condition_marks.colour_and_mark(condition, conditions)
    return {"color": colour, "marker": mark}


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
    axes.xaxis.set_major_formatter("{x:.3g}")
    axes.xaxis.set_minor_formatter("")


def mark_failure_band(axes, band_pct):
    """Shade the saturations that are said to mark failure, behind everything else."""
    axes.axhspan(*band_pct, color="#f3d9cf", lw=0, zorder=0)


def empty_figure(sentence):
    """A figure that says why there is nothing to draw."""
    figure, axes = pyplot.subplots(figsize=(WIDTH_IN, 1.2), layout="constrained")
    axes.axis("off")
    axes.text(0.5, 0.5, sentence, ha="center", va="center", wrap=True)
    return figure


def save(figure, svg, pdf, png, title):
    """Write a figure as SVG, PDF and PNG, the study's title below it; no dates, no programs."""
    below_in = 0.14
    share = below_in / figure.get_figheight()
    figure.text(0.995, 0.25 * share, title, ha="right", va="bottom", fontsize=6, color="#555555")
    figure.get_layout_engine().set(rect=(0, share, 1, 1 - share))
    # laid out once, not again for each format; rounded, because the solver of the layout leaves
    # last bits that change from one process to the next
    figure.draw_without_rendering()
    figure.set_layout_engine(None)
    for part in figure.subfigs:
        part.bbox_relative.set_points(part.bbox_relative.get_points().round(5))
    for text in [text for part in (figure, *figure.subfigs) for text in part.texts]:
        text.set_position([round(at, 5) for at in text.get_position()])
    for axes in figure.axes:
        axes.set_position([round(bound, 5) for bound in axes.get_position().bounds])
    figure.savefig(svg, metadata={"Date": None, "Creator": None})
    figure.savefig(pdf, metadata={"CreationDate": None, "Creator": None, "Producer": None})
    figure.savefig(png, metadata={"Software": None})
    pyplot.close(figure)
