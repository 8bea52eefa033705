"""Texts that no spreadsheet takes for a formula, and back; light, unlike what reads tables."""

import re

# what a spreadsheet carries out, and the same made neutral
_FORMULA = re.compile(r"'*[=+\-@]")

NEUTRAL = re.compile(r"'+[=+\-@]")

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def in_one_line(text):
    """A text as a cell: single spaces, neutral for a spreadsheet, `n/a` where empty."""
    return neutral(" ".join(text.split())) if text else "n/a"


def neutral(text):
    """A text that no spreadsheet takes for a formula: an apostrophe stands before its sign.

    Numbers stay as they are. `as_meant` takes the apostrophe away.
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def as_meant(text):
    """A text as it was before `neutral`."""
    return text[1:] if NEUTRAL.match(text) else text
