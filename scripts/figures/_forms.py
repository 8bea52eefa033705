"""The forms of a figure: drawn once as SVG, from which its PDF and its PNG are set."""

import io
import re
import struct
import zlib

# where an SVG says places, and numbers finer than any eye or printer
_PLACES = re.compile(r'\b(?:d|x|y)="[^"]*"|translate\([^)]*\)')
_FINE = re.compile(r"-?\d+\.\d{3,}")

# a line of text as matplotlib draws it: what it says, then a group of its letters as shapes
_DRAWN_TEXT = re.compile(
    r"<!-- (?P<text>[^\n]*) -->\n"
    r'<g(?P<style>[^>]*?) transform="(?P<where>[^"]*?) ?scale\((?P<scale>[\d.]+) -[\d.]+\)">\n'
    r"(?P<shapes><defs>.*?</defs>\n)?"
    r"(?P<letters>(?:<use [^>]*/>\n)+)"
    r"</g>",
    re.DOTALL,
)
_LETTER = re.compile(r'xlink:href="#(DejaVuSans(?:-Bold)?)-([0-9a-f]+)"')
_WEIGHTS = {"DejaVuSans": "normal", "DejaVuSans-Bold": "bold"}

# points of type in which matplotlib draws letters before it scales them
_DRAWN_PT = 100

_M_PER_IN = 0.0254


def svg_of(figure, *, heading, alt, dpi):
    """A figure as the text of an SVG, letters as shapes; no dates.

    heading, alt : name of the figure and what it shows in words, for those who cannot see it
    dpi : points per inch of what is drawn as a picture
    """
    drawn = io.StringIO()
    said = {"Title": heading, "Description": alt, "Date": None, "Creator": None}
    figure.savefig(drawn, format="svg", metadata=said, dpi=dpi)
    return shortened_svg(drawn.getvalue())


def shortened_svg(svg):
    """An SVG with places to a hundredth of a point and no indentation."""
    return _PLACES.sub(
        lambda numbers: _FINE.sub(lambda number: f"{float(number[0]):.2f}", numbers[0]),
        re.sub(r"\n +", "\n", svg),
    )


def with_words(svg):
    """An SVG whose texts are words again, to be found and copied, where its letters were shapes.

    A text with a letter that the font lacks, or of another font, stays as drawn.
    """
    return _DRAWN_TEXT.sub(_words, svg)


def _words(drawn):
    letters = _LETTER.findall(drawn["letters"])
    fonts = {font for font, _ in letters}
    # letter 0 of a font stands for all that it lacks; a comment cannot hold two dashes
    is_lacking = any(letter == "0" for _, letter in letters) or "- -" in drawn["text"]
    if len(fonts) != 1 or len(letters) != drawn["letters"].count("<use ") or is_lacking:
        return drawn[0]
    return (
        f'{drawn["shapes"] or ""}<text{drawn["style"]} transform="{drawn["where"]}" '
        f'font-family="DejaVu Sans" font-weight="{_WEIGHTS[fonts.pop()]}" '
        f'font-size="{float(drawn["scale"]) * _DRAWN_PT:g}" xml:space="preserve">'
        f"{drawn['text']}</text>"
    )


def pdf_of(svg, *, heading, alt):
    """The same drawing as a PDF in which words can be found, and which says what it shows."""
    from results.typesetting import picture_set

    return picture_set(with_words(svg), "pdf", title=heading, alt=alt)


def png_of(svg, *, heading, alt, dpi):
    """The same drawing as a PNG of a resolution, which it states."""
    from results.typesetting import picture_set

    return described_png(
        picture_set(svg, "png", title=heading, alt=alt, dpi=dpi),
        {"Title": heading, "Description": alt},
        dpi,
    )


def described_png(png, said, dpi):
    """A PNG with texts and its points per inch behind its header (chunks iTXt and pHYs of PNG)."""
    per_m = round(dpi / _M_PER_IN)
    chunks = [_chunk(b"pHYs", struct.pack(">IIB", per_m, per_m, 1))]
    for key, text in said.items():
        chunks.append(_chunk(b"iTXt", key.encode() + b"\0\0\0\0\0" + text.encode()))
    # the signature, then a header of 13 bytes with its length, name and sum
    end = 8 + 25
    return png[:end] + b"".join(chunks) + png[end:]


def _chunk(name, content):
    return (
        struct.pack(">I", len(content))
        + name
        + content
        + struct.pack(">I", zlib.crc32(name + content))
    )
