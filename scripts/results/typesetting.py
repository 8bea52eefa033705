"""PDF files set by typst from a template and a content that stays text, never markup.

The fonts come with typst and with matplotlib, and no date is written: the same content gives the
same bytes.
"""

import json
import shutil
import tempfile
from importlib.util import find_spec
from pathlib import Path

TEMPLATES = Path(__file__).resolve().parents[2] / "workflow" / "templates"


def set_pdfs(template, contents, beside=()):
    """Set one PDF for each content, by the path that it is written to.

    `template` reads the content as content.json, and the files `beside` it, in a folder that holds
    nothing else.
    """
    import typst

    with tempfile.TemporaryDirectory() as folder:
        beside_all = Path(folder)
        for file in (template, *beside):
            shutil.copyfile(file, beside_all / file.name)
        for path, content in contents.items():
            (beside_all / "content.json").write_text(json.dumps(content), encoding="utf-8")
            typst.compile(
                beside_all / template.name,
                output=path,
                root=beside_all,
                font_paths=[_fonts()],
                ignore_system_fonts=True,
                pdf_standards="ua-1",
            )


def _fonts():
    """The fonts that matplotlib brings, without loading it."""
    package = Path(find_spec("matplotlib").origin).parent
    return package / "mpl-data" / "fonts" / "ttf"
