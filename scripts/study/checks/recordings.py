"""Recordings: files that exist, marks of the clock, and each signal of one session only."""

import difflib
import filecmp
import re
from collections import Counter
from contextlib import suppress

from study.outside import LARGEST_RECORDING_BYTES, Refused, refuse_outside


def check_files_and_marks(study, problems):
    """Every file is there, and gives a mark for each sync event of its session."""
    recordings = study.tables["recordings"]
    marks_in_session = Counter(
        (row.participant_id, row.session_id)
        for row in study.tables["events"]
        if row.trial_type == "sync"
    )
    named = {study.folder / row.file for row in recordings}
    for row in recordings:
        row_named = f"row {row.row_number}"
        path = study.folder / row.file
        fault = _fault_of(path, study, row, named)
        if fault:
            problems.add("recordings.tsv", f"{row_named}, column file", f"{row.file} {fault}")
        marks = len(row.sync_marks())
        expected = marks_in_session[row.participant_id, row.session_id]
        if marks and marks != expected and "events" not in problems.unread_tables:
            problems.add(
                "recordings.tsv",
                f"{row_named}, column sync_marks_s",
                f"{marks} marks, the session has {expected} sync events; give one for each",
            )


def _fault_of(path, study, row, named):
    """Why the file of a row cannot be read and what to do, judged unread; empty where it can."""
    try:
        size = refuse_outside(path, study.folder, LARGEST_RECORDING_BYTES)
    except FileNotFoundError:
        meant = _file_meant(path, row, named, study.tables["participants"])
        if meant:
            return f"does not exist; did you mean '{meant.relative_to(study.folder)}'?"
        return (
            "does not exist; copy the file there, correct the path, or take out the row of a "
            "signal that was not recorded"
        )
    except Refused as fault:
        return str(fault)
    except OSError as fault:
        return f"cannot be opened ({fault.strerror}); correct the path, or see who may read it"
    return "" if size else "is empty (0 bytes); copy it from the recorder again"


def check_one_session_each(study, problems):
    """A column of a file, or a file without named columns, belongs to one session of one person.

    A copy under another name counts as the same file.
    """
    recordings = study.tables["recordings"]
    claims = {}
    for row, same in zip(recordings, _same_files(study.folder, recordings), strict=True):
        visit = (row.participant_id, row.session_id)
        earlier = claims.setdefault(same, {})
        for (participant, session), claimed in earlier.items():
            shared = any(
                c.channel == row.channel or None in (c.channel, row.channel) for c in claimed
            )
            if (participant, session) != visit and shared:
                first = claimed[0]
                copied = f" (the same content as {first.file})" if first.file != row.file else ""
                problems.add(
                    "recordings.tsv",
                    f"row {row.row_number}, column file",
                    f"{row.file}{copied} is named for {' '.join(visit)} and, in row "
                    f"{first.row_number}, for {participant} {session}; name each session's own "
                    "file, or in channel its own column of the file",
                )
        earlier.setdefault(visit, []).append(row)


def _same_files(folder, recordings):
    """For every row the first named file of the same content.

    Bytes are read only where files are of one size; recordings of one length often are.
    """
    # what is refused is told as such
    sizes = {}
    for name in {row.file for row in recordings}:
        with suppress(Refused, OSError):
            path = folder / name
            sizes[path.resolve()] = refuse_outside(path, folder, LARGEST_RECORDING_BYTES)
    paths = [_resolved(folder / row.file) for row in recordings]
    of_size = Counter(sizes.values())
    alike, first = {}, {}
    for path in paths:
        # empty files are told as such
        if path not in first and (size := sizes.get(path)):
            parts = _parts(path, size) if of_size[size] > 1 else None
            of_same_parts = alike.setdefault((size, parts), [])
            first[path] = next(
                (p for p in of_same_parts if filecmp.cmp(p, path, shallow=False)), path
            )
            of_same_parts.append(path)
        yield first.get(path, path)


def _resolved(path):
    try:
        return path.resolve()
    except (RuntimeError, OSError):
        return path


_PART_BYTES = 4096


def _parts(path, size):
    """Bytes from the middle and the end of a file: where two recordings of one device differ."""
    with path.open("rb") as file:
        file.seek(size // 2)
        middle = file.read(_PART_BYTES)
        file.seek(max(size - _PART_BYTES, 0))
        return middle, file.read(_PART_BYTES)


def _file_meant(path, row, named, participants):
    """The file that a row probably means instead of one that does not exist, or None.

    It lies in the same folder, no row names it, and its name holds no other person's label. Names
    with the labels of the person and the session come first, then the nearest in spelling.
    """
    if not path.parent.is_dir():
        return None
    other_people = {p.participant_id for p in participants} - {row.participant_id}
    free = {
        p.name: p
        for p in sorted(path.parent.iterdir())
        if p.is_file() and p not in named and not any(_carries(p.name, q) for q in other_people)
    }
    of_person = [name for name in free if _carries(name, row.participant_id)]
    of_visit = [name for name in of_person if _carries(name, row.session_id)]
    for names in (of_visit, of_person, list(free)):
        near = difflib.get_close_matches(path.name, names, 1)
        if near:
            return free[near[0]]
    return None


def _carries(name, label):
    return re.search(rf"{label}(?![A-Za-z0-9])", name) is not None
