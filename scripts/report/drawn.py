"""Small pictures of the first screen as SVG: intervals on a scale, an outcome across conditions.

Everything is drawn with attributes, because the policy of the page allows no style in an element.
"""

import math
import textwrap
from dataclasses import dataclass

from markupsafe import Markup, escape

from results.condition_marks import colour_and_mark
from results.words import words_of

INK, QUIET, SHADE, BAND = "#1c2a33", "#56646d", "#e3e8e6", "#f3d9cf"

# two pictures stand side by side on a screen of 1280 px; a letter of 12 px, at most, in px
WIDTH, LETTER = 462, 7


@dataclass(frozen=True)
class IntervalScale:
    """A strip for each difference, to stand in the row of its numbers, and the axis below them."""

    strips: list[Markup]
    axis: Markup


def interval_scale(parts, *, ratio, smallest):
    """Differences with their intervals on one scale, no difference and the smallest effect marked.

    parts : (estimate, low, high) of each difference, from top to bottom
    ratio : whether they are ratios, drawn on a logarithmic scale
    smallest : smallest effect that matters, NaN or None where none was stated
    """
    to_scale = math.log if ratio else float
    neutral = to_scale(1.0) if ratio else 0.0
    matters = None
    if smallest is not None and not math.isnan(smallest):
        size = abs(math.log(smallest)) if ratio else smallest
        matters = (neutral - size, neutral + size)
    drawn = [[to_scale(figure) for figure in part] for part in parts]
    ends = [neutral, *(figure for part in drawn for figure in part), *(matters or ())]
    low, high = min(ends), max(ends)
    pad = 0.06 * (high - low or 1.0)
    low, high = low - pad, high + pad
    width, row, margin = 224, 22, 10

    def across(figure):
        return margin + (width - 2 * margin) * (figure - low) / (high - low)

    behind = [straight(across(neutral), 0, across(neutral), row, QUIET, dashed=True)]
    if matters:
        x, end = (across(figure) for figure in matters)
        behind.insert(
            0, f'<rect x="{x:.1f}" y="0" width="{end - x:.1f}" height="{row}" fill="{SHADE}"/>'
        )
    strips = [
        beside_its_words(width, row, [*behind, *_interval(*map(across, part), row / 2)])
        for part in drawn
    ]
    shapes = [straight(margin, 0.5, width - margin, 0.5, INK)]
    for figure in ticks(low, high, ratio=ratio):
        x = across(to_scale(figure))
        shapes += [
            straight(x, 0, x, 4, INK),
            label_at(x, 15, f"{figure:g}", anchor="middle", size=11),
        ]
    return IntervalScale(strips, beside_its_words(width, row, shapes))


def _interval(estimate, low, high, y):
    return [
        straight(low, y, high, y, INK, width=2),
        f'<rect x="{estimate - 3.5:.1f}" y="{y - 3.5}" width="7" height="7" fill="{INK}"/>',
    ]


def across_conditions(cells, conditions, *, said, label, band=None):
    """An outcome across conditions, a panel for each exercise: everybody thin, the mean marked.

    cells : exercise, condition, participant_id and value, a row for each
    band : (low, high) to be shaded, or None
    """
    exercises = list(dict.fromkeys(cells["exercise"]))
    present = [c for c in conditions if (cells["condition"] == c).any()]
    in_row = min(len(exercises), 4)
    height, left_px = 130, 36
    panel = min(160, (WIDTH - left_px) // in_row)
    low, high = float(cells["value"].min()), float(cells["value"].max())
    if band:
        low, high = min(low, band[0]), max(high, band[1])
    pad = 0.05 * (high - low or 1.0)
    low, high = (low if band and low == band[0] else low - pad), high + pad
    shapes, top, needed = _headed(label, present, conditions)
    names = [textwrap.wrap(words_of(name), panel // LETTER) for name in exercises]
    below = 12 + 14 * max(map(len, names))
    for n, exercise in enumerate(exercises):
        x = left_px + panel * (n % in_row)
        y = top + (height + below) * (n // in_row)
        shapes += _panel(
            cells[cells["exercise"] == exercise],
            present,
            conditions,
            box=(x, y, panel - 10, height),
            limits=(low, high),
            band=band,
            numbered=n % in_row == 0,
        )
        shapes += [
            label_at(x + (panel - 10) / 2, y + height + 16 + 14 * m, line, anchor="middle")
            for m, line in enumerate(names[n])
        ]
    n_rows = math.ceil(len(exercises) / in_row)
    width = max(left_px + panel * in_row, needed)
    return picture(width, top + (height + below) * n_rows, shapes, said)


def _headed(label, present, conditions):
    """What is drawn and the marks of the conditions, on one line where they fit.

    Gives shapes, where the panels begin and how wide the picture must be, in px.
    """
    beside = LETTER * len(label) + 20
    marks_wide = sum(34 + LETTER * len(str(condition)) for condition in present)
    one_line = beside + marks_wide <= WIDTH
    x, y = (beside, 10) if one_line else (0, 28)
    shapes = [label_at(0, 14, label), *legend(present, conditions, x, y)]
    return shapes, y + 16, max(x + marks_wide, beside)


def _panel(cells, present, conditions, *, box, limits, band, numbered):
    x, _, width, _ = box
    step = width / len(present)
    x_of = {condition: x + step * (n + 0.5) for n, condition in enumerate(present)}
    shapes, up = frame(box, limits, band, numbered=numbered)
    for _, of_person in cells.groupby("participant_id"):
        by_condition = of_person.set_index("condition")["value"]
        points = [f"{x_of[c]:.1f},{up(by_condition[c]):.1f}" for c in present if c in by_condition]
        if len(points) > 1:
            shapes.append(
                f'<polyline points="{" ".join(points)}" fill="none" stroke="#8d9a97" '
                'stroke-width="0.8"/>'
            )
        else:
            at = points[0].split(",")
            shapes.append(f'<circle cx="{at[0]}" cy="{at[1]}" r="1.6" fill="#8d9a97"/>')
    means = cells.groupby("condition")["value"].mean()
    for condition in present:
        if condition in means:
            shapes.append(
                condition_mark(x_of[condition], up(means[condition]), condition, conditions)
            )
    return shapes


def frame(box, limits, band, *, numbered):
    """Axes of a panel with the band to be shaded, and where a value stands in it.

    `box`: left, top, width and height in px; `limits` of the values; `band` or None; `numbered`:
    whether numbers stand beside the ticks. Gives shapes, and a function of a value to its y in px.
    """
    x, y, width, height = box
    low, high = limits

    def up(level):
        return y + height * (high - level) / (high - low)

    shapes = []
    if band:
        shapes.append(
            f'<rect x="{x}" y="{up(band[1]):.1f}" width="{width}" '
            f'height="{up(band[0]) - up(band[1]):.1f}" fill="{BAND}"/>'
        )
    shapes.append(straight(x, y, x, y + height, INK))
    shapes.append(straight(x, y + height, x + width, y + height, INK))
    for level in ticks(low, high):
        shapes.append(straight(x - 4, up(level), x, up(level), INK))
        if numbered:
            shapes.append(label_at(x - 7, up(level) + 4, f"{level:g}", anchor="end", size=11))
    return shapes, up


def legend(present, conditions, left_px, y=10):
    """The mark and name of each condition, from `left_px` on around the height `y`, in px."""
    shapes, x = [], left_px
    for condition in present:
        shapes += [
            condition_mark(x + 6, y, condition, conditions),
            label_at(x + 16, y + 4, condition),
        ]
        x += 34 + LETTER * len(str(condition))
    return shapes


def condition_mark(x, y, condition, conditions):
    """The mark of a condition, centred."""
    colour, mark = colour_and_mark(condition, conditions)
    r = 5.0
    corners = {
        "s": [(-r, -r), (r, -r), (r, r), (-r, r)],
        "^": [(0, -r - 1), (r + 1, r), (-r - 1, r)],
        "v": [(0, r + 1), (r + 1, -r), (-r - 1, -r)],
        "D": [(0, -r - 1), (r + 1, 0), (0, r + 1), (-r - 1, 0)],
        "P": [
            *((-2, -r), (2, -r), (2, -2), (r, -2), (r, 2), (2, 2)),
            *((2, r), (-2, r), (-2, 2), (-r, 2), (-r, -2), (-2, -2)),
        ],
    }.get(mark)
    around = 'stroke="#ffffff" stroke-width="1"'
    if corners is None:
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r}" fill="{colour}" {around}/>'
    points = " ".join(f"{x + dx:.1f},{y + dy:.1f}" for dx, dy in corners)
    return f'<polygon points="{points}" fill="{colour}" {around}/>'


def ticks(low, high, *, ratio=False):
    """Three to six round numbers within the limits, which are logarithms of ratios."""
    if ratio:
        even = [math.exp(limit) for limit in (low, high)]
        candidates = [r / 10 for r in range(1, 10)] + [1, 1.2, 1.5, 2, 3, 5, 10, 20, 50]
        inside = [r for r in candidates if even[0] <= r <= even[1]]
        while len(inside) > 6:
            inside = [r for n, r in enumerate(inside) if r == 1 or n % 2 == inside.index(1) % 2]
        if len(inside) > 1:
            return inside
        # so close to no difference that round ratios are equally far from each other
        low, high = even
    rough = (high - low) / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = min((factor * power for factor in (1, 2, 5, 10)), key=lambda size: abs(size - rough))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(n * step, 10) + 0.0 for n in range(first, last + 1)]


def straight(x1, y1, x2, y2, colour, *, width=1, dashed=False):
    dashes = ' stroke-dasharray="3 3"' if dashed else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" '
        f'stroke-width="{width}"{dashes}/>'
    )


def label_at(x, y, text, *, anchor="start", size=12):
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{INK}" '
        f'text-anchor="{anchor}">{escape(str(text))}</text>'
    )


def picture(width, height, shapes, said):
    return Markup(  # noqa: S704 its parts are escaped where they are drawn
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'aria-label="{escape(said)}">{"".join(shapes)}</svg>'
    )


def beside_its_words(width, height, shapes):
    """A drawing of numbers that stand as text in the same row, passed over by screen readers."""
    return Markup(  # noqa: S704 its parts are numbers
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" '
        f'aria-hidden="true">{"".join(shapes)}</svg>'
    )
