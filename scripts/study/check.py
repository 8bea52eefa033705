"""Check a whole study before anything runs: every table and every file of a recorder is opened.

python3.11 scripts/launch.py check path/to/study

All faults are told at once, those of one cause together. A run begins with the same check, for the
files that changed since the last one.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path
from urllib.parse import quote

from engine.code import SCRIPTS
from results.words import counted, in_words
from study.files import raw_files
from study.loading import load_study
from study.problems import Problems, StudyError
from study.rows import read_table

# faults of one cause that are named with their place; the others are counted
NAMED_OF_A_CAUSE = 3

# a number, and what stands within quotes, differ between two faults of one cause
_DETAIL = re.compile(r"'[^']*'|\d+(?:[.,:]\d+)*")


# what tells the command that a run asks, with its own settings on standard input
BEFORE_A_RUN = "--before-a-run"


def main(words):
    """The command: exit status 0 where a run may begin."""
    before_a_run = BEFORE_A_RUN in words
    folders = [word for word in words if word != BEFORE_A_RUN]
    if len(folders) != 1:
        sys.exit(__doc__.strip())
    began = time.monotonic()
    config = json.load(sys.stdin) if before_a_run else {"study": folders[0]}
    study, text = checked_tables(config)
    faults, timed = faults_of_files(Path(folders[0]), study)
    if text or faults:
        sys.exit("\n".join(filter(None, [text, *by_cause(faults)])))
    if not before_a_run:
        print(summary(study, timed, time.monotonic() - began))
    remember_checked(study)


def check_before_run(study, config):
    """Open the files of a study where anything changed since they were in order; for the Snakefile.

    `config` is Snakemake's. Faults are printed and end no run: it goes on without the people
    concerned, and the report says so. Another process does it, because what reads recordings would
    stay in memory through the whole run.
    """
    if not changed_since_checked(study):
        return
    command = [sys.executable, "-m", "study.check", BEFORE_A_RUN, str(study.folder)]
    path = os.pathsep.join([str(SCRIPTS), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        command,
        input=json.dumps(dict(config), default=str),
        env=os.environ | {"PYTHONPATH": path},
        capture_output=True,
        text=True,
    )
    if done.returncode:
        print(done.stderr.rstrip(), file=sys.stderr)
        print(
            "The run goes on; whom these faults concern is left out and named in the report. "
            "Ctrl-C stops it, to mend them first.",
            file=sys.stderr,
        )


def checked_tables(config):
    """The study, and the problems of its tables and settings as text; one of the two is empty."""
    try:
        return load_study(config), ""
    except StudyError as problem:
        return None, str(problem)


def faults_of_files(folder, study):
    """Faults of the files that recordings.tsv names, and what was read of each person.

    Without a study, whose tables have faults, each file is opened by itself.
    """
    if study is None:
        return _faults_of_each_file(folder), []
    from recordings.agreement import checked_clocks
    from recordings.reading import read_person

    faults, timed = [], []
    for participant in study.participants:
        try:
            read = read_person(study.folder, participant, study.settings.read_recordings)
        except StudyError as fault:
            faults += separate(str(fault))
            continue
        compared = checked_clocks(read.timed)
        for row, _, clock in read.timed:
            number = row.row_number
            timed.append((row, clock, read.series.unused.get(number), compared.get(number, "")))
    return faults, timed


def _faults_of_each_file(folder):
    from recordings.declared import declared_by
    from recordings.readers.any_file import read_recording
    from recordings.reading import each_once, fault_in_words
    from recordings.recording import ReadingError

    path = folder / "recordings.tsv"
    faults = []
    for row in read_table(path, Problems()) if path.exists() else []:
        # a file that does not exist or is empty is told with the tables
        path = folder / row.file
        if path.is_file() and path.stat().st_size:
            try:
                read_recording(path, declared_by(row.model_dump(), row.overruled))
            except (ReadingError, OSError) as fault:
                faults.append((row, fault_in_words(row.file, fault)))
    return separate(each_once(faults)) if faults else []


def separate(text):
    """Faults of a text that tells several, each with its further lines."""
    return re.split(r"\n(?=recordings\.tsv, rows? )", text)


def by_cause(faults):
    """Faults, those of one cause behind each other and, beyond the first three, as a count."""
    causes = {}
    for fault in faults:
        cause = _DETAIL.sub("#", fault.split(": ", 2)[-1])
        causes.setdefault(cause, []).append(fault)
    lines = []
    if faults:
        files = counted(len(faults), "fault")
        lines.append(f"{files} of recordings, {counted(len(causes), 'cause')}:")
    for of_cause in causes.values():
        lines.append("  " + of_cause[0].replace("\n", "\n  "))
        alike = [_where(fault) for fault in of_cause[1:]]
        shown = alike[:NAMED_OF_A_CAUSE]
        if len(alike) > len(shown):
            shown.append(f"{len(alike) - len(shown)} more")
        if shown:
            lines.append(f"    the same in {in_words(shown)}")
    return lines


def _where(fault):
    """Row and file of a fault, without what it says."""
    return ": ".join(fault.split(": ", 2)[:2]).removeprefix("recordings.tsv, ")


def summary(study, timed, seconds):
    """What was found in order, and what a person should know before the run."""
    if not study.participants:
        return "\n".join([study.planned(), *study.notes().splitlines()])
    visits = {(row.participant_id, row.session_id) for row, *_ in timed}
    files = {row.file for row, *_ in timed}
    lines = [
        f"{study.folder}: {counted(len(study.participants), 'participant')}, "
        f"{counted(len(visits), 'visit')}, {counted(len(files), 'file')} opened in "
        f"{seconds:.1f} s: a run may begin."
    ]
    lines += study.notes().splitlines()
    n_compared = sum(bool(compared) for *_, compared in timed)
    if n_compared:
        lines.append(
            f"{counted(n_compared, 'recording')} compared with another recorder of the visit, "
            f"{sum(compared.startswith('flagged') for *_, compared in timed)} of them in doubt."
        )
    flagged = {}
    for row, clock, unused, compared in timed:
        status = compared if compared.startswith("flagged") else clock.status
        said = f"not used: {unused}" if unused else status
        if unused or status.startswith("flagged"):
            flagged.setdefault(_DETAIL.sub("#", said), []).append((row, said))
    for of_cause in flagged.values():
        row, said = of_cause[0]
        further = counted(len(of_cause) - 1, "further recording")
        lines.append(
            f"Note: recordings.tsv, row {row.row_number}: {said}"
            + (f" (and {further})." if len(of_cause) > 1 else ".")
        )
    return "\n".join(lines)


def changed_since_checked(study):
    """Whether tables, settings or files changed since they were last in order."""
    remembered = _remembered(study)
    return not remembered.exists() or remembered.read_text(encoding="utf-8") != _state_of(study)


def remember_checked(study):
    """Remember, beside the notes of the workflow engine, that a study was in order."""
    remembered = _remembered(study)
    remembered.parent.mkdir(parents=True, exist_ok=True)
    remembered.write_text(_state_of(study), encoding="utf-8")


def _remembered(study):
    return Path(".snakemake") / "checked" / quote(str(study.folder.resolve()), safe="")


def _state_of(study):
    """Names, sizes and times of everything that a check opens, as a digest."""
    files = [*map(Path, study.table_files()), *raw_files(study.folder, study.tables["recordings"])]
    states = [(str(path), path.stat().st_size, path.stat().st_mtime_ns) for path in files]
    return hashlib.sha256(json.dumps(states).encode()).hexdigest()


if __name__ == "__main__":
    main(sys.argv[1:])
