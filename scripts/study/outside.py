"""The one door for files of a study: regular, inside the study, of a bounded size, never written.

A file is judged before its first byte is read, with all links resolved, so that a pipe, a device or
a link out of the study cannot hold up a run or bring foreign text into it.
"""

import errno
import hashlib
import os
import stat
import zlib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

# a table of 30,000 visits is smaller by ten times; a person writes settings by hand
LARGEST_TABLE_BYTES = 200_000_000

LARGEST_SETTINGS_BYTES = 1_000_000

# a day of eight channels at 1000 Hz in 16 bits
LARGEST_RECORDING_BYTES = 1_500_000_000

# text takes several times its size in memory; eight hours of a channel at 1000 Hz are 300 MB
LARGEST_UNFOLDED_BYTES = 500_000_000

_UNFOLDED_AT_ONCE = 1 << 20
GZIP_BEGINS = b"\x1f\x8b"


class Refused(Exception):
    """A file that is not read: what was found, what is allowed and what to do, all text."""

    def __init__(self, seen, allowed, todo):
        super().__init__(f"{seen}; allowed: {allowed}; {todo}")
        self.seen = seen
        self.allowed = allowed
        self.todo = todo


@dataclass(frozen=True, eq=False)
class OutsideFile:
    """Bytes of a file as they were read once, and their checksum."""

    path: Path
    content: bytes
    _made: dict = field(default_factory=dict, repr=False)

    @cached_property
    def sha256(self):
        """SHA-256 of the bytes, 64 hexadecimal digits."""
        return hashlib.sha256(self.content).hexdigest()

    def once(self, make, *arguments):
        """What `make(file, *arguments)` gives, made once and forgotten with the file."""
        key = make, arguments
        if key not in self._made:
            self._made[key] = make(self, *arguments)
        return self._made[key]

    def unfolded(self, largest_bytes=None):
        """The bytes without gzip, where the file is folded; never more than `largest_bytes`.

        Raises Refused for a damaged file and for one that unfolds to more.
        """
        largest_bytes = largest_bytes or LARGEST_UNFOLDED_BYTES
        if self.content.startswith(GZIP_BEGINS):
            return _unfolded(self.content, largest_bytes)
        if len(self.content) > largest_bytes:
            raise _too_large(len(self.content), largest_bytes)
        return self.content


def open_outside(path, folder, largest_bytes):
    """A file of a study, read whole and read only. Raises Refused, or OSError of the system.

    `folder` is the study; the file lies inside of it with all links resolved.
    """
    size = refuse_outside(path, folder, largest_bytes)
    # a pipe that took the place of the file meanwhile does not hold up the run
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
    with os.fdopen(descriptor, "rb") as opened:
        _refuse_kind(os.fstat(descriptor).st_mode)
        content = opened.read(largest_bytes + 1)
    if len(content) > largest_bytes:
        raise _too_large(max(size, len(content)), largest_bytes)
    return OutsideFile(Path(path), content)


def refuse_outside(path, folder, largest_bytes):
    """Size of a file in bytes, judged without reading it. Raises Refused, or OSError."""
    try:
        resolved = Path(path).resolve(strict=True)
    except (RuntimeError, OSError) as fault:
        # from Python 3.13 on the error of the system itself
        if isinstance(fault, OSError) and fault.errno != errno.ELOOP:
            raise
        raise Refused(
            "is a link that leads back to itself", "a file", "put the file itself in its place"
        ) from None
    except ValueError:
        raise Refused("is no path", "the path of a file", "correct the path") from None
    if not resolved.is_relative_to(Path(folder).resolve()):
        raise Refused(
            "lies outside of the study folder",
            "a file inside of it, also where a link leads",
            "copy the file into the study",
        )
    state = resolved.stat()
    _refuse_kind(state.st_mode)
    if state.st_size > largest_bytes:
        raise _too_large(state.st_size, largest_bytes)
    return state.st_size


def _refuse_kind(mode):
    kinds = {
        stat.S_IFDIR: "is a folder",
        stat.S_IFIFO: "is a pipe",
        stat.S_IFSOCK: "is a socket",
        stat.S_IFCHR: "is a device",
        stat.S_IFBLK: "is a device",
    }
    if not stat.S_ISREG(mode):
        kind = kinds.get(stat.S_IFMT(mode), "is no regular file")
        raise Refused(kind, "a regular file", "put the file itself in its place")


def _too_large(size, largest_bytes):
    return Refused(
        f"holds {_in_mb(size)} MB",
        f"up to {_in_mb(largest_bytes)} MB",
        "see whether it is the file that is meant, or split it",
    )


def _in_mb(size):
    return f"{size / 1e6:.4g}"


def _unfolded(content, largest_bytes):
    parts, length = [], 0
    while content:
        # one gzip file may hold several, one after another
        unfolding = zlib.decompressobj(wbits=31)
        piece, content = content, b""
        while piece and not unfolding.eof:
            try:
                parts.append(unfolding.decompress(piece, _UNFOLDED_AT_ONCE))
            except zlib.error as fault:
                raise _damaged(fault) from None
            length += len(parts[-1])
            if length > largest_bytes:
                raise Refused(
                    f"unfolds to more than {_in_mb(largest_bytes)} MB",
                    f"up to {_in_mb(largest_bytes)} MB unfolded",
                    "see whether it is the file that is meant, or split it",
                )
            piece = unfolding.unconsumed_tail
        if not unfolding.eof:
            raise _damaged("it ends within its content")
        content = unfolding.unused_data.lstrip(b"\0")
        if content and not content.startswith(GZIP_BEGINS):
            raise _damaged("other bytes follow its content")
    return b"".join(parts)


def _damaged(fault):
    return Refused(
        f"damaged or cut off: {fault}", "a whole gzip file", "copy the file again from the recorder"
    )
