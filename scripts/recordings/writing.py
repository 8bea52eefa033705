"""Files that are the same bytes whenever and wherever they are written."""

import gzip
import io
import json


def write_text(text, path, *, encoding="utf-8"):
    """Write text with its line ends as they are."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode(encoding))


def write_rows(lines, path):
    """Write rows of cells, all of them text, as a table with tabs between them."""
    write_text("".join("\t".join(row) + "\n" for row in lines), path)


def write_json(content, path):
    """Write what JSON can hold, signs of other alphabets as they are."""
    write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", path)


def write_gzip(text, path, *, level=9):
    """Write folded text without the name and the time that gzip puts into its header."""
    folded = io.BytesIO()
    with gzip.GzipFile("", "wb", compresslevel=level, fileobj=folded, mtime=0) as stream:
        stream.write(text.encode())
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(folded.getvalue())
