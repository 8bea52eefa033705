"""Files of recorders, opened once and read only; what cannot be opened is a ReadingError."""

from __future__ import annotations

from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path

from recordings.recording import ReadingError
from study.outside import LARGEST_RECORDING_BYTES, OutsideFile, Refused, open_outside

# a description beside a recording is read by people
LARGEST_DESCRIPTION_BYTES = 1_000_000


def open_raw(path: Path, study: Path | None) -> OutsideFile:
    """A file that a row of recordings.tsv names, as it stands on the disk.

    `study`: the folder that it lies in with all links resolved; None is its own folder. Raises
    ReadingError for a file that is not there, empty or refused unread, OSError for one that may not
    be read.
    """
    with _faults_in_words():
        state = path.stat()
        if path.is_file() and not state.st_size:
            todo = "copy it from the recorder again"
            raise ReadingError("", "an empty file (0 bytes)", "a recording", todo)
        return _opened(path, study or path.parent, (state.st_mtime_ns, state.st_size))


def open_description(path: Path, study: Path | None) -> OutsideFile:
    """The description that lies beside a recording, opened as `open_raw` does."""
    with _faults_in_words():
        return open_outside(path, study or path.parent, LARGEST_DESCRIPTION_BYTES)


@contextmanager
def _faults_in_words():
    """What the door refuses, as a ReadingError."""
    try:
        yield
    except FileNotFoundError:
        raise ReadingError(
            "", "no such file", "a file", "correct `file` in recordings.tsv"
        ) from None
    except Refused as fault:
        raise ReadingError("", fault.seen, fault.allowed, fault.todo) from None


def unfolded(file: OutsideFile) -> bytes:
    """Bytes of a file without gzip. Raises ReadingError for a damaged or unbounded one."""
    with _faults_in_words():
        return file.unfolded()


# the channels of a file are read one after another; one that was written again is opened again
@lru_cache(maxsize=1)
def _opened(path, study, _):
    return open_outside(path, study, LARGEST_RECORDING_BYTES)


def forget_opened() -> None:
    """Give back the memory of the file that was opened last, and of what was made of it."""
    _opened.cache_clear()
