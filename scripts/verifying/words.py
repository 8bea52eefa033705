"""What two sets of results have in common and what moved, in sentences and tables."""

from recordings.writing import write_rows
from results.words import counted

# of moved numbers, on the screen and in a certificate; --moved writes them all
MOST_SHOWN = 40


def summary(comparison, tolerance):
    """How many cells are equal, equal within the tolerance, or moved; which files differ."""
    lines = [
        f"{comparison.equal:,} cells of tables are equal, {comparison.within:,} more within a "
        f"relative tolerance of {tolerance:g}; {len(comparison.moved):,} moved."
    ]
    if comparison.files:
        names = [f"{file} ({what})" for file, what in sorted(comparison.files.items())]
        further = f" and {len(names) - 10} more" if len(names) > 10 else ""
        lines.append(f"Files that are no tables and differ: {', '.join(names[:10])}{further}.")
    return lines


def by_cause(moved, causes):
    """Moved cells by the causes behind their files, those of most cells first."""
    groups = {}
    for cell in moved:
        groups.setdefault(tuple(causes.of(cell.file)), []).append(cell)
    return sorted(groups.items(), key=lambda group: (-len(group[1]), group[0]))


def because(reasons, cells):
    """The sentence over a group of moved cells."""
    these = f"These {counted(len(cells), 'cell')} moved"
    if len(cells) == 1:
        these = "This cell moved"
    if not reasons:
        return f"{these}, and neither inputs, settings, code nor software say why."
    return f"{these} because of: {'; '.join(reasons)}."


def lines_of(cells):
    """Moved cells, a line each: place, labels, old, new."""
    shown = [
        f"{cell.file}{f', row {cell.row}' if cell.row else ''}, {cell.column}"
        f"{f' ({cell.labels})' if cell.labels else ''}: {cell.old}, now {cell.new}"
        for cell in cells[:MOST_SHOWN]
    ]
    further = len(cells) - MOST_SHOWN
    return shown + ([f"and {further:,} more"] if further > 0 else [])


def write_moved(comparison, causes, path):
    """Every moved cell with its causes as a table."""
    lines = [["file", "row", "labels", "column", "old", "new", "because"]]
    for cell in comparison.moved:
        reasons = "; ".join(causes.of(cell.file)) or "n/a"
        row = str(cell.row) if cell.row else "n/a"
        lines.append([cell.file, row, cell.labels, cell.column, cell.old, cell.new, reasons])
    write_rows(lines, path)
