"""What figures share: size, colours and marks of the conditions, and saving to the same bytes."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import matplotlib
import numpy as np
import pyarrow.parquet as pq
from matplotlib import pyplot, ticker

from recordings.store import read_stretches
from report.sentences import as_decided
from results.tables import read_table, read_tables
from study.session_sheet import events_of, table_of
from study.settings import DrawFigures, Protocol

matplotlib.use("Agg")

WIDTH_IN = 180 / 25.4

# dark, distinct under every common colour-vision deficiency, told apart by marks as well
COLOURS = ("#000000", "#D55E00", "#004488", "#117733", "#882255", "#666666")

MARKS = ("o", "s", "^", "D", "v", "P")

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


@dataclass(frozen=True)
class FigureChoices:
    """Settings that figures ask for: their own, those of the protocol and of the study."""

    figures: DrawFigures
    protocol: Protocol
    conditions: list[str]
    primary: list[tuple[str, str]]


class FigureData:
    """Results and study tables as figures ask for them, each read at most once."""

    def __init__(self, files, study, settings):
        self._files = [Path(file) for file in files]
        self._study = study
        self.settings = settings

    def _all(self, folder, suffix):
        return [f for f in self._files if f.parent.name == folder and f.name.endswith(suffix)]

    def _table(self, name):
        (path,) = [file for file in self._files if file.name == f"{name}.tsv"]
        return read_table(path)

    @cached_property
    def outcomes(self):
        return self._table("outcomes")

    @cached_property
    def contrasts(self):
        """Contrasts with the result that decides in the main columns."""
        return as_decided(self._table("contrasts"))

    @cached_property
    def sensitivity(self):
        return self._table("sensitivity")

    @cached_property
    def diagnostics(self):
        return self._table("diagnostics")

    @cached_property
    def alternatives(self):
        return self._table("alternatives")

    @cached_property
    def events(self):
        return events_of(self._study)

    @cached_property
    def sessions(self):
        return table_of(self._study, "sessions")

    def beats(self, participant):
        """Beat table of a participant."""
        return read_tables([f for f in self._all("beats", ".tsv") if f.stem == participant])

    def saturation(self, participant):
        """Cleaned saturation and haemoglobin of a participant."""
        (path,) = [
            f for f in self._all("signals", ".parquet") if f.stem == f"{participant}_oxygenation"
        ]
        return pq.read_table(path).to_pandas()

    def stretches(self, participant, signals):
        """Signals of a participant as recorded, on the session clock."""
        (path,) = [f for f in self._all("signals", ".parquet") if f.stem == participant]
        return read_stretches(path, signals)

    @property
    def participants(self):
        """Everybody whose signals were read."""
        return [
            f.stem for f in self._all("signals", ".parquet") if not f.stem.endswith("_oxygenation")
        ]

    @property
    def conditions(self):
        return self.settings.conditions

    @property
    def primary_outcomes(self):
        """(outcome, window) of each primary outcome."""
        return self.settings.primary

    def look_of(self, condition):
        """Colour and mark of a condition."""
        n = self.conditions.index(condition) % len(COLOURS)
        return {"color": COLOURS[n], "marker": MARKS[n]}


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
    figure.set_layout_engine("none")
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
