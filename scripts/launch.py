#!/usr/bin/env python3.11
"""Set up the locked environment once, then run the workflow, the tests or a tool.

python3.11 scripts/launch.py                  the demo study, to results/data_demo/report.html
python3.11 scripts/launch.py path/to/study    your own, to results/study/report.html
python3.11 scripts/launch.py start            a page in the browser to look, check and run
python3.11 scripts/launch.py new FOLDER       begin a study: tables, orders, session sheets (--help)
python3.11 scripts/launch.py practice FOLDER  an invented study with four mistakes, for the tutorial
python3.11 scripts/launch.py gallery FOLDER   the reports of four invented studies on one page
python3.11 scripts/launch.py open-order STUDY sub-01   open the order of conditions of a person
python3.11 scripts/launch.py sheets STUDY     write the session sheets again
python3.11 scripts/launch.py take-in STUDY WORKBOOK    take a filled session sheet into the tables
python3.11 scripts/launch.py look FOLDER      what every file of a folder holds, with proposals
python3.11 scripts/launch.py check STUDY      open every table and every file, tell all faults
python3.11 scripts/launch.py freeze STUDY     write down its plan with date and checksum
python3.11 scripts/launch.py review STUDY     judge recordings at their pages (--blind, --help)
python3.11 scripts/launch.py sample-size      how many people a planned claim needs
python3.11 scripts/launch.py explain RESULTS ROW  where a number comes from, and made again
python3.11 scripts/launch.py verify RESULTS   run the study again and compare every cell
python3.11 scripts/launch.py compare RESULTS RESULTS  what differs between two runs, and why
python3.11 scripts/launch.py what-if RESULTS SECTION.NAME=VALUE  another setting beside the results
python3.11 scripts/launch.py archive RESULTS  a de-identified BIDS dataset of a run (--help)
python3.11 scripts/launch.py twin RESULTS     the same design with simulated recordings, to share
python3.11 scripts/launch.py sentences        everything that the report can say, and when
python3.11 scripts/launch.py tests            all tests
python3.11 scripts/launch.py step NAME        one step alone, as find_beats --help
python3.11 scripts/launch.py pages            write config/SETTINGS.md and results/README.md again
python3.11 scripts/launch.py demo-data        write the recordings of the demo study again
python3.11 scripts/launch.py one-person       write an invented study of one person and one visit
python3.11 scripts/launch.py wheels FOLDER    gather all packages, for a machine without network
python3.11 scripts/launch.py offline FOLDER   set .venv up from such a folder alone
python3.11 scripts/launch.py benchmark NAME   a benchmark, without a name their list

Further words go to what is run: to snakemake (launch.py demo -n), to pytest (launch.py tests -x),
to a tool (launch.py benchmark cost --help).

Only the standard library is needed. The environment lies in .venv and is built again only when
requirements.lock changes.
"""

import hashlib
import os
import subprocess
import sys
import tempfile
import venv
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[1]
ENVIRONMENT = PROJECT / ".venv"
LOCK = PROJECT / "requirements.lock"
SCRIPTS = PROJECT / "scripts"

# the lock resolves to the same versions for each
PYTHONS = ((3, 11), (3, 12), (3, 13))

# words that call a module of scripts/ with the words after them
TOOLS = {
    "start": "serving.start",
    "look": "study.look",
    "new": "study.new",
    "open-order": "study.orders",
    "sheets": "study.session_forms",
    "take-in": "study.take_in",
    "check": "study.check",
    "practice": "demo.practice",
    "gallery": "demo.gallery",
    "freeze": "study.registration",
    "review": "sessions.review",
    "explain": "explaining.explain",
    "verify": "verifying.verify",
    "compare": "verifying.compare",
    "what-if": "verifying.what_if",
    "archive": "archive.build",
    "twin": "archive.twin",
    "sentences": "report.every_sentence",
    "sample-size": "comparison.sample_size",
    "pages": "study.reference_pages",
}

# files beside the steps and the benchmarks that cannot be run by themselves
NO_TOOLS = {"launch", "plain_session", "scoring"}


def python_of(environment, system):
    """Where an environment keeps its Python; `system` as in `os.name`."""
    return environment / ("Scripts/python.exe" if system == "nt" else "bin/python")


PYTHON = python_of(ENVIRONMENT, os.name)


def main(words):
    if sys.version_info[:2] not in PYTHONS:
        sys.exit(f"Python 3.11 to 3.13 is needed, this is {sys.version.split()[0]}.")
    if words and words[0] in ("-h", "--help"):
        print(__doc__.strip())
        return
    if words and words[0] in ("wheels", "offline"):
        of_wheels(*words)
        return
    command = command_of(*(words or ["demo"]))
    set_up_environment()
    os.chdir(PROJECT)
    for name, first in (("PATH", PYTHON.parent), ("PYTHONPATH", SCRIPTS)):
        os.environ[name] = os.pathsep.join(filter(None, [str(first), os.environ.get(name)]))
    # sums of several threads are added in another order; jobs of a run have one as well
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if command[0] == "snakemake":
        os.environ["CUFFSTUDY_PROGRESS"] = "yes"
    words = [str(PYTHON), "-m", *command]
    if os.name == "nt":
        # execv there neither quotes words with blanks nor waits for the end
        sys.exit(subprocess.run(words).returncode)
    os.execv(PYTHON, words)  # noqa: S606 words of the person who calls


def of_wheels(what, *more):
    """Gather what the lock names in a folder, or set up .venv from such a folder alone."""
    if len(more) != 1 or (what == "offline" and not Path(more[0]).is_dir()):
        sys.exit(f"{what} needs one folder: python3.11 scripts/launch.py {what} my_wheels")
    folder = Path(more[0]).resolve()
    if what == "offline":
        set_up_environment(wheels=folder)
        print(".venv is set up.")
        return
    folder.mkdir(parents=True, exist_ok=True)
    pip = [sys.executable, "-m", "pip", "download", "--no-deps", "--require-hashes"]
    call(*pip, "-r", LOCK, "-d", folder)
    print(f"For this kind of machine, set up elsewhere with: launch.py offline {folder.name}")


def command_of(what, *more):
    """The module to run and its words, for a study folder, the demo, the tests or a tool."""
    if what == "tests":
        return ["pytest", *more]
    if what in TOOLS:
        if not more and any(Path(what).glob("study.*")):
            sys.exit(f"{what} is a command and here a study folder as well; run that as ./{what}")
        # named from where the person stands, while all else runs in the project
        # the folder of a new study is not there yet
        named = [before in ("--into", "new", "practice", "gallery") for before in (what, *more)]
        written = [
            is_path and not word.startswith("-") for is_path, word in zip(named, more, strict=False)
        ]
        return [TOOLS[what], *map(from_project, more, written)]
    if what == "demo-data":
        return ["demo.make", *(more or ["--into", "data_demo"])]
    if what == "one-person":
        return ["demo.one_person", *(more or ["--into", "one_person"])]
    if what == "step":
        return named_module(what, SCRIPTS, *more)
    if what == "benchmark":
        return named_module(what, SCRIPTS / "benchmarks", *more)
    profile = ["--cores", "2", "--workflow-profile", "workflow/profiles/default"]
    if what == "demo":
        return ["snakemake", *profile, *more]
    if not Path(what).is_dir():
        sys.exit(
            f"{what!r} is neither a study folder nor one of: demo, tests, {', '.join(TOOLS)}, "
            "step, demo-data, one-person, benchmark."
        )
    settings = [f"study={os.path.relpath(what, PROJECT)}"]
    if "--config" in more:
        # Snakemake keeps the last --config only
        behind_config = more.index("--config") + 1
        return ["snakemake", *profile, *more[:behind_config], *settings, *more[behind_config:]]
    return ["snakemake", "--config", *settings, *profile, *more]


def from_project(word, is_written=False):
    """A folder or file, or one to be written, as it is called from the project; else the word.

    Outside of the project it is called by its whole path, which messages then show.
    """
    if not (is_written or Path(word).exists()):
        return word
    path = Path(word).resolve()
    return os.path.relpath(path, PROJECT) if path.is_relative_to(PROJECT) else str(path)


def named_module(what, folder, name="", *more):
    """The module of a step or a benchmark and its words; ends with all names where it is none."""
    names = sorted({path.stem for path in folder.glob("[!_]*.py")} - NO_TOOLS)
    if name not in names:
        sys.exit(f"{name!r} is no {what}; name one of: {', '.join(names)}.")
    return [".".join([*folder.relative_to(SCRIPTS).parts, name]), *more]


def set_up_environment(wheels=None):
    """Build .venv from the lock; the stamp is written last, so that a broken set-up starts anew.

    `wheels`: a folder that everything is taken from, without a network.
    """
    stamp = ENVIRONMENT / ".lock.sha256"
    wanted = hashlib.sha256(LOCK.read_bytes()).hexdigest()
    if stamp.exists() and stamp.read_text() == wanted:
        return
    if ENVIRONMENT.is_symlink():
        # building anew would empty the folder behind the link, which others may be using
        sys.exit(
            f".venv is a link to {ENVIRONMENT.readlink()} and not built from this lock: "
            "remove the link and run this again, or call .venv/bin/snakemake yourself."
        )
    packages = sum("==" in line for line in LOCK.read_text().splitlines())
    source = f"taken from {wheels}" if wheels else "downloaded from the package index"
    print(
        f"Setting up .venv, once: {packages} packages of requirements.lock are {source} and "
        "checked against their hashes. It takes some minutes and about 1 GB.",
        flush=True,
    )
    offline = ["--no-index", "--find-links", wheels] if wheels else []
    venv.create(ENVIRONMENT, with_pip=True, clear=True)
    with tempfile.TemporaryDirectory() as folder:
        installer = Path(folder) / "installer.txt"
        installer.write_text(locked_lines_of("uv"))
        hashed = ["--require-hashes", *offline]
        call(PYTHON, "-m", "pip", "install", "--quiet", *hashed, "-r", installer)
    call(
        *(PYTHON, "-m", "uv", "pip", "install", "--python", PYTHON),
        *(*hashed, "--no-deps", "--compile-bytecode", "-r", LOCK),
    )
    stamp.write_text(wanted)


def locked_lines_of(package):
    """The lines of one package in the lock: its version and the hashes that follow."""
    lines = iter(LOCK.read_text().splitlines())
    locked = [next(line for line in lines if line.startswith(f"{package}=="))]
    while locked[-1].endswith("\\"):
        locked.append(next(lines))
    return "\n".join(locked) + "\n"


def call(*words):
    if subprocess.run([str(word) for word in words]).returncode:
        sys.exit("The environment could not be set up; the lines above say why. Run it again.")


if __name__ == "__main__":
    main(sys.argv[1:])
