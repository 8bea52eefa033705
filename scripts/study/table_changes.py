"""Rows added to the tables of a study, and cells changed, in the form that a person keeps them in.

Text keeps its separator, decimal mark, encoding and line ends. In a workbook (.xlsx) only the cells
concerned change; its other sheets, formulas and formats stay. New values stand in the own names of
the study (section `names` of study.yaml).
"""

import csv
import io
import re
import zipfile
from pathlib import PurePosixPath

from study.own_names import COLUMNS_OF, holds_numbers, own_names, renamed, writes_commas
from study.problems import StudyError
from study.table_forms import (
    cells_of_file,
    encoding_of,
    files_of_table,
    separator_of,
    sheet_of_table,
    shown_name,
)
from study.tables import TABLES

MISSING = "n/a"

# what a spreadsheet lays beside a file while it is open there
_OPEN_IN_SPREADSHEET = (".~lock.{}#", "~${}")

_NAMESPACES = {
    "main": "http://schemas.openxmlformats.org/spreadsheetml/2006/main",
    "office": "http://schemas.openxmlformats.org/officeDocument/2006/relationships",
    "package": "http://schemas.openxmlformats.org/package/2006/relationships",
}


class TableChanges:
    """Changes of the tables of a study, gathered first and written together."""

    def __init__(self, study):
        self.study, self.names = study, own_names(study)
        self._contents = {}

    def add_rows(self, name, entries):
        """Rows below the last one of a table: dictionaries of text by column, in our names.

        Gives the table as messages name it. Raises StudyError where it cannot be written to.
        """
        path, header, body = self._table(name)
        columns = list(dict.fromkeys([*header, *(column for row in entries for column in row)]))
        cells = {
            (number, at): row.get(column, MISSING)
            for number, row in enumerate(entries, start=1 + len(body))
            for at, column in enumerate(columns)
        }
        return self._put(path, name, header, columns, cells)

    def change_rows(self, name, meant, entries):
        """Values by column into every row of a table whose cells are those of `meant`."""
        path, header, body = self._table(name)
        columns = list(dict.fromkeys([*header, *entries]))
        wanted = {header.index(c): self._in_own_word(c, text) for c, text in meant.items()}
        cells = {
            (number, columns.index(column)): text
            for number, row in enumerate(body, start=1)
            if all(at < len(row) and row[at] == label for at, label in wanted.items())
            for column, text in entries.items()
        }
        return self._put(path, name, header, columns, cells)

    def write(self):
        """Put every changed file in its place, each written whole beside it before."""
        for path, content in self._contents.items():
            beside = path.with_name(f"{path.name}.new")
            beside.write_bytes(content)
            beside.replace(path)

    def _table(self, name):
        """File of a table, its header in our names, and its rows up to the last filled one."""
        files = files_of_table(self.study, name)
        path = files[0] if files else self.study / f"{name}.tsv"
        _refuse_unwritable(path)
        if path not in self._contents:
            needed = "\t".join(needed_columns(TABLES[name])) + "\n"
            self._contents[path] = path.read_bytes() if files else needed.encode()
        cells, _ = cells_of_file(path, name, self._contents[path])
        while len(cells) > 1 and not any(cells[-1]):
            cells.pop()
        header = renamed(cells[0], TABLES[name], self.names)
        while header and not header[-1]:
            header.pop()
        return path, header, cells[1:]

    def _in_own_word(self, column, text):
        """A label as the tables of the study write it."""
        for part, columns in COLUMNS_OF.items():
            if column in columns:
                words = {ours: word for word, ours in self.names.labels.get(part, {}).items()}
                return words.get(text, text)
        return text

    def _put(self, path, name, header, columns, cells):
        """Cells by (row, column), both from 0, and new columns into the content of a file."""
        cells = {at: self._in_own_word(columns[at[1]], text) for at, text in cells.items()}
        cells |= {(0, at): columns[at] for at in range(len(header), len(columns))}
        content = self._contents[path]
        if path.suffix == ".xlsx":
            sheet = sheet_of_table(path, name, content)
            self._contents[path] = changed_workbook(content, sheet, cells)
            return shown_name(path, name)
        there, is_local = cells_of_file(path, name, content)
        model = TABLES[name]
        if writes_commas(header, there[1:], model, self.names, is_local=is_local):
            cells = {
                (row, at): text.replace(".", ",") if holds_numbers(model, columns[at]) else text
                for (row, at), text in cells.items()
            }
        self._contents[path] = changed_text(content, there, cells, path.suffix)
        return shown_name(path, name)


def needed_columns(model):
    """Columns that a table cannot do without."""
    fields = model.model_fields
    return [c for c, declared in fields.items() if declared.is_required() or c in model.needed]


def _refuse_unwritable(path):
    if path.suffix == ".ods":
        raise StudyError(
            f"{path.name}: a table in .ods is read and not written to; save it as "
            f"{path.with_suffix('.xlsx').name} in its place, then take the sheet in again"
        )
    beside = [path.with_name(pattern.format(path.name)) for pattern in _OPEN_IN_SPREADSHEET]
    if any(lock.exists() for lock in beside):
        raise StudyError(
            f"{path.name}: is open in a spreadsheet, which would write over the new rows; close it "
            "there, then take the sheet in again"
        )


def changed_text(content, there, cells, suffix):
    """A table of text with some cells changed, in its encoding and with its line ends.

    `there`: its cells; `cells`: new ones by (row, column), both from 0.
    """
    grid = [list(row) for row in there]
    while grid and not any(grid[-1]):
        grid.pop()
    for (row, column), text in sorted(cells.items()):
        grid += [[] for _ in range(row + 1 - len(grid))]
        grid[row] += [MISSING] * (column + 1 - len(grid[row]))
        grid[row][column] = re.sub(r"[\t\r\n]", " ", text)
    encoding = encoding_of(content, suffix)
    before = content.decode(encoding)
    ends = "\r\n" if "\r\n" in before else "\n"
    text = io.StringIO(newline="")
    table = csv.writer(text, delimiter=separator_of(before, suffix), lineterminator=ends)
    table.writerows(grid)
    if suffix == ".csv" and before.isascii() and not text.getvalue().isascii():
        # without its mark a spreadsheet would take it for the encoding of the country
        encoding = "utf-8-sig"
    try:
        return text.getvalue().encode(encoding)
    except UnicodeEncodeError:
        return text.getvalue().encode("utf-8-sig")


def changed_workbook(content, sheet, cells):
    """A workbook (.xlsx) with some cells of a sheet changed; everything else as it was.

    `cells`: new text by (row, column), both from 0; a number is written as one.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        part = _part_of_sheet(packed, sheet)
        written = io.BytesIO()
        with zipfile.ZipFile(written, "w") as changed:
            for entry in packed.infolist():
                old = packed.read(entry)
                new = _changed_sheet(old, cells) if entry.filename == part else old
                changed.writestr(entry, new)
    return written.getvalue()


def _xml(content):
    from lxml import etree

    # a workbook is outside text: nothing that it names is fetched or unfolded
    return etree.fromstring(content, etree.XMLParser(resolve_entities=False, no_network=True))


def _part_of_sheet(packed, sheet):
    book = _xml(packed.read("xl/workbook.xml"))
    (element,) = (s for s in book.iterfind(".//main:sheet", _NAMESPACES) if s.get("name") == sheet)
    wanted = element.get(f"{{{_NAMESPACES['office']}}}id")
    relations = _xml(packed.read("xl/_rels/workbook.xml.rels"))
    for relation in relations.iterfind("package:Relationship", _NAMESPACES):
        if relation.get("Id") == wanted:
            return str(PurePosixPath("/xl") / relation.get("Target")).removeprefix("/")
    raise StudyError(f"the workbook names a sheet {sheet!r} that it does not hold; save it again")


def _changed_sheet(content, cells):
    from lxml import etree

    root = _xml(content)
    for stated in root.iterfind("main:dimension", _NAMESPACES):
        root.remove(stated)
    body = root.find("main:sheetData", _NAMESPACES)
    row_elements = _numbered(body, "row", lambda r: int(r) - 1)
    for (row, column), text in sorted(cells.items()):
        if row not in row_elements:
            row_elements[row] = _put_in_order(body, "row", row, row_elements, str(row + 1))
        row_elements[row].set("r", str(row + 1))
        row_elements[row].attrib.pop("spans", None)
        of_row = _numbered(row_elements[row], "c", _column_number)
        name = f"{_column_letters(column)}{row + 1}"
        cell = of_row.get(column)
        if cell is None:
            cell = _put_in_order(row_elements[row], "c", column, of_row, name)
        _fill(cell, text)
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def _numbered(parent, tag, number_of):
    """Children by their number from 0; one without a reference follows the one before it."""
    numbered, at = {}, -1
    for child in parent.iterfind(f"main:{tag}", _NAMESPACES):
        at = number_of(child.get("r")) if child.get("r") else at + 1
        numbered[at] = child
    return numbered


def _put_in_order(parent, tag, number, numbered, reference):
    from lxml import etree

    for at, child in numbered.items():
        # one without a reference is counted, which a new one before it would alter
        child.set("r", child.get("r") or _reference(parent, tag, at))
    new = etree.Element(f"{{{_NAMESPACES['main']}}}{tag}", r=reference)
    before = [child for at, child in sorted(numbered.items()) if at < number]
    if before:
        before[-1].addnext(new)
    else:
        parent.insert(0, new)
    return new


def _reference(parent, tag, at):
    return str(at + 1) if tag == "row" else f"{_column_letters(at)}{parent.get('r')}"


def _fill(cell, text):
    from lxml import etree

    for child in list(cell):
        cell.remove(child)
    cell.attrib.pop("t", None)
    main = _NAMESPACES["main"]
    if re.fullmatch(r"-?\d{1,15}(\.\d+)?", text):
        # the format of a date would turn the number into one
        cell.attrib.pop("s", None)
        etree.SubElement(cell, f"{{{main}}}v").text = text
        return
    cell.set("t", "inlineStr")
    inside = etree.SubElement(etree.SubElement(cell, f"{{{main}}}is"), f"{{{main}}}t")
    inside.text = text
    inside.set("{http://www.w3.org/XML/1998/namespace}space", "preserve")


def _column_number(reference):
    number = 0
    for letter in re.match("[A-Z]+", reference)[0]:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number - 1


def _column_letters(number):
    letters, number = "", number + 1
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters
