"""Tables of a study as people have them: .tsv, .csv, .xlsx, .ods, or sheets of one workbook.

Whatever the form, what comes out is the cells of every row as text, the header first, row n of the
spreadsheet at n - 1; study/own_names.py then turns own words into those of the tables.
"""

import codecs
import datetime
import io
import zipfile

from study.cells import TableFault, cells_of_text, refuse_large
from study.outside import LARGEST_TABLE_BYTES, Refused, open_outside
from study.problems import StudyError
from study.tables import TABLES

SUFFIXES = (".tsv", ".csv", ".xlsx", ".ods")
WORKBOOKS = ("study.xlsx", "study.ods")
SEPARATORS = (";", "\t", ",")
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def files_of_table(folder, name):
    """Files of a study that hold a table, the workbook of all tables among them."""
    files = [folder / f"{name}{suffix}" for suffix in SUFFIXES]
    files = [path for path in files if path.exists()]
    return files + [path for path in workbooks(folder) if name in sheets_of(path)]


def workbooks(folder):
    """Workbooks of a study that hold several tables, one a sheet."""
    return [folder / name for name in WORKBOOKS if (folder / name).is_file()]


def shown_name(path, name):
    """A table as messages name it: its file, and the sheet where the file holds several."""
    return f"{path.name}, sheet {name}" if path.name in WORKBOOKS else path.name


def state_of_table(folder, name):
    """Size and time of everything that the rows of a table are read from, to tell a change."""
    paths = [folder / f"{name}{suffix}" for suffix in SUFFIXES]
    paths += [folder / workbook for workbook in WORKBOOKS] + [folder / "study.yaml"]
    states = [(path.name, path.stat()) for path in paths if path.exists()]
    return tuple((name, state.st_mtime_ns, state.st_size) for name, state in states)


def cells_of_file(path, name, content=None):
    """Cells of a table as text, and whether its numbers may be written as those of a country.

    That is so of semicolons between cells and of the Unicode text of a spreadsheet. `content`: the
    bytes, where they are not those of the file. Raises TableFault, Refused or OSError.
    """
    if content is None:
        content = open_outside(path, path.parent, LARGEST_TABLE_BYTES).content
    if path.suffix not in (".tsv", ".csv"):
        return _cells_of_sheet(content, name, of_all=path.name in WORKBOOKS), False
    encoding = encoding_of(content, path.suffix)
    if encoding in ("utf-16", "cp1252"):
        try:
            content = content.decode(encoding, "strict" if encoding == "utf-16" else "replace")
        except UnicodeDecodeError as fault:
            raise TableFault("", f"is not UTF-16 text ({fault.reason}); save it again") from None
        content = content.encode()
    separator = separator_of(content.decode("utf-8-sig", errors="replace"), path.suffix)
    is_local = separator == ";" or encoding == "utf-16"
    return cells_of_text(content, separator), is_local


def encoding_of(content, suffix):
    """Encoding of a table of text: UTF-8, UTF-16 with its mark, or what a .csv may be in else."""
    if content.startswith(_UTF_16):
        return "utf-16"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252" if suffix == ".csv" else "utf-8"
    return "utf-8-sig" if content.startswith(codecs.BOM_UTF8) else "utf-8"


def separator_of(text, suffix):
    """The tab of a .tsv; of a .csv the separator that gives the header most columns."""
    return "\t" if suffix == ".tsv" else max(SEPARATORS, key=text.partition("\n")[0].count)


def sheets_of(path):
    """Names of the tables that a workbook holds; none of a file that is no workbook."""
    try:
        workbook = _workbook(open_outside(path, path.parent, LARGEST_TABLE_BYTES).content)
    except (TableFault, OSError, ValueError):
        return []
    known = {name.strip().lower() for name in workbook.sheet_names}
    return [name for name in TABLES if name in known]


def _workbook(content):
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            unfolded = sum(entry.file_size for entry in packed.infolist())
    except zipfile.BadZipFile:
        raise TableFault("", "is no workbook (.xlsx or .ods); save it again as one") from None
    if unfolded > LARGEST_TABLE_BYTES:
        raise TableFault(
            "", f"unfolds to {unfolded / 1e6:.0f} MB; up to {LARGEST_TABLE_BYTES / 1e6:.0f} MB"
        )
    try:
        return CalamineWorkbook.from_filelike(io.BytesIO(content))
    except CalamineError as fault:
        raise TableFault("", f"cannot be read as a workbook ({fault}); save it again") from None


def _cells_of_sheet(content, name, *, of_all):
    """Cells of the sheet of a table; of a workbook of one table the only one that is seen."""
    from python_calamine import CalamineError

    workbook = _workbook(content)
    sheet = _named_sheet(workbook, name, of_all=of_all)
    try:
        contents = workbook.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    except CalamineError as fault:
        raise TableFault("", f"cannot be read ({fault}); save it again") from None
    cells = [[as_text(cell) for cell in row] for row in contents]
    refuse_large(cells)
    return cells


def _named_sheet(workbook, name, *, of_all):
    from python_calamine import SheetVisibleEnum

    named = [sheet for sheet in workbook.sheet_names if sheet.strip().lower() == name]
    all_sheets = workbook.sheets_metadata
    seen = [sheet.name for sheet in all_sheets if sheet.visible == SheetVisibleEnum.Visible]
    if not named and not of_all and len(seen) == 1:
        named = seen
    if len(named) != 1:
        sheets = ", ".join(map(repr, seen))
        raise TableFault("", f"holds sheets {sheets}; name the sheet of the table {name!r}")
    return named[0]


def sheet_of_table(path, name, content):
    """Name of the sheet of a workbook that holds a table. Raises TableFault."""
    return _named_sheet(_workbook(content), name, of_all=path.name in WORKBOOKS)


def cells_of_sheets(path, names):
    """Cells of several sheets of a workbook by name. Raises StudyError where one is not there."""
    try:
        content = open_outside(path, path.parent, LARGEST_TABLE_BYTES).content
        return {name: _cells_of_sheet(content, name, of_all=True) for name in names}
    except TableFault as fault:
        raise StudyError(f"{path.name}: {fault.message}") from None
    except (Refused, OSError) as fault:
        raise StudyError(f"{path.name}: cannot be opened ({fault})") from None


def as_text(cell):
    """The value of a cell of a workbook as it is written in a table."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime.datetime):
        midnight = cell.time() == datetime.time(0)
        return cell.date().isoformat() if midnight else cell.isoformat()
    if isinstance(cell, datetime.date | datetime.time):
        return cell.isoformat()
    if isinstance(cell, datetime.timedelta):
        return (datetime.datetime(2000, 1, 1) + cell).time().isoformat()
    return " ".join(str(cell).replace("\u00a0", " ").split())


def write_workbook(path, sheets):
    """Write tables as a workbook, one sheet each: rows of cells, numbers as numbers.

    The same sheets give the same bytes.
    """
    names = list(sheets)
    parts = {
        "[Content_Types].xml": _content_types(len(names)),
        "_rels/.rels": _relations([("officeDocument", "xl/workbook.xml")]),
        "xl/workbook.xml": _book(names),
        "xl/_rels/workbook.xml.rels": _relations(
            [
                *(("worksheet", f"worksheets/sheet{n}.xml") for n in range(1, len(names) + 1)),
                ("styles", "styles.xml"),
            ]
        ),
        "xl/styles.xml": _STYLES,
    }
    for number, lines in enumerate(sheets.values(), start=1):
        parts[f"xl/worksheets/sheet{number}.xml"] = _sheet(lines)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, text in parts.items():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            packed.writestr(entry, text)


def is_as_written(path):
    """Whether `write_workbook` wrote a workbook last: a program that saves has its own styles."""
    try:
        with zipfile.ZipFile(path) as parts:
            return parts.read("xl/styles.xml") == _STYLES.encode()
    except (zipfile.BadZipFile, KeyError):
        return False


_XML = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
_MAIN = 'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_TYPES = "application/vnd.openxmlformats-officedocument.spreadsheetml"

# plain, and bold for the header
_STYLES = (
    f"{_XML}<styleSheet {_MAIN}><fonts count='2'><font/><font><b/></font></fonts>"
    "<fills count='1'><fill><patternFill/></fill></fills>"
    "<borders count='1'><border/></borders>"
    "<cellStyleXfs count='1'><xf/></cellStyleXfs>"
    "<cellXfs count='2'><xf/><xf fontId='1' applyFont='1'/></cellXfs></styleSheet>"
)


def _content_types(n_sheets):
    sheets = "".join(
        f"<Override PartName='/xl/worksheets/sheet{n}.xml' ContentType='{_TYPES}.worksheet+xml'/>"
        for n in range(1, n_sheets + 1)
    )
    return (
        f"{_XML}<Types xmlns='http://schemas.openxmlformats.org/package/2006/content-types'>"
        "<Default Extension='rels' "
        "ContentType='application/vnd.openxmlformats-package.relationships+xml'/>"
        "<Default Extension='xml' ContentType='application/xml'/>"
        f"<Override PartName='/xl/workbook.xml' ContentType='{_TYPES}.sheet.main+xml'/>"
        f"<Override PartName='/xl/styles.xml' ContentType='{_TYPES}.styles+xml'/>"
        f"{sheets}</Types>"
    )


def _relations(targets):
    entries = "".join(
        f"<Relationship Id='r{n}' Type='{_OFFICE}/{kind}' Target='{target}'/>"
        for n, (kind, target) in enumerate(targets, start=1)
    )
    package = "http://schemas.openxmlformats.org/package/2006/relationships"
    return f"{_XML}<Relationships xmlns='{package}'>{entries}</Relationships>"


def _book(names):
    from xml.sax.saxutils import quoteattr

    sheets = "".join(
        f"<sheet name={quoteattr(name)} sheetId='{n}' r:id='r{n}'/>"
        for n, name in enumerate(names, start=1)
    )
    return f"{_XML}<workbook {_MAIN} xmlns:r='{_OFFICE}'><sheets>{sheets}</sheets></workbook>"


def _sheet(lines):
    widths = "".join(
        f"<col min='{n}' max='{n}' width='{width}' customWidth='1'/>"
        for n, width in enumerate(_widths(lines), start=1)
    )
    body = "".join(
        f"<row r='{number}'>{_cells(row, header=number == 1)}</row>"
        for number, row in enumerate(lines, start=1)
    )
    view = (
        "<sheetViews><sheetView workbookViewId='0'><pane ySplit='1' topLeftCell='A2' "
        "activePane='bottomLeft' state='frozen'/></sheetView></sheetViews>"
    )
    return (
        f"{_XML}<worksheet {_MAIN}>{view}<cols>{widths}</cols>"
        f"<sheetData>{body}</sheetData></worksheet>"
    )


def _widths(lines):
    n_columns = max(map(len, lines), default=1)
    for column in range(n_columns):
        longest = max((len(str(row[column])) for row in lines if column < len(row)), default=0)
        yield min(max(longest + 2, 8), 40)


def _cells(row, *, header):
    return "".join(_cell(entry, " s='1'" if header else "") for entry in row)


def _cell(entry, style):
    from xml.sax.saxutils import escape

    if isinstance(entry, int | float):
        return f"<c><v>{entry!r}</v></c>"
    if entry in ("", None):
        return "<c/>"
    text = f"<t xml:space='preserve'>{escape(str(entry))}</t>"
    return f"<c t='inlineStr'{style}><is>{text}</is></c>"
