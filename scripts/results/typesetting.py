"""PDF files set by typst from a template and a content that stays text, never markup; pictures.

The fonts come with typst and with matplotlib, and no date is written: the same content gives the
same bytes.
"""

import json
import shutil
import tempfile
from functools import cache
from importlib.util import find_spec
from pathlib import Path

from engine.memory import give_back_memory

TEMPLATES = Path(__file__).resolve().parents[2] / "workflow" / "templates"

# a page as large as its picture
PICTURE = b"""
#set document(title: sys.inputs.title, date: none)
#set page(width: auto, height: auto, margin: 0pt)
#image(bytes(sys.inputs.svg), format: "svg", alt: sys.inputs.alt)
"""

# for so many documents typst keeps what it made, measured with 0.15
KEPT_DOCUMENTS = 10


def set_pdfs(template, contents, beside=None):
    """Set one PDF for each content, by the path that it is written to.

    `template` reads the content as content.json, and the texts `beside` it by their names, in a
    folder that holds nothing else.
    """
    import typst

    with tempfile.TemporaryDirectory() as folder:
        beside_all = Path(folder)
        shutil.copyfile(template, beside_all / template.name)
        for name, text in (beside or {}).items():
            (beside_all / name).write_text(text, encoding="utf-8")
        for path, content in contents.items():
            (beside_all / "content.json").write_text(json.dumps(content), encoding="utf-8")
            typst.compile(
                beside_all / template.name,
                output=path,
                root=beside_all,
                font_paths=_fonts(),
                pdf_standards="ua-1",
            )
    _forget_documents()


def picture_set(svg, form, *, title, alt, dpi=None):
    """A drawing, the text of an SVG, as the bytes of a PDF or PNG of its size.

    form : pdf or png
    dpi : points per inch of a PNG
    """
    import typst

    picture = typst.compile(
        PICTURE,
        font_paths=_fonts(),
        format=form,
        ppi=dpi,
        sys_inputs={"svg": svg, "title": title, "alt": alt},
        pdf_standards="ua-1" if form == "pdf" else [],
    )
    if form == "png":
        _forget_documents()
    return picture


def _forget_documents():
    """Let empty documents take the places of the last ones, which hold 8 MB and more each."""
    import typst

    for _ in range(KEPT_DOCUMENTS):
        typst.compile(b"", format="pdf", font_paths=_fonts())
    give_back_memory()


@cache
def _fonts():
    """The fonts that come with typst, and those of matplotlib without loading it."""
    import typst

    package = Path(find_spec("matplotlib").origin).parent
    folder = package / "mpl-data" / "fonts" / "ttf"
    return typst.Fonts(include_system_fonts=False, font_paths=[folder])
