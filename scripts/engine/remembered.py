"""Which bytes a run left and began from, so that the next start can say what has changed since.

A file whose size, times, place on the disk and change of state are those of the run is taken as
unchanged without being read: a thousand sessions are checked in a tenth of a second. The change of
state (ctime) moves even where a program sets the time of a file back.
"""

import json
import os
from contextlib import suppress
from pathlib import Path

from results.manifest import sha256_of


def state_of(path):
    """Size, times and place of a file as the disk tells them; None where there is none."""
    with suppress(OSError):
        at = Path(path).stat()
        return [at.st_size, at.st_mtime_ns, at.st_ctime_ns, at.st_ino]
    return None


def remembered(paths, known=None):
    """State and checksum of each file that exists, by its path.

    known : what an earlier call gave; a file in the same state is not read again
    """
    known, entries = known or {}, {}
    for path in map(str, paths):
        state = state_of(path)
        if state is None or Path(path).is_dir():
            continue
        if path in known and known[path][0] == state:
            entries[path] = known[path]
        else:
            entries[path] = [state, sha256_of(path)]
    return entries


def changed_since(entries):
    """Paths of files that are gone and of those with other bytes; same bytes renew the state."""
    gone, altered = [], []
    for path, entry in entries.items():
        state = state_of(path)
        if state is None:
            gone.append(path)
        elif state != entry[0]:
            if sha256_of(path) == entry[1]:
                entry[0] = state
            else:
                altered.append(path)
    return gone, altered


def read_notes(path):
    """What was written down beside Snakemake's own notes; empty where nothing was."""
    with suppress(OSError, ValueError):
        return json.loads(Path(path).read_text(encoding="utf-8"))
    return {}


def write_notes(notes, path):
    """Write notes whole, or leave those that stand there."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    written = path.with_name(f".{path.name}.{os.getpid()}")
    written.write_text(json.dumps(notes), encoding="utf-8")
    written.replace(path)
