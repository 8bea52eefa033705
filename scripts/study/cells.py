"""Cells of a table written as text: lines first, then cells, so that no quote joins two lines."""

import re

# a note of three pages; longer is another file, or the rest of a table
LONGEST_CELL = 10_000

MOST_COLUMNS = 1_000
LONGEST_LINE = 1_000_000

# what no person types into a cell; tab and line ends are no part of one
CONTROL_SIGN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")


class TableFault(Exception):
    """A table that cannot be read as it is written: `where` (row 5, or empty) and `message`."""

    def __init__(self, where, message):
        super().__init__(where, message)
        self.where = where
        self.message = message


def cells_of_text(content, separator="\t"):
    """Cells of every line of a text in UTF-8, header first; line n is row n of the spreadsheet.

    A cell that begins and ends with a quotation mark stands without them, a doubled one within
    counts once; any other quotation mark is part of its cell. Raises TableFault.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableFault("", f"is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if sign := CONTROL_SIGN.search(text):
        raise TableFault(
            f"row {text.count(chr(10), 0, sign.start()) + 1}",
            f"holds the control sign U+{ord(sign[0]):04X}; take it out, or save the table again "
            "from a spreadsheet",
        )
    lines = text.removesuffix("\n").split("\n")
    table = []
    broken_in = None
    for number, line in enumerate(lines, start=1):
        if len(line) > LONGEST_LINE:
            raise TableFault(
                f"row {number}", f"holds {len(line)} signs; up to {LONGEST_LINE} are read in a line"
            )
        cells, is_open = cells_of_line(line, separator)
        if broken_in and _closes(line, separator, len(cells), len(table[0])):
            raise TableFault(
                f"row {broken_in}",
                "a cell goes on over the end of the line; write each cell on one line",
            )
        broken_in = number if is_open else None
        table.append(cells)
    refuse_large(table)
    return table


def cells_of_line(line, separator):
    """Cells of one line without spaces around them, and whether a quotation mark stays open."""
    if '"' not in line:
        return [cell.strip() for cell in line.split(separator)], False
    quoted = re.compile(f' *"((?:[^"]|"")*)" *(?:{re.escape(separator)}|$)')
    cells, is_open, at = [], False, 0
    while at <= len(line):
        in_quotes = quoted.match(line, at)
        if in_quotes:
            cells.append(in_quotes[1].replace('""', '"').strip())
            at = in_quotes.end()
            if not in_quotes[0].endswith(separator):
                break
        else:
            cell, _, _ = line[at:].partition(separator)
            is_open |= cell.lstrip().startswith('"')
            cells.append(cell.strip())
            at += len(cell) + len(separator)
    return cells, is_open


def _closes(line, separator, n_cells, n_columns):
    """Whether a line may be the rest of a cell that the line above began."""
    first_part = line.split(separator)[0].strip()
    return n_cells < n_columns and first_part.endswith('"') and not first_part.startswith('"')


def refuse_large(table):
    """Refuse cells and rows that no table of a study holds. Raises TableFault."""
    for number, cells in enumerate(table, start=1):
        if len(cells) > MOST_COLUMNS and any(cells[MOST_COLUMNS:]):
            raise TableFault(
                f"row {number}", f"holds {len(cells)} cells; up to {MOST_COLUMNS} are read"
            )
        longest = max(map(len, cells), default=0)
        if longest > LONGEST_CELL:
            raise TableFault(
                f"row {number}",
                f"a cell holds {longest} signs; up to {LONGEST_CELL} are read: shorten it",
            )
