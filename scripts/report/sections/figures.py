"""Every figure with what it shows."""

import base64

from engine.listings import docstring, header

ORDER = 60

TITLE = "Figures"

NEEDS = ()


def section(results):
    return {"figures": [figure_of(path) for path in results.paths(".svg")]}


def figure_of(path):
    """Title, description and picture of one figure."""
    constants = header("figures", path.stem)
    return {
        "name": path.stem,
        "title": constants["TITLE"],
        "alt": constants["ALT"],
        "caption": " ".join(docstring("figures", path.stem).split()),
        "svg": base64.b64encode(path.read_bytes()).decode(),
    }
