"""Every figure with what it shows."""

import re
from html import unescape
from urllib.parse import quote

from engine.listings import docstring, header

ORDER = 60

TITLE = "Figures"

NEEDS = ()

# letters that an address holds coded
_CODED = re.compile(r"[^\w.~ ='/:;,()-]+", re.ASCII)


def section(results):
    drawn, empty = [], []
    for path in results.paths(".svg"):
        numbers = results.path(f"figures/{path.stem}.tsv").read_text(encoding="utf-8")
        # a figure of nothing has no number below its header
        (drawn if len(numbers.splitlines()) > 1 else empty).append(path)
    return {
        "figures": [
            figure_of(path) | {"address": address_of(path.read_text(encoding="utf-8"))}
            for path in drawn
        ],
        "not_drawn": [header("figures", path.stem)["TITLE"] for path in empty],
    }


def figure_of(path):
    """Title, caption and description of one figure."""
    constants = header("figures", path.stem)
    return {
        "name": path.stem,
        "title": constants["TITLE"],
        "alt": description_in(path) or constants["ALT"],
        "caption": " ".join(docstring("figures", path.stem).split()),
    }


def address_of(svg):
    """An SVG as an address that holds it whole: no markup, no double quote, shorter than base64."""
    line = svg.replace("'", "&apos;").replace('"', "'").replace("\n", " ")
    return "data:image/svg+xml," + _CODED.sub(lambda letters: quote(letters[0], safe=""), line)


def description_in(svg):
    """What a drawn figure shows in words, as it carries it itself."""
    said = re.search(r"<dc:description>(.*?)</dc:description>", svg.read_text("utf-8"), re.S)
    return unescape(said[1]) if said else ""
