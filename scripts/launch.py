#!/usr/bin/env python3.11
"""Set up the locked environment once, then run the workflow or the tests.

python3.11 scripts/launch.py                  the demo study, to results/data_demo/report.html
python3.11 scripts/launch.py path/to/study    your own, to results/study/report.html
python3.11 scripts/launch.py tests            all tests
python3.11 scripts/launch.py demo -n          what follows goes to snakemake, or to pytest

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
PYTHON = ENVIRONMENT / "bin" / "python"
LOCK = PROJECT / "requirements.lock"


def main(words):
    if sys.version_info[:2] != (3, 11):
        sys.exit(f"Python 3.11 is needed, this is {sys.version.split()[0]}: use python3.11.")
    if words and words[0] in ("-h", "--help"):
        print(__doc__.strip())
        return
    command = command_of(*(words or ["demo"]))
    set_up_environment()
    os.chdir(PROJECT)
    os.environ["PATH"] = f"{PYTHON.parent}{os.pathsep}{os.environ['PATH']}"
    os.execv(PYTHON, [str(PYTHON), "-m", *command])


def command_of(what, *more):
    """The module to run and its words, for the demo, the tests or a study folder."""
    if what == "tests":
        return ["pytest", *more]
    profile = ["--cores", "2", "--workflow-profile", "workflow/profiles/default"]
    if what == "demo":
        return ["snakemake", *profile, *more]
    if not Path(what).is_dir():
        sys.exit(f"{what!r} is neither a study folder nor one of: demo, tests.")
    settings = [f"study={os.path.relpath(what, PROJECT)}"]
    if "--config" in more:
        # Snakemake keeps the last --config only
        place = more.index("--config") + 1
        return ["snakemake", *profile, *more[:place], *settings, *more[place:]]
    return ["snakemake", "--config", *settings, *profile, *more]


def set_up_environment():
    """Build .venv from the lock; the stamp is written last, so that a broken set-up starts anew."""
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
    print("Setting up .venv from requirements.lock, once ...", flush=True)
    venv.create(ENVIRONMENT, with_pip=True, clear=True)
    with tempfile.NamedTemporaryFile("w", suffix=".txt") as installer:
        installer.write(locked_lines_of("uv"))
        installer.flush()
        call(PYTHON, "-m", "pip", "install", "--quiet", "--require-hashes", "-r", installer.name)
    call(
        *(PYTHON, "-m", "uv", "pip", "install", "--quiet", "--python", PYTHON),
        *("--require-hashes", "--compile-bytecode", "-r", LOCK),
    )
    stamp.write_text(wanted)


def locked_lines_of(package):
    """The lines of one package in the lock: its version and the hashes that follow."""
    lines = iter(LOCK.read_text().splitlines())
    found = [next(line for line in lines if line.startswith(f"{package}=="))]
    while found[-1].endswith("\\"):
        found.append(next(lines))
    return "\n".join(found) + "\n"


def call(*words):
    if subprocess.run([str(word) for word in words]).returncode:
        sys.exit("The environment could not be set up; the lines above say why. Run it again.")


if __name__ == "__main__":
    main(sys.argv[1:])
