"""The report: its sections in their order, and how a table is shown."""

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from engine.listings import modules_of
from results.tables import number
from results.words import words_of


def report_page(results, folder, unstated):
    """The whole report as HTML.

    results : reader of the results, settings and study
    folder : the templates: report.html.jinja, and in report/ one for each section
    unstated : what the study does not say itself
    """
    page = Environment(
        loader=FileSystemLoader(folder),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )
    cells = page.get_template("report/_table.html.jinja")
    page.globals["shown"] = lambda table: Markup(cells.render(table))
    recordings = results.recordings
    return page.get_template("report.html.jinja").render(
        title=results.settings.study.title,
        conditions=results.conditions,
        unstated=unstated,
        n_participants=recordings["participant_id"].nunique(),
        n_sessions=len(recordings[["participant_id", "session_id"]].drop_duplicates()),
        sections=[_rendered(page, *section, results) for section in sections()],
    )


def sections():
    """(name, module) of every section in the order of the page."""
    return sorted(modules_of("report/sections").items(), key=lambda section: section[1].ORDER)


def _rendered(page, name, module, results):
    text = page.get_template(f"report/{name}.html.jinja").render(module.section(results))
    return {"id": name.replace("_", "-"), "title": module.TITLE, "text": Markup(text)}


def read_text_table(path):
    """A table as text, cell by cell as it stands in the file."""
    return pd.read_csv(path, sep="\t", dtype=str, keep_default_na=False)


def shown_table(table, caption):
    """What the template needs to show a table; a missing value is an empty cell."""
    rows = [
        ["" if cell in ("n/a", "") or cell is None else _as_shown(cell) for cell in row]
        for row in table.astype(object).to_numpy().tolist()
    ]
    return {"caption": caption, "columns": [words_of(c) for c in table.columns], "rows": rows}


def _as_shown(cell):
    return number(cell) if isinstance(cell, float) else str(cell)
