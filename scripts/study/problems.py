"""What a person can mend: one error class, and all problems of a study at once."""

import difflib
import re

# more than a person mends at once; the others are counted and come up in the next run
MOST_SHOWN = 20

LONGEST_SHOWN = 80

# a text of more words may be a note that stands in a wrong place, and is not quoted
MOST_WORDS_SHOWN = 3


class StudyError(Exception):
    """Something that a person can mend: where it is, what was found, what to do."""


class Problems:
    """Problems with their places, gathered so that a person sees all of them at once."""

    def __init__(self):
        self._gathered = []
        # values of rows that were refused: what refers to them is not a further problem
        self.refused_rows = {}
        # tables that could not be read at all: nothing is compared with them
        self.unread_tables = set()
        # what is odd and may still be meant
        self.remarks = []
        # where study.yaml states a setting, a study.settings_files.Written once it was read
        self.written = None
        # tables that stand in another form than .tsv, as the file and sheet that a person has
        self.files_named = {}

    def add(self, file, where, message):
        self._gathered.append((file, where, message))

    def add_unknown(self, table, row, column, known, remark=""):
        """A row holds a name that is not among those that its column may hold."""
        name = getattr(row, column)
        names = known if isinstance(known, list) else sorted(filter(None, known))
        allowed = ", ".join(names) or "none declared"
        self.add(
            f"{table}.tsv",
            f"row {row.row_number}, column {column}",
            f"found {shown(name)}, allowed: {allowed}{remark}{did_you_mean(name, names)}",
        )

    def add_setting(self, path, message):
        """A problem of a setting, with its line where study.yaml holds it."""
        where, is_written = self.written.place_of(path, named=2)
        self.add("study.yaml" if is_written else "settings", where, message)

    def add_unread(self, path, where, message):
        """A problem that leaves nothing of a table to be checked."""
        self.add(path.name, where, message)
        self.unread_tables.add(path.stem)

    def stop(self):
        if self._gathered:
            named = [(self.files_named.get(f, f), *rest) for f, *rest in self._gathered]
            lines = _one_line_for_each(named)
            count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
            hidden = len(lines) - MOST_SHOWN
            further = [f"and {hidden} more, shown once these are mended"] if hidden > 0 else []
            shown = [f"{count} to mend before anything runs:", *lines[:MOST_SHOWN], *further]
            raise StudyError("\n  ".join(shown))


def shown(entry):
    """What was found, as a person may look for it; a long one by its beginning, a sentence by its
    number of words: messages reach logs, and notes stay inside."""
    words = len(re.findall(r"[^\W\d_]{2,}", entry)) if isinstance(entry, str) else 0
    if words > MOST_WORDS_SHOWN:
        return f"a text of {words} words"
    text = repr(entry)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]} ..."


def did_you_mean(name, names):
    """The end of a message that asks whether another name was meant; empty where none is near."""
    near = difflib.get_close_matches(str(name), list(names), 1)
    return f"; did you mean {near[0]!r}?" if near else ""


def _one_line_for_each(problems):
    """Problems in order of file and row; the same one in many rows is one line."""
    rows_of_each = {}
    for file, in_file, message in dict.fromkeys(problems):
        row = re.match(r"row (\d+)", in_file)
        rest = in_file[row.end() :] if row else in_file
        rows_of_each.setdefault((file, rest, message), []).append(int(row[1]) if row else None)
    lines = []
    for (file, rest, message), numbers in _values_of_one_cause(rows_of_each).items():
        number = numbers[0]
        in_file = rest if number is None else f"row {number}{rest}"
        if number is None:
            line = re.search(r"\d+", in_file)
            number = int(line[0]) if line else 0
        where = f"{file}, {in_file}" if in_file else file
        lines.append(((file, number), f"{where}: {message}{_further_rows(numbers[1:])}"))
    return [line for _, line in sorted(lines, key=lambda numbered: numbered[0])]


# so many values that a column does not hold are told one by one
_MOST_VALUES = 3

_FOUND = re.compile(r"^found ('[^']*')")


def _values_of_one_cause(rows_of_each):
    """Messages that differ in the value found alone, as one with some of the values."""
    of_cause = {}
    for (file, rest, message), numbers in rows_of_each.items():
        cause = (file, rest, _FOUND.sub("found", message))
        of_cause.setdefault(cause, []).append((message, numbers))
    merged = {}
    for (file, rest, _), told in of_cause.items():
        entries = [match[1] for message, _ in told if (match := _FOUND.match(message))]
        if len(entries) <= _MOST_VALUES:
            merged |= {(file, rest, message): numbers for message, numbers in told}
            continue
        further = ", ".join(entries[1:_MOST_VALUES])
        more = f"{further} and {len(entries) - _MOST_VALUES} others"
        message = _FOUND.sub(lambda match, more=more: f"{match[0]} (and {more})", told[0][0])
        numbered = [number for _, numbers in told for number in numbers]
        merged[file, rest, message] = sorted(numbered, key=lambda number: number or 0)
    return merged


def _further_rows(numbers):
    """The end of a message that holds for further rows of a table."""
    if not numbers:
        return ""
    if len(numbers) > 5:
        return f" (also in {len(numbers)} further rows, the last is row {numbers[-1]})"
    return f" (also in {'row' if len(numbers) == 1 else 'rows'} {', '.join(map(str, numbers))})"
