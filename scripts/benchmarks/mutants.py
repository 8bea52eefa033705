"""Small faults put into the code one by one, and whether the tests nearest to each notice.

python3.11 scripts/launch.py benchmark mutants              all of mutants.tsv
python3.11 scripts/launch.py benchmark mutants --of cuff/   those of files that begin so

A row of mutants.tsv is a fault: a file of scripts/, the tests that should notice, the text that
stands there, what it becomes, and what is then wrong. Each is made in a copy of the project. A
fault that no test notices survives; one whose text is gone from its file is out of date. Both end
in status 1. Needs a system that can fork, as Linux and macOS.
"""

import csv
import importlib
import os
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from engine.command_line import parser_of

PROJECT = Path(__file__).resolve().parents[2]
MUTANTS = Path(__file__).with_name("mutants.tsv")
NOT_COPIED = (".git", ".venv", ".snakemake", "__pycache__", "data_demo", "data_*")

# imported once and shared by every process of tests, which would take a second each to do so
SHARED = ("pytest", "numpy", "pandas", "pyarrow.parquet", "scipy.stats", "scipy.signal", "pydantic")

LONGEST_S = 600.0


@dataclass(frozen=True)
class Mutant:
    """A fault: the only place of `stands` in a file of scripts/ becomes `mutant`."""

    file: str
    tests: str
    stands: str
    mutant: str
    fault: str

    def applied(self, text: str) -> str:
        """The text of the file with the fault; ValueError unless `stands` is there once."""
        if text.count(self.stands) != 1:
            raise ValueError(f"{self.stands!r} stands {text.count(self.stands)} times there")
        return text.replace(self.stands, self.mutant)


def listed(of: str = "") -> list[Mutant]:
    """Mutants of files that begin with `of`, in the order of mutants.tsv."""
    with MUTANTS.open(encoding="utf-8", newline="") as file:
        mutants = csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE)
        return [Mutant(**row) for row in mutants if row["file"].startswith(of)]


def apart(mutants: Iterable[Mutant]) -> tuple[list[Mutant], list[str]]:
    """Mutants that can be made, and what is wrong with the others, a line each."""
    sound, faults = [], []
    for mutant in mutants:
        try:
            mutant.applied((PROJECT / "scripts" / mutant.file).read_text(encoding="utf-8"))
            sound.append(mutant)
        except (OSError, ValueError) as why:
            faults.append(f"{mutant.file}, {mutant.fault}: {why}")
    return sound, faults


def copy_of_project(folder: Path) -> Path:
    """A copy without results; the demo study is that of the project."""
    shutil.copytree(PROJECT, folder, ignore=shutil.ignore_patterns(*NOT_COPIED))
    (folder / "data_demo").symlink_to(PROJECT / "data_demo")
    return folder


def passed(tests: Iterable[str], folder: Path) -> bool:
    """Whether tests pass in a copy of the project; what they print stands in tests.log there."""
    child = os.fork()
    if child == 0:
        os._exit(_tested(list(tests), folder))
    until_s = time.monotonic() + LONGEST_S
    while True:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status) == 0
        if time.monotonic() > until_s:
            # a fault may keep a loop from ending
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return False
        time.sleep(0.02)


def _tested(tests: list[str], folder: Path) -> int:
    """The status of pytest in this process, to which all modules of the project are new."""
    os.setsid()
    os.chdir(folder)
    log = os.open(folder / "tests.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(log, 1)
    os.dup2(log, 2)
    of_project = str(PROJECT / "scripts")
    sys.path[:] = [entry for entry in sys.path if entry not in ("", of_project)]
    for name, module in list(sys.modules.items()):
        # what this program itself imported has no fault in it
        if name != "__main__" and str(getattr(module, "__file__", "")).startswith(of_project):
            del sys.modules[name]
    os.environ["PYTHONPATH"] = str(folder / "scripts")
    sys.dont_write_bytecode = True
    pytest = importlib.import_module("pytest")
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *(f"tests/{t}" for t in tests)]))


def survives(mutant: Mutant, folder: Path) -> bool:
    """Whether the tests nearest to a fault pass with it."""
    path = folder / "scripts" / mutant.file
    before = path.read_text(encoding="utf-8")
    path.write_text(mutant.applied(before), encoding="utf-8")
    try:
        return passed(mutant.tests.split(), folder)
    finally:
        path.write_text(before, encoding="utf-8")


def main() -> None:
    words = parser_of("benchmark mutants", __doc__)
    words.add_argument("--of", default="", help="only files of scripts/ that begin so, as cuff/")
    asked = listed(words.parse_args().of)
    mutants, stale = apart(asked)
    if not mutants:
        sys.exit("No fault of mutants.tsv can be made there.")
    for name in SHARED:
        importlib.import_module(name)
    alive = 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = copy_of_project(Path(temporary) / "project")
        if not passed(sorted({t for m in mutants for t in m.tests.split()}), folder):
            sys.exit("Without any fault: " + (folder / "tests.log").read_text()[-3000:])
        for mutant in mutants:
            lives = survives(mutant, folder)
            alive += lives
            said = "SURVIVED" if lives else "noticed "
            print(f"{said}  {mutant.file}: {mutant.fault}", flush=True)
    print(*(f"OUT OF DATE  {why}" for why in stale), sep="\n")
    print(f"{len(mutants) - alive} of {len(asked)} faults noticed.")
    sys.exit(bool(alive or stale))


if __name__ == "__main__":
    main()
