"""The results book: figures, tables, methods, references and checklists as one PDF.

The template is workflow/templates/book.typ.
"""

from cuff.cautions import CAUTION
from report.page import read_text_table
from report.printing import cells_of, columns_of_numbers, heading, is_wide
from report.sections.figures import figure_of
from report.sections.methods import paragraphs

# how the description of a figure begins in which nothing is drawn
NOTHING = "Nothing is drawn"

# letters that fit beside each other, on a turned page and on an upright one
LETTERS = {True: 190, False: 112}

# a column of longer texts grows no wider
LONG = 60

# rows of one table: more of them nobody reads in print, and each takes a quarter of a MB to set
MOST_ROWS = 800


def content_of(figures, tables, methods, checklists, *, title, conditions):
    """Everything that the template asks for, as text.

    figures : SVG files in their order
    tables : folder of the tables for print, with contents.tsv
    methods, checklists : Markdown files
    """
    shown = [{"file": path.name} | figure_of(path) for path in figures]
    parts = list(paragraphs(methods.read_text(encoding="utf-8")))
    lead = next(part["text"] for part in parts)
    return {
        "title": title,
        "lead": lead.removeprefix(f"{title}. "),
        "caution": CAUTION,
        "figures": [figure for figure in shown if not figure["alt"].startswith(NOTHING)],
        "not_drawn": [figure["title"] for figure in shown if figure["alt"].startswith(NOTHING)],
        "tables": list(printed_in(tables, conditions)),
        "methods": [part for part in parts[1:] if not part["lines"]],
        "references": [line for part in parts for line in part["lines"]],
        "checklists": list(lists_in(checklists.read_text(encoding="utf-8"))),
    }


def printed_in(folder, conditions):
    """Tables of the folder in the order of its contents."""
    for entry in read_text_table(folder / "contents.tsv").itertuples():
        whole = read_text_table(folder / f"{entry.table}.tsv")
        table, left_out = printable(whole, entry.table)
        body = cells_of(table)
        names = [heading(name, conditions) for name in table.columns]
        yield {
            "caption": entry.caption,
            "names": names,
            "rows": body,
            "widths": widths_of(names, body, wide=is_wide(table)),
            "numbers": sorted(columns_of_numbers(body)) if body else [],
            "wide": is_wide(table),
            "note": f"{entry.note}{left_out}",
        }


def printable(table, name):
    """The first rows of a table, and a sentence where they are not all."""
    if len(table) <= MOST_ROWS:
        return table, ""
    left_out = (
        f" This book holds the first {MOST_ROWS} of {len(table)} rows; all stand in "
        f"tables/{name}.tsv."
    )
    return table[:MOST_ROWS], left_out


def lists_in(markdown):
    """The checklists of the page that holds them."""
    for part in markdown.split("\n## ")[1:]:
        name, _, text = part.partition("\n")
        lines = [line for line in text.splitlines() if line.startswith("|")]
        if lines:
            cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
            names = [heading(cell) for cell in cells[0]]
            lead = text.strip().partition("\n")[0]
            widths = widths_of(names, cells[2:], wide=False)
            yield {"name": name, "lead": lead, "names": names, "rows": cells[2:], "widths": widths}


def widths_of(names, body, *, wide):
    """Shares of the width for each column; 0, as much as it needs, where all of them fit.

    No column is narrower than its longest word; one of long texts gets more, but not all.
    """
    cells = [[name, *(row[n] for row in body)] for n, name in enumerate(names)]
    longest = [max(map(len, column)) for column in cells]
    if sum(longest) + 3 * len(names) <= LETTERS[wide]:
        return [0] * len(names)
    words = [max(len(word) for text in column for word in text.split(" ")) for column in cells]
    return [
        max(word, min(length, LONG) / 2) + 2 for word, length in zip(words, longest, strict=True)
    ]
