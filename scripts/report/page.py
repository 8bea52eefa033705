"""The report: its sections in their order, and how a table is shown."""

import re

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from engine.listings import modules_of
from report.origins import Told, marked
from report.policy import inlined
from report.printing import heading
from results.neutral import as_meant
from results.tables import number
from results.words import words_of

# one number, as a p-value that may be too small to print
NUMBER = re.compile(r"(?:< )?[-+]?\d*\.?\d+(?:e[-+]?\d+)?")

# where numbers of an outcome are explained, and the marks that lead there
ANCHOR = re.compile(r' id="(from-[^"]+)"')
MARK = re.compile(r'href="#(from-[^"]+|numbers)"')

# a longer table is folded
LONGEST_OPEN = 25


def report_page(results, folder, unstated):
    """The whole report as HTML.

    results : reader of the results, settings and study
    folder : templates: report.html.jinja, its style and script, in report/ one for each section
    unstated : what the study does not say itself
    """
    page = templates_of(folder)
    page.globals["folder"] = f"results/{results.name}"
    told = with_reachable_marks([part for part in _all_rendered(page, results) if part])
    return framed(page, told, results.settings.study.title, unstated)


def with_reachable_marks(sections):
    """Sections whose marks lead somewhere on the page: an outcome without a value in its window is
    explained nowhere, and its marks lead to how any row is explained."""
    explained = {name for part in sections for name in ANCHOR.findall(part["text"])}
    explained |= {part["id"] for part in sections}
    elsewhere = "numbers" if any(part["id"] == "numbers" for part in sections) else "answer"

    def target(match):
        return match[0] if match[1] in explained else f'href="#{elsewhere}"'

    return [
        part | {"text": Markup(MARK.sub(target, part["text"]))}  # noqa: S704 rendered, escaped before
        for part in sections
    ]


def templates_of(folder):
    """The templates of a folder: text of a study is escaped, tables and marks are known."""
    page = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
        finalize=marked,
    )
    page.globals["begun"] = begun
    cells = page.get_template("report/_table.html.jinja")
    page.globals["shown"] = lambda table, folds=True: Markup(  # noqa: S704 the template escapes
        cells.render(table, folded=folds and len(table["rows"]) > LONGEST_OPEN)
    )
    return page


def begun(sentence):
    """A sentence with a capital letter at its beginning, and the rows that it came from."""
    return Told(f"{sentence[:1].upper()}{sentence[1:]}", *getattr(sentence, "origins", ()))


def framed(page, told, title, unstated=()):
    """A page of sections, each with id, title and text, and its contents.

    The policy of the page allows its own style and script by their checksums and nothing else.
    """
    return page.get_template("report.html.jinja").render(
        title=title,
        unstated=unstated,
        sections=told,
        **inlined(page, style=["report.css"], script=["report.js"]),
    )


def sections():
    """(name, module) of every section in the order of the page."""
    return sorted(modules_of("report/sections").items(), key=lambda section: section[1].ORDER)


def _all_rendered(page, results):
    return [_rendered(page, *section, results) for section in sections()]


def _rendered(page, name, module, results):
    """A section with its text; None for one that has nothing to say of this study."""
    said = module.section(results)
    if said is None:
        return None
    text = page.get_template(f"report/{name}.html.jinja").render(said)
    return {"id": name.replace("_", "-"), "title": module.TITLE, "text": Markup(text)}  # noqa: S704 so does this one


def read_text_table(path):
    """A table as text, cell by cell as it stands in the file; without columns where it has none."""
    if not path.read_bytes().strip():
        return pd.DataFrame()
    table = pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)
    return table.map(as_meant)


def shown_table(table, caption, origins=()):
    """What the template needs to show a table; a missing value is an empty cell.

    origins : where each row comes from, which its first cell with anything in it is marked with
    """
    table_rows = [
        ["" if cell in ("n/a", "") or cell is None else _as_shown(cell) for cell in row]
        for row in table.astype(object).to_numpy().tolist()
    ]
    columns = [column_in_words(name) for name in table.columns]
    numbers = [n for n in range(len(columns)) if _holds_numbers([row[n] for row in table_rows])]
    if origins:
        for row, origin in zip(table_rows, origins, strict=True):
            first = next((n for n, cell in enumerate(row) if cell), 0)
            row[first] = Told(row[first], origin)
    return {"caption": caption, "columns": columns, "rows": table_rows, "numbers": numbers}


def column_in_words(name):
    """A column of a result table with its unit in brackets; labels of the study as they stand."""
    if "_" not in str(name):
        return words_of(name)
    text = heading(name)
    return f"{text[:1].lower()}{text[1:]}"


def _holds_numbers(cells):
    """Whether every cell that holds anything is one number, and some do."""
    held = [cell for cell in cells if cell]
    return bool(held) and all(NUMBER.fullmatch(cell) for cell in held)


def _as_shown(cell):
    if isinstance(cell, float):
        return number(cell)
    return cell if isinstance(cell, str) else str(cell)
