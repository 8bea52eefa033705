"""A table for print as a page of HTML and as a Word document, with the same bytes each time."""

import re
import zipfile
from copy import deepcopy
from functools import cache

from report.letter_widths import lines_of, width_mm
from results.words import words_of

NO_DATE = (1980, 1, 1, 0, 0, 0)

# a table of more columns stands on a page turned by a quarter
MOST_UPRIGHT_COLUMNS = 7

# A4 and its margins; what a cell takes beside its text
PAGE_MM, MARGIN_MM, PADDING_MM = (210, 297), 15, 4.0

# letters of a table, the largest first, of its title and of its note, in points
LETTERS, OF_TITLE, OF_NOTE = (8, 7, 6), 11, 8

# a line for each point of its letters, and what a row or paragraph takes beside its lines
LINE_MM, ROW_MM, PARAGRAPH_MM = 0.42, 0.9, 6.0

# letters from which on a cell may be broken into lines
LONGEST_LINE = 36

# one number, or a p-value that may be too small to print
NUMBER = re.compile(r"(?:< )?[-+]?\d*\.?\d+(?:e[-+]?\d+)?")

UNITS = {
    **{"pct": "%", "mmhg": "mmHg", "cm": "cm", "kg": "kg", "years": "years", "min": "min"},
    **{"s": "s", "bpm": "bpm", "ms": "ms"},
}

HEADINGS = {"p": "p", "df": "df", "n": "n", "p adjusted": "Adjusted p"}


def heading(name, as_they_stand=()):
    """A column in sentence case, its unit in brackets: `Occlusion pressure (mmHg)`.

    as_they_stand : labels of the study, which nobody renames
    """
    text = words_of(name)
    if name in as_they_stand or " - " in text:
        return str(name)
    if text in HEADINGS:
        return HEADINGS[text]
    words = text.split(" ")
    if len(words) > 1 and words[-1] in UNITS:
        text = f"{' '.join(words[:-1])} ({UNITS[words[-1]]})"
    return text[:1].upper() + text[1:]


def cells_of(table):
    """Rows of text; a missing value is an empty cell, a whole number has no decimals."""
    filled = table.astype(object).where(table.notna(), "").to_numpy().tolist()
    return [[_as_text(cell) for cell in row] for row in filled]


def _as_text(cell):
    if isinstance(cell, float):
        return f"{cell:g}"
    return "" if cell == "n/a" else str(cell)


def columns_of_numbers(body):
    """Which columns hold nothing but single numbers: these are aligned to the right."""
    held = [[cell for cell in column if cell] for column in zip(*body, strict=True)]
    return {n for n, cells in enumerate(held) if cells and all(map(NUMBER.fullmatch, cells))}


def is_wide(table):
    """Whether a table needs a page turned by a quarter."""
    return len(table.columns) > MOST_UPRIGHT_COLUMNS


def letters_and_widths(texts, page_mm):
    """Size of letters in points, and widths in mm of columns that fill a page at most.

    The largest letters with which each column holds its longest word and all rows stand on a page;
    where none do, the largest with which words hold; where these are too wide even in the smallest,
    all columns are narrower by the same factor.

    texts : rows of texts, the header first
    page_mm : width and height that the table may take
    """
    fitting = []
    for points in LETTERS:
        needed, wished = needed_and_wished(texts, points)
        spare = page_mm[0] - sum(needed)
        if spare >= 0:
            share = min(1.0, spare / sum(wished)) if any(wished) else 0.0
            widths = [n + share * more for n, more in zip(needed, wished, strict=True)]
            if height_mm(texts, widths, points) <= page_mm[1]:
                return points, widths
            fitting.append((points, widths))
    return (
        fitting[0] if fitting else (points, [width * page_mm[0] / sum(needed) for width in needed])
    )


def height_mm(texts, widths_mm, points):
    """How high the rows of a table become whose texts are broken into lines, mm."""
    rooms = [width - PADDING_MM + 1e-6 for width in widths_mm]
    lines = [
        max(
            (
                lines_of(text, room, points, bold=n == 0)
                for text, room in zip(row, rooms, strict=True)
            ),
            default=1,
        )
        for n, row in enumerate(texts)
    ]
    return sum(n * points * LINE_MM + ROW_MM for n in lines)


def around_mm(title, note, width):
    """What the title above a table and the note below it take of the height of a page, mm."""
    return sum(
        lines_of(text, width, points, bold=bold) * points * LINE_MM + PARAGRAPH_MM
        for text, points, bold in ((title, OF_TITLE, True), (note, OF_NOTE, False))
    )


def needed_and_wished(texts, points):
    """What the longest word of each column takes, and what its longest text would take more."""
    needed, wished = [], []
    for heading_of_column, *cells in zip(*texts, strict=True):
        column = [(heading_of_column, True), *((cell, False) for cell in cells)]
        word = max(width_mm(w, points, bold=b) for text, b in column for w in text.split() or [""])
        line = max(width_mm(text[:LONGEST_LINE], points, bold=b) for text, b in column)
        needed.append(PADDING_MM + word)
        wished.append(max(0.0, line - word))
    return needed, wished


def write_html(printed, title, path, labels=()):
    """One table as a page of its own with a note below; cells are text, never markup."""
    body = cells_of(printed.table)
    page = _page_of_table().render(
        caption=printed.caption,
        title=title,
        names=[heading(name, labels) for name in printed.table.columns],
        rows=body,
        numbers=columns_of_numbers(body),
        wide=is_wide(printed.table),
        note=printed.note,
    )
    path.write_text(page, encoding="utf-8")


@cache
def _page_of_table():
    from jinja2 import Environment

    return Environment(autoescape=True).from_string(
        "<!doctype html><html lang='en'><meta charset='utf-8'><title>{{ caption }}</title>"
        "<style>table{border-collapse:collapse;font:14px sans-serif}caption{text-align:left;"
        "font-weight:bold;padding:.4em 0}th,td{padding:.25em .7em;text-align:left;"
        "vertical-align:top}.number{text-align:right;font-variant-numeric:tabular-nums}"
        "p{font:12px sans-serif;max-width:60em}"
        "thead{border-top:2px solid;border-bottom:1px solid}tbody{border-bottom:2px solid}"
        "@media print{thead{display:table-header-group}tr{break-inside:avoid}"
        "{% if wide %}@page{size:landscape}{% endif %}}</style>"
        "<table><caption>{{ caption }}. {{ title }}</caption><thead><tr>"
        "{% for name in names %}<th scope='col'{% if loop.index0 in numbers %} class='number'"
        "{% endif %}>{{ name }}</th>{% endfor %}</tr></thead>"
        "<tbody>{% for row in rows %}<tr>{% for cell in row %}<td"
        "{% if loop.index0 in numbers %} class='number'{% endif %}>{{ cell }}</td>{% endfor %}</tr>"
        "{% endfor %}</tbody></table>{% if note %}<p>{{ note }}</p>{% endif %}</html>\n"
    )


def write_docx(printed, title, path, labels=()):
    """One table with three rules, a repeated header, aligned numbers and a note."""
    from docx.enum.text import WD_ALIGN_PARAGRAPH
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn
    from docx.shared import Mm, Pt

    document = _empty_document()
    page_mm = _page(document.sections[0], turned=is_wide(printed.table))
    above = f"{printed.caption}. {title}"
    document.add_paragraph().add_run(above).bold = True
    body = cells_of(printed.table)
    numbers = columns_of_numbers(body)
    texts = [[heading(name, labels) for name in printed.table.columns], *body]
    left_mm = page_mm[1] - around_mm(above, printed.note, page_mm[0])
    points, widths_mm = letters_and_widths(texts, (page_mm[0], left_mm))
    widths = [Mm(width) for width in widths_mm]
    # the header and one line, of which all others are copies: a cell takes long to lay out
    grid = document.add_table(rows=min(len(texts), 2), cols=len(widths))
    grid.autofit = False
    for column, width in zip(grid.columns, widths, strict=True):
        column.width = width
    for n_line, (line, cells) in enumerate(zip(grid.rows, texts, strict=False)):
        for n, (cell, text) in enumerate(zip(line.cells, cells, strict=True)):
            cell.width = widths[n]
            paragraph = cell.paragraphs[0]
            paragraph.paragraph_format.space_before = paragraph.paragraph_format.space_after = Pt(1)
            paragraph.paragraph_format.line_spacing = 1.0
            piece = paragraph.add_run(text)
            piece.font.size = Pt(points)
            piece.bold = n_line == 0
            if n in numbers:
                paragraph.alignment = WD_ALIGN_PARAGRAPH.RIGHT
        # no row is broken over two pages
        line._tr.get_or_add_trPr().append(OxmlElement("w:cantSplit"))
    for cells in texts[2:]:
        copied = deepcopy(grid.rows[1]._tr)
        for piece, text in zip(copied.iter(qn("w:r")), cells, strict=True):
            piece.text = text
        grid._tbl.append(copied)
    lines = list(grid.rows)
    lines[0]._tr.get_or_add_trPr().append(OxmlElement("w:tblHeader"))
    _rule(lines[0], "top", 12)
    _rule(lines[0], "bottom", 6)
    _rule(lines[-1], "bottom", 12)
    if printed.note:
        document.add_paragraph().add_run(printed.note).font.size = Pt(OF_NOTE)
    unfinished = path.with_suffix(".unfinished")
    document.save(str(unfinished))
    _without_dates(unfinished, path)


def _empty_document():
    """The one document of this process, emptied: to open it takes longer than to fill it."""
    document = _document()
    document.element.body.clear_content()
    return document


@cache
def _document():
    import docx

    document = docx.Document()
    document.core_properties.created = document.core_properties.modified = _no_time()
    document.core_properties.author = ""
    document.styles["Normal"].font.name = "Arial"
    return document


def _page(section, *, turned):
    """A page of A4, turned by a quarter or not; what is within its margins, in mm."""
    from docx.enum.section import WD_ORIENT
    from docx.shared import Mm

    width, height = reversed(PAGE_MM) if turned else PAGE_MM
    section.orientation = WD_ORIENT.LANDSCAPE if turned else WD_ORIENT.PORTRAIT
    section.page_width, section.page_height = Mm(width), Mm(height)
    section.left_margin = section.right_margin = Mm(MARGIN_MM)
    section.top_margin = section.bottom_margin = Mm(MARGIN_MM)
    return width - 2 * MARGIN_MM, height - 2 * MARGIN_MM


def _no_time():
    from datetime import datetime

    return datetime(*NO_DATE)


def _rule(row, edge, eighths_of_a_point):
    """A horizontal rule at one edge of a row."""
    from docx.oxml import OxmlElement
    from docx.oxml.ns import qn

    for cell in row.cells:
        properties = cell._tc.get_or_add_tcPr()
        borders = properties.find(qn("w:tcBorders"))
        if borders is None:
            borders = OxmlElement("w:tcBorders")
            properties.append(borders)
        line = OxmlElement(f"w:{edge}")
        for name, text in (("val", "single"), ("sz", str(eighths_of_a_point)), ("space", "0")):
            line.set(qn(f"w:{name}"), text)
        borders.append(line)


def _without_dates(source, target):
    """Copy a zip archive with all dates set to one: the same content gives the same bytes."""
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(zipfile.ZipInfo(name, NO_DATE), old.read(name), zipfile.ZIP_DEFLATED)
    source.unlink()
