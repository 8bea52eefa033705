"""Studies damaged in one place each, and whether each is refused, or read as if it were whole.

Every case says what must come of it. `refused`: a message that names the place; `identical`: the
same rows as those of the whole study. Anything else is a fault: a damage that is accepted
(`accepted`), a refusal of what is sound (`refused a sound study`), a traceback, a raw file that
changed. Run `launch.py benchmark damaged_studies`; the same seed gives the same cases.
"""

import random
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from engine.command_line import parser_of
from results.manifest import sha256_of
from study.loading import Study
from study.problems import StudyError
from study.tables import TABLES

WRITTEN = ("participants", "sessions", "occlusion", "recordings", "events")
NO_NUMBERS = ("1_000", "nan", "1e999", "12;5", "0x10", "--", "1 000", "٣", "=1+1")
ODD_LABELS = ("sub 01", "sub-01!", "../sub-01", "sub-{x}", "'; rm -rf", "sub-" + "a" * 240)
CONTROL_SIGNS = ("\0", "\x1b", "\x07", "\x0b")
ODD_FILES = ("/etc/hostname", "..", "raw", "raw/none.txt", "raw/{x}.txt", "raw/" + "x" * 300)

ODD_SETTINGS = (
    "study: &a\n  title: *a\n",
    "study:\n  title: !!python/name:os.system\n",
    "? [a, b]\n: 3\n",
    "study:\n  no: x\n",
    "study:\n  seed: .nan\n",
    "study:\n  conditions: [a, a]\n",
    "study:\n  title: for {x}\n",
    "protocol:\n  failure_band_pct: [15.0, 0.0]\n",
    "protocol:\n  slowest_cadence_hz: 9.0\n",
    "measure_outcomes:\n  resampling_hz: 1000000.0\n",
    "measure_outcomes:\n  low_frequency_hz: [0.04, 0.5]\n",
    "read_recordings:\n  largest_drift_ppm: .inf\n",
    "find_beats:\n  detector: none such\n",
    "study: [\n",
    "just text",
)

# none and too many events, in seconds
ODD_TIMES = {"duration_s": ("0", "-1", "1e9", "1e-9"), "onset_s": ("1e308", "-1e9", "inf")}


@dataclass(frozen=True)
class Case:
    """A damage: what it does to a study folder, and what must come of it."""

    name: str
    damage: Callable[[Path], None]
    expected: str


class Cells:
    """A table of a study as cells; row 0 is the header."""

    def __init__(self, path):
        self.path = path
        self.rows = [line.split("\t") for line in path.read_text("utf-8").splitlines()]

    def write(self, ends="\n", start=""):
        text = ends.join("\t".join(row) for row in self.rows) + ends
        self.path.write_bytes((start + text).encode())


def cases(study):
    """All cases of a whole study, in a fixed order."""
    for table in WRITTEN:
        cells = Cells(study / f"{table}.tsv")
        yield from _of_form(table, cells)
        for at, column in enumerate(cells.rows[0]):
            for row in range(1, len(cells.rows)):
                yield from _of_cell(table, cells, row, at, column)
    for number, text in enumerate(ODD_SETTINGS):
        yield Case(f"study.yaml {number}", _writes("study.yaml", text), "refused")


def _of_form(table, cells):
    def rewritten(change, **how):
        def damage(study):
            damaged = Cells(study / f"{table}.tsv")
            change(damaged)
            damaged.write(**how)

        return damage

    def nothing(damaged):
        pass

    def blank_rows(damaged):
        damaged.rows += [[""], ["", ""]]

    def columns_turned(damaged):
        damaged.rows = [row[::-1] for row in damaged.rows]

    def spaces(damaged):
        damaged.rows = [[f" {cell} " for cell in row] for row in damaged.rows]

    def empty_columns(damaged):
        damaged.rows = [[*row, "", ""] for row in damaged.rows]

    for name, change in {
        "blank rows": blank_rows,
        "columns turned": columns_turned,
        "spaces": spaces,
        "empty columns": empty_columns,
    }.items():
        yield Case(f"{table}, {name}", rewritten(change), "identical")
    for ends in ("\r\n", "\r"):
        yield Case(f"{table}, ends {ends!r}", rewritten(nothing, ends=ends), "identical")
    yield Case(f"{table}, mark", rewritten(nothing, start="\ufeff"), "identical")
    for row in range(1, len(cells.rows)):

        def quoted(damaged, row=row):
            damaged.rows = [[*cells_of, "n/a"] for cells_of in damaged.rows]
            damaged.rows[0][-1] = "remark_of_mine"
            damaged.rows[row][-1] = '"felt heavy'

        yield Case(f"{table}, row {row + 1} opens a quotation", rewritten(quoted), "identical")

        def twice(damaged, row=row):
            damaged.rows.append(list(damaged.rows[row]))

        if table not in ("occlusion",) and "sync" not in cells.rows[row]:
            yield Case(f"{table}, row {row + 1} twice", rewritten(twice), "refused")

        def longer(damaged, row=row):
            damaged.rows[row] += ["one", "more"]

        yield Case(f"{table}, row {row + 1} longer", rewritten(longer), "refused")


def _of_cell(table, cells, row, at, column):
    field = TABLES[table].model_fields.get(column)
    written = cells.rows[row][at]
    if field is None:
        return

    def with_value(text):
        def damage(study):
            damaged = Cells(study / f"{table}.tsv")
            damaged.rows[row][at] = text
            damaged.write()

        return damage

    cell = f"{table}, row {row + 1}, {column}"
    for sign in CONTROL_SIGNS:
        yield Case(f"{cell} with {sign!r}", with_value(written + sign + "1"), "refused")
    yield Case(f"{cell} too long", with_value("9" * 20_000), "refused")
    if field.is_required():
        yield Case(f"{cell} empty", with_value(""), "refused")
    if "float" in str(field.annotation) or "int" in str(field.annotation):
        for text in NO_NUMBERS:
            yield Case(f"{cell} = {text}", with_value(text), "refused")
    if column in ("participant_id", "session_id"):
        for text in ODD_LABELS:
            yield Case(f"{cell} = {text[:20]}", with_value(text), "refused")
    if column == "file":
        for text in ODD_FILES:
            yield Case(f"{cell} = {text[:20]}", with_value(text), "refused")
    trial_type = cells.rows[row][cells.rows[0].index("trial_type")] if table == "events" else ""
    if trial_type in ("set", "baseline", "recovery"):
        for text in ODD_TIMES.get(column, ()):
            yield Case(f"{cell} = {text}", with_value(text), "refused")


def _writes(name, text):
    return lambda study: (study / name).write_text(text, encoding="utf-8")


def outcome_of(case, whole, sound_rows, folder):
    """What came of one case: its expected class, or the fault in words."""
    study = folder / "study"
    shutil.rmtree(study, ignore_errors=True)
    study.mkdir(parents=True)
    for path in whole.iterdir():
        if path.is_file():
            shutil.copyfile(path, study / path.name)
    (study / "raw").mkdir()
    for path in (whole / "raw").iterdir():
        (study / "raw" / path.name).hardlink_to(path)
    case.damage(study)
    try:
        read = rows_of_study(Study(study))
    except StudyError as fault:
        text = str(fault)
        named = ".tsv, row" in text or "study.yaml" in text or ".tsv" in text
        came = "refused" if named else "refused without a place"
    except Exception as fault:  # noqa: BLE001 a traceback is what is looked for
        came = f"traceback {type(fault).__name__}"
    else:
        came = "identical" if read == sound_rows else "accepted"
    return came


def rows_of_study(study):
    """All rows of all tables, whatever their order and whatever a study keeps beside them."""
    return {
        name: sorted(
            str(sorted((k, v) for k, v in row.model_dump().items() if k in type(row).model_fields))
            for row in of_table
        )
        for name, of_table in study.tables.items()
    }


def run_cases(whole, n=None, seed=1):
    """(counts of what came of the cases, (name, fault) of each that went wrong).

    `whole`: a sound study; `n` cases drawn with a seed, all where it is None.
    """
    chosen = list(cases(whole))
    if n is not None and n < len(chosen):
        chosen = random.Random(seed).sample(chosen, n)
    before = checksums(whole)
    sound_rows = rows_of_study(Study(whole))
    counts, faults = Counter(), []
    with tempfile.TemporaryDirectory() as folder:
        for case in chosen:
            came = outcome_of(case, whole, sound_rows, Path(folder))
            counts[came] += 1
            if came != case.expected:
                faults.append((case.name, came))
    if checksums(whole) != before:
        faults.append(("raw files", "changed"))
    return counts, faults


def checksums(study):
    return {path.name: sha256_of(path) for path in (study / "raw").iterdir()}


def main():
    parser = parser_of("benchmark damaged_studies", __doc__)
    parser.add_argument("study", type=Path, help="a small sound study; it is copied, never changed")
    parser.add_argument("--cases", type=int, help="so many, drawn with a seed; all without it")
    words = parser.parse_args()
    counts, faults = run_cases(words.study, words.cases)
    for came, n in sorted(counts.items()):
        print(f"{n:6d} {came}")
    for name, came in faults:
        print(f"  {name}: {came}")


if __name__ == "__main__":
    main()
