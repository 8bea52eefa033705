"""Text of a file: its encoding found or followed, its line ends and signs made plain."""

from __future__ import annotations

import re

from recordings.raw_files import unfolded
from recordings.recording import ReadingError
from recordings.text_cells import NO_SEPARATOR
from study.outside import OutsideFile


def decode(file: OutsideFile, encoding: str | None) -> tuple[str, str]:
    """Text of a plain or gzipped file and the encoding that read it.

    Line ends become `\\n`, blank ends and spaces inside numbers go. Raises ReadingError for an
    encoding that is unknown or does not fit, and for signs that no text holds.
    """
    content = unfolded(file)
    encodings = (encoding,) if encoding else _possible_encodings(content)
    todo = "correct encoding in recordings.tsv"
    for name in encodings:
        try:
            text = _plain(content.decode(name))
        except (LookupError, ValueError) as fault:
            if isinstance(fault, UnicodeError):
                continue
            allowed = "utf-8, utf-16, cp1252, latin-1 or another that Python knows"
            raise ReadingError("encoding", repr(name), allowed, todo) from None
        _refuse_signs(text)
        return text, name
    refusal = f"the text is not {' or '.join(encodings)}"
    raise ReadingError("encoding", refusal, "text in one encoding", todo)


def _refuse_signs(text: str) -> None:
    """The fast parser reads a number on both sides of a NUL as one."""
    for sign, name in (("\0", "NUL"), (NO_SEPARATOR, "a unit separator (U+001F)")):
        at = text.find(sign)
        if at >= 0:
            row = text.count("\n", 0, at) + 1
            todo = "copy the file again from the recorder; if it is damaged there, declare the rest"
            raise ReadingError(f"row {row}", f"holds {name}", "text", todo)


def _possible_encodings(content: bytes) -> tuple[str, ...]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return ("utf-16",)
    if content.startswith(b"\xef\xbb\xbf"):
        return ("utf-8-sig",)
    # UTF-16 without its mark: every second byte of plain numbers is zero.
    head = content[:2000]
    if head[1::2].count(0) > len(head) // 4:
        return ("utf-16-le",)
    if head[0::2].count(0) > len(head) // 4:
        return ("utf-16-be",)
    return ("utf-8", "cp1252", "latin-1")


def _plain(text: str) -> str:
    text = text.removeprefix("\ufeff")
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if not text.isascii():
        text = text.replace("\u2212", "-")
        text = re.sub(r"(?<=\d)[\u00a0\u2009\u202f](?=\d{3})", "", text)
    return text.rstrip("\n")
