"""Every bout of one person as a point: outcomes below each other, a panel for each exercise."""

from report.drawn import INK, condition_mark, frame, label_at, legend, picture
from results.words import words_of

PANEL, HEIGHT, LEFT, TOP, GAP = 250, 92, 46, 62, 26


def across_bouts(panel_rows, exercises, conditions, failed, *, said):
    """Points in the order done, joined within a condition; a ring around a set to failure.

    rows : (label, table, band) of each outcome: exercise, condition, event and value of every set,
        and limits to be shaded, or None
    failed : events of the sets to failure
    said : what a reader who cannot see the picture is told
    """
    present = [
        c for c in conditions if any((table["condition"] == c).any() for _, table, _ in panel_rows)
    ]
    shapes = legend(present, conditions, LEFT)
    if failed:
        x = LEFT + sum(34 + 7 * len(str(c)) for c in present) + 6
        shapes += [_ring(x, 10), label_at(x + 12, 14, "to failure")]
    for m, exercise in enumerate(exercises):
        middle = LEFT + m * PANEL + (PANEL - 24) / 2
        shapes.append(label_at(middle, 40, words_of(exercise), anchor="middle"))
    for n, (label, table, band) in enumerate(panel_rows):
        y = TOP + n * (HEIGHT + GAP)
        limits = _limits(table["value"], band)
        shapes.append(label_at(2, y - 8, label))
        for m, exercise in enumerate(exercises):
            of_exercise = table[table["exercise"] == exercise]
            box = (LEFT + m * PANEL, y, PANEL - 24, HEIGHT)
            shapes += _panel(
                of_exercise, present, conditions, failed, box, limits, band, numbered=m == 0
            )
    bottom = TOP + len(panel_rows) * (HEIGHT + GAP) - GAP
    return picture(LEFT + PANEL * len(exercises), bottom + 4, shapes, said)


def _limits(levels, band):
    low, high = float(levels.min()), float(levels.max())
    pad = 0.12 * (high - low or max(abs(high), 1.0))
    low, high = low - pad, high + pad
    return (min(low, band[0]), max(high, band[1])) if band else (low, high)


def _panel(sets, present, conditions, failed, box, limits, band, *, numbered):
    x, _, width, _ = box
    shapes, up = frame(box, limits, band, numbered=numbered)
    # a place for every set and a free one between conditions
    in_order = [of_condition for c in present if len(of_condition := sets[sets["condition"] == c])]
    step = width / max(sum(len(of_condition) for of_condition in in_order) + len(in_order) - 1, 1)
    at = x + step / 2
    for of_condition in in_order:
        points = [(at + step * k, up(level)) for k, level in enumerate(of_condition["value"])]
        at += step * (len(of_condition) + 1)
        corners = " ".join(f"{a:.1f},{b:.1f}" for a, b in points)
        shapes.append(
            f'<polyline points="{corners}" fill="none" stroke="#8d9a97" stroke-width="0.8"/>'
        )
        for (a, b), event in zip(points, of_condition["event"], strict=True):
            shapes.append(condition_mark(a, b, of_condition["condition"].iloc[0], conditions))
            if event in failed:
                shapes.append(_ring(a, b))
    return shapes


def _ring(x, y):
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="none" stroke="{INK}"/>'
