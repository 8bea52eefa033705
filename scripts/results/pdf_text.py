"""Text of a PDF, for a search: folded streams opened, codes of glyphs turned into letters.

Source of the format: ISO 32000-1:2008, 7.3.4 (strings), 7.4.4 (Flate), 9.10.3 (ToUnicode). Which
font a text is set in is not followed: the text comes once for each table of codes in the file, of
which one gives its letters.
"""

import re
import zlib

_STREAM = re.compile(rb"stream\r?\n(.*?)\r?\nendstream", re.S)

# text objects, and strings in them: in brackets or as hexadecimal digits
_TEXT = re.compile(rb"\bBT\b(.*?)\bET\b", re.S)

_STRING = re.compile(rb"\((?:[^()\\]|\\.)*\)|<[0-9A-Fa-f\s]*>", re.S)

_ESCAPED = re.compile(rb"\\([0-7]{1,3}|\r\n|.)", re.S)

_SIGNS = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"b": b"\b", b"f": b"\f"}
_SIGNS |= dict.fromkeys((b"\r\n", b"\n", b"\r"), b"")
_SIGNS |= {f"{code:0{n}o}".encode(): bytes([code & 255]) for n in (1, 2, 3) for code in range(8**n)}

_CODES = re.compile(rb"begin(bfchar|bfrange)(.*?)endbf", re.S)

_HEX = re.compile(rb"<([0-9A-Fa-f]+)>")


def texts_of_pdf(content):
    """Texts that the bytes of a PDF hold: its description, then what is set on its pages."""
    streams = [
        unfolded for match in _STREAM.finditer(content) if (unfolded := _decompressed(match[1]))
    ]
    described = _STREAM.sub(lambda m: m[1] if m[1].startswith(b"<?xpacket") else b"", content)
    # UTF-16 is read by its letters
    yield described.replace(b"\0", b"").decode("latin-1")
    tables = [_letters(stream) for stream in streams if b"beginbf" in stream]
    for stream in streams:
        blocks = _TEXT.findall(stream) if b"Tf" in stream else []
        codes = [b"".join(map(_bytes_of, _STRING.findall(block))) for block in blocks]
        if codes:
            yield b" ".join(codes).replace(b"\0", b"").decode("latin-1")
        for letters in tables if codes else ():
            yield " ".join(c.decode("utf-16-be", "replace").translate(letters) for c in codes)


def _decompressed(content):
    try:
        return zlib.decompressobj().decompress(content)
    except zlib.error:
        return b""


def _bytes_of(string):
    if string.startswith(b"<"):
        digits = re.sub(rb"\s", b"", string[1:-1])
        return bytes.fromhex((digits + b"0" * (len(digits) % 2)).decode())
    return _ESCAPED.sub(lambda match: _SIGNS.get(match[1], match[1]), string[1:-1])


def _letters(stream):
    """Letters by code of a ToUnicode table."""
    letters = {}
    for kind, body in _CODES.findall(stream):
        if kind == b"bfchar":
            codes = _HEX.findall(body)
            letters |= {
                int(c, 16): _utf16(t) for c, t in zip(codes[::2], codes[1::2], strict=False)
            }
            continue
        for line in body.splitlines():
            first, last, *targets = _HEX.findall(line) or (b"1", b"0")
            for at, code in enumerate(range(int(first, 16), int(last, 16) + 1)):
                if len(targets) == 1:
                    letters[code] = chr(int(targets[0], 16) + at) if len(targets[0]) < 8 else ""
                if len(targets) > 1 and at < len(targets):
                    letters[code] = _utf16(targets[at])
    return letters


def _utf16(digits):
    return bytes.fromhex(digits.decode()).decode("utf-16-be", "replace")
