"""What a person can mend: one error class, and all problems of a study at once."""

import re

# more than a person mends at once; the others are counted and come up in the next run
MOST_SHOWN = 20


class StudyError(Exception):
    """Something that a person can mend: where it is, what was found, what to do."""


class Problems:
    """Problems with their places, gathered so that a person sees all of them at once."""

    def __init__(self):
        self._found = []
        # values of rows that were refused: what refers to them is not a further problem
        self.refused_rows = {}
        # tables that could not be read at all: nothing is compared with them
        self.unread_tables = set()
        # what is odd and may still be meant
        self.remarks = []

    def add(self, file, place, message):
        self._found.append((file, place, message))

    def add_unread(self, path, place, message):
        """A problem that leaves nothing of a table to be checked."""
        self.add(path.name, place, message)
        self.unread_tables.add(path.stem)

    def stop(self):
        if self._found:
            lines = _one_line_for_each(self._found)
            count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
            hidden = len(lines) - MOST_SHOWN
            further = [f"and {hidden} more, shown once these are mended"] if hidden > 0 else []
            shown = [f"{count} to mend before anything runs:", *lines[:MOST_SHOWN], *further]
            raise StudyError("\n  ".join(shown))


def _one_line_for_each(found):
    """Problems in order of file and row; the same one in many rows is one line."""
    rows_of_each = {}
    for file, place, message in dict.fromkeys(found):
        row = re.match(r"row (\d+)", place)
        rest = place[row.end() :] if row else place
        rows_of_each.setdefault((file, rest, message), []).append(int(row[1]) if row else None)
    lines = []
    for (file, rest, message), rows in rows_of_each.items():
        number = rows[0]
        place = rest if number is None else f"row {number}{rest}"
        if number is None:
            line = re.search(r"\d+", place)
            number = int(line[0]) if line else 0
        where = f"{file}, {place}" if place else file
        lines.append(((file, number), f"{where}: {message}{also_in(rows[1:])}"))
    return [line for _, line in sorted(lines, key=lambda numbered: numbered[0])]


def also_in(rows):
    """The end of a message that holds for further rows of a table."""
    if not rows:
        return ""
    if len(rows) > 5:
        return f" (also in {len(rows)} further rows, the last is row {rows[-1]})"
    return f" (also in {'row' if len(rows) == 1 else 'rows'} {', '.join(map(str, rows))})"
