"""Two sets of results side by side: every cell equal, equal within a tolerance, or moved."""

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from results.manifest import NAME, NAMES_TIMES, sha256_of
from results.tables import lines_of

# tables have six significant digits, of which another kind of processor may move the last
TOLERANCE = 2e-5

# what rounding leaves of nothing
SMALLEST = 1e-12

# columns that say what a row is of; what stands in the others may move
LABELS = frozenset(
    (
        *("participant_id", "session_id", "visit", "event_id", "trial_type", "exercise"),
        *("condition", "bout", "window", "outcome", "contrast", "scale", "part", "method", "term"),
        *("formula", "alternative", "analysis", "level", "unit", "setting", "sequence", "rule"),
        *("signal", "file", "channel", "site", "side", "position", "segment", "scope", "limb"),
        *("posture", "name"),
    )
)

TABLES = (".tsv", ".tsv.gz")

# what a run says of itself stands in the manifest and is a cause, no result
NOT_COMPARED = ("logs", "provenance")


@dataclass(frozen=True)
class Moved:
    """A cell that differs; a row that only one table has is a cell of the column `row`."""

    file: str
    row: int | None
    labels: str
    column: str
    old: str
    new: str


@dataclass
class Comparison:
    """What two folders of results have in common and what moved.

    equal, within : numbers of cells that are equal, and equal within the tolerance
    moved : cells that are neither
    files : files that are no tables and differ, or that only one folder has, each with what it is
    """

    equal: int = 0
    within: int = 0
    moved: list = field(default_factory=list)
    files: dict = field(default_factory=dict)

    @property
    def same(self):
        """Whether nothing moved and no file differs."""
        return not self.moved and not self.files


def compare_results(old, new, tolerance=TOLERANCE):
    """Compare two folders of results, file by file and cell by cell."""
    old, new, comparison = Path(old), Path(new), Comparison()
    files = _files(old) | _files(new)
    for file in sorted(files):
        first, second = old / file, new / file
        if not (first.exists() and second.exists()):
            comparison.files[file] = "only in the first" if first.exists() else "only in the second"
        elif sha256_of(first) == sha256_of(second):
            comparison.equal += _count_cells(first)
        elif file.endswith(TABLES):
            compare_tables(first, second, file, comparison, tolerance)
        else:
            comparison.files[file] = "other bytes"
    return comparison


def _files(folder):
    paths = (path.relative_to(folder) for path in folder.rglob("*") if path.is_file())
    return {
        path.as_posix()
        for path in paths
        if path.parts[0] not in NOT_COMPARED
        and not any(part.startswith(".") for part in path.parts)
        and path.as_posix() not in (NAME, *NAMES_TIMES)
    }


def _count_cells(path):
    if not path.name.endswith(TABLES):
        return 0
    header, records = read_cells(path)
    return len(header) * len(records)


def read_cells(path):
    """Header and rows of a result table as text."""
    with lines_of(Path(path)) as lines:
        header, *records = [line.rstrip("\n").split("\t") for line in lines] or [[]]
    return header, records


def compare_tables(first, second, file, comparison, tolerance=TOLERANCE):
    """Add the cells of two tables to a comparison; rows are paired by what they are of."""
    (old_columns, old_rows), (new_columns, new_rows) = read_cells(first), read_cells(second)
    shared = [column for column in old_columns if column in new_columns]
    labels = [column for column in shared if column in LABELS]
    old_by_key = _rows_by_labels(old_columns, old_rows, labels)
    new_by_key = _rows_by_labels(new_columns, new_rows, labels)
    for column in [name for name in (*old_columns, *new_columns) if name not in shared]:
        had = "column" if column in old_columns else "no column"
        has = "column" if column in new_columns else "no column"
        comparison.moved.append(Moved(file, None, "", column, had, has))
    for key in old_by_key | new_by_key:
        said = ", ".join(label for label in key[:-1] if label != "n/a")
        if key not in old_by_key or key not in new_by_key:
            number, _ = old_by_key.get(key) or new_by_key[key]
            here = ("present", "absent") if key in old_by_key else ("absent", "present")
            comparison.moved.append(Moved(file, number, said, "row", *here))
            continue
        (_, old), (number, new) = old_by_key[key], new_by_key[key]
        for column in shared:
            if old[column] == new[column]:
                comparison.equal += 1
            elif is_close(old[column], new[column], tolerance):
                comparison.within += 1
            else:
                comparison.moved.append(Moved(file, number, said, column, old[column], new[column]))


def _rows_by_labels(columns, records, labels):
    """(row of the spreadsheet, cells by column) by labels and the number among equal ones."""
    times, by_key = Counter(), {}
    for number, row in enumerate(records, start=2):
        cells = dict(zip(columns, row, strict=True))
        labelled = tuple(cells[label] for label in labels)
        times[labelled] += 1
        by_key[*labelled, times[labelled]] = (number, cells)
    return by_key


def is_close(old, new, tolerance=TOLERANCE):
    """Whether two cells are numbers that agree within a relative tolerance."""
    try:
        first, second = float(old), float(new)
    except ValueError:
        return False
    return abs(first - second) <= max(tolerance * max(abs(first), abs(second)), SMALLEST)
