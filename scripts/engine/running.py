"""Whether a run is alive: locks of the system, which vanish with the process that holds them."""

import fcntl
import json
import os
import socket
import sys
from contextlib import contextmanager, suppress
from pathlib import Path

# where the jobs of a run say that they are alive; a job run by hand says nothing
JOBS = "CUFFSTUDY_JOBS"

# beside it, files that stand for what could not be made, until the run ends
EMPTY = "empty"

_held = []


class Running:
    """The lock of one run over one folder of results, and that of its jobs."""

    def __init__(self, folder):
        self._run, self._jobs = Path(folder) / "run", Path(folder) / "jobs"

    def name_jobs(self):
        """Let the jobs of this process know where to say that they are alive."""
        os.environ[JOBS] = str(self._jobs.resolve())

    def alive(self):
        """Process and host of a run at work, in words; empty where there is none."""
        with _open_lock(self._run) as file:
            if _lock(file, fcntl.LOCK_SH | fcntl.LOCK_NB):
                return ""
            return self._holder(file)

    def begin(self):
        """Take the lock until this process ends; the holder in words where another has it.

        Jobs of a run that was killed may still be at work; they are waited for.
        """
        self._run.parent.mkdir(parents=True, exist_ok=True)
        file = self._run.open("a+", encoding="utf-8")
        if not _lock(file, fcntl.LOCK_EX | fcntl.LOCK_NB):
            return self._holder(file)
        _held.append(file)
        file.truncate(0)
        file.write(json.dumps({"process": os.getpid(), "host": socket.gethostname()}))
        file.flush()
        with _open_lock(self._jobs) as jobs:
            if not _lock(jobs, fcntl.LOCK_EX | fcntl.LOCK_NB):
                print(
                    "Note: jobs of a run that was stopped are still at work; waiting for them.",
                    file=sys.stderr,
                    flush=True,
                )
                _lock(jobs, fcntl.LOCK_EX)
        return ""

    def _holder(self, file):
        file.seek(0)
        with suppress(ValueError):
            holder = json.loads(file.read())
            return f"process {holder['process']} on {holder['host']}"
        return "a process that did not give its number"


def hold_as_job():
    """Say that a job is at work, as long as this process lives."""
    if path := os.environ.get(JOBS):
        # a folder that is gone or knows no locks stops no job
        with suppress(OSError):
            file = Path(path).open("a", encoding="utf-8")  # noqa: SIM115 held until the end
            _lock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            _held.append(file)


@contextmanager
def _open_lock(path):
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("a+", encoding="utf-8") as file:
        yield file


def _lock(file, how):
    try:
        fcntl.flock(file, how)
    except BlockingIOError:
        return False
    return True
