"""Files of an archive: text that carries neither time nor name of a machine."""

import gzip
import io
import json


def write_text(text, path):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="\n")


def write_json(content, path):
    write_text(json.dumps(content, indent=2, ensure_ascii=False) + "\n", path)


def write_gzip(text, path):
    """Folded text without the name and the time that gzip writes into its header."""
    folded = io.BytesIO()
    with gzip.GzipFile("", "wb", compresslevel=6, fileobj=folded, mtime=0) as stream:
        stream.write(text.encode())
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(folded.getvalue())
