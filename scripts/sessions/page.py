"""The page of one session as one HTML file: template, style, scripts and numbers in one.

The policy in the page allows its own scripts and its own style by their checksums and nothing
else: no request leaves it, and no text of a study can become a script.
"""

import json
import logging
import shutil
from html import escape

import pandas as pd
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from cuff.cautions import SHORT_CAUTION
from report.policy import checksum
from sessions.content import content_of
from sessions.packing import PackedArrays, packed_texts


def template_folder(folder):
    """Templates of a folder; every text that they print is escaped."""
    return Environment(loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined)


def pages_of(sessions, templates, outcome_headers, protocol, title):
    """Label and HTML of the page of every session of one person, each linked to its neighbours.

    The third says why a page could not be drawn; the page then says so. A page never costs the
    numbers of a person.
    """
    neighbours = [None, *(session.session_id for session in sessions), None]
    for n, session in enumerate(sessions):
        arrays = PackedArrays()
        try:
            content = content_of(
                session,
                arrays,
                failure_band_pct=protocol.failure_band_pct,
                no_cuff_condition=protocol.no_cuff_condition,
                outcome_headers=outcome_headers,
            )
            page = page_of(
                content,
                arrays,
                templates,
                title=title,
                visit=session.visit,
                conditions=session.conditions,
                previous=neighbours[n],
                following=neighbours[n + 2],
            )
        except Exception as fault:
            # whatever it is, it stands in the log and on the page, and the numbers are not lost
            logging.exception("the page of %s could not be drawn", session.session_id)
            reason = f"{type(fault).__name__}: {fault}"
            yield session.session_id, page_that_says(reason, session.session_id, title), reason
        else:
            yield session.session_id, page, ""


def write_pages(pages, folder):
    """Write pages as `pages_of` gives them into an empty folder.

    Gives rows of the table `unmade`, one for each page that could not be drawn.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    not_drawn = []
    for session_id, page, reason in pages:
        (folder / f"{session_id}.html").write_text(page, encoding="utf-8")
        if reason:
            not_drawn.append({"kind": "session page", "name": session_id, "reason": reason})
    return pd.DataFrame(not_drawn).assign(step="write_session_pages")


def page_that_says(reason, session_id, title):
    """A page in place of one that could not be drawn."""
    return (
        f'<!doctype html>\n<html lang="en">\n<meta charset="utf-8">\n'
        f"<title>{escape(session_id)}: {escape(title)}</title>\n<h1>{escape(session_id)}</h1>\n"
        f"<p>This page could not be drawn: {escape(reason)}. "
        "The numbers of the session stand in outcomes.tsv.</p>\n</html>\n"
    )


def page_of(content, arrays, templates, *, blind=False, **facts):
    """HTML of one page.

    `content` is what JSON can hold, `arrays` the packed numbers, `templates` the Jinja environment
    of the folder of templates; `facts` are the texts that the template prints.
    """

    def inlined(*files):
        return [templates.loader.get_source(templates, file)[0].strip() for file in files]

    def checksums(texts):
        return " ".join(f"'sha256-{checksum(text)}'" for text in texts)

    content_json = json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    scripts = inlined("vendor/uplot/uPlot.iife.min.js", "review.js", "vector.js", "session.js")
    (unpacking,) = inlined("unpack.js")
    uplot_style, style = inlined("vendor/uplot/uPlot.min.css", "session.css")
    return templates.get_template("session.html.jinja").render(
        texts=packed_texts([content_json, *scripts]),
        unpacking=unpacking,
        uplot_style=uplot_style,
        style=style,
        scripts=checksums([unpacking, *scripts]),
        styles=checksums([uplot_style, style]),
        content=content,
        # plain text, so that it stands where no script runs
        caution=SHORT_CAUTION if SHORT_CAUTION in content["says"].get("pressure", "") else "",
        arrays=arrays.text(),
        blind=blind,
        **facts,
    )


def heart_page(session, labels, templates, *, title, hidden, **further):
    """HTML of a recording of the heart alone, whose label is one of `labels` in their order.

    `hidden` : panels that are not shown; `further` : what the page needs beside its content
    """
    arrays = PackedArrays()
    content = content_of(
        session, arrays, failure_band_pct=[], no_cuff_condition="", outcome_headers={}
    )
    says = {name: text for name, text in content["says"].items() if name not in hidden}
    neighbours = [None, *labels, None]
    at = labels.index(session.participant_id)
    return page_of(
        content | further | {"hidden": hidden, "says": says},
        arrays,
        templates,
        title=title,
        visit=None,
        conditions=[],
        blind=True,
        previous=neighbours[at],
        following=neighbours[at + 2],
    )


def with_saving(page, address, token):
    """A page that may send decisions below `address`, with the token that the server wants."""
    meta = f'<meta name="save-to" content="{escape(address)}" data-token="{escape(token)}">'
    page = page.replace("; base-uri 'none'", "; connect-src 'self'; base-uri 'none'", 1)
    return page.replace("<title>", f"{meta}\n<title>", 1)
