"""Whether private text of a study stands in its results: the last look before they are told.

Sought are texts that stay inside (notes, reasons, names of persons, columns that are not declared),
names of files that are told by a label, fields and annotations of EDF headers, and lines around
the tables of text files. A text that the program itself writes, or that the study lets leave, is
none.
"""

import gzip
import html
import re
import zipfile
from functools import cache
from pathlib import Path

from engine.code import SCRIPTS
from study.outside import LARGEST_RECORDING_BYTES, Refused, open_outside
from study.privacy import free_text_columns, free_text_leaves
from study.problems import Problems
from study.rows import read_table
from study.tables import TABLES

SHORTEST = 5

# a text that is quoted in part is found by its beginning
BEGINNING = 40

# so few words that the program uses itself come together by chance
MOST_COMMON_WORDS = 3

# so few words are looked for one by one faster than all words of a text are
FEW_WORDS = 60

_READ_AS_TEXT = frozenset(
    (".tsv", ".csv", ".md", ".html", ".json", ".yaml", ".yml", ".log", ".svg", ".txt", ".xml")
    + (".rst", ".rels", ".typ", "")
)

_PACKED = frozenset((".docx", ".xlsx", ".ods", ".zip"))

_WORD = re.compile(r"\w{4,}")

# time, duration and text of an annotation: EDF+, Kemp and Olivan 2003
_ANNOTATION = re.compile(rb"[+-]\d+(?:\.\d*)?(?:\x15[\d.]+)?\x14([^\x00-\x1f]{5,200})\x14")

_LINES_AROUND = 60


def private_texts(study):
    """Private texts of a study, each with the place that holds it."""
    folder = Path(study)
    tables = {name: read_table(folder / f"{name}.tsv", Problems()) for name in TABLES}
    found = {}
    leaves = free_text_leaves(folder)
    for name, rows in tables.items():
        for row in rows:
            private = {} if leaves else {c: getattr(row, c) for c in free_text_columns(type(row))}
            for column, value in {**private, **(row.model_extra or {})}.items():
                found.setdefault(value, f"{name}.tsv, row {row.row_number}, column {column}")
    told = read_told_names(folder)
    for row in tables["recordings"]:
        place = f"recordings.tsv, row {row.row_number}"
        if told.get(row.row_number) != row.file:
            found.setdefault(Path(row.file).name, f"{place}, column file")
            for word in re.findall(r"[^\W\d_]{4,}|\d{6,}", Path(row.file).stem):
                found.setdefault(word, f"{place}, column file")
        for text in texts_of_file(folder, row):
            found.setdefault(text, f"{place}, in the file")
    public = leaving_values(tables)
    return {
        text: place
        for text, place in ((plain(value).strip(".,;:()"), place) for value, place in found.items())
        if is_sought(text) and text.lower() not in public
    }


def read_told_names(folder):
    """What results call the file of each row of recordings.tsv, by its number."""
    from study.rows import rows_of

    return {row.row_number: row.file for row in rows_of(folder, "recordings")}


def texts_of_file(folder, row):
    """Texts of a recording beside its samples: fields of a header, annotations, further lines."""
    try:
        content = open_outside(folder / row.file, folder, LARGEST_RECORDING_BYTES).unfolded()
    except (Refused, OSError):
        return []
    if content.startswith(b"0       "):
        fields = [content[8:88], content[88:168]]
        texts = [field.decode("latin-1") for field in fields]
        texts += [word for text in texts for word in (text + " " + text.replace("_", " ")).split()]
        return texts + [t.decode("utf-8", "replace") for t in set(_ANNOTATION.findall(content))]
    lines = content[:20_000].decode("utf-8", "replace").splitlines()[:_LINES_AROUND]
    lines += content[-4_000:].decode("utf-8", "replace").splitlines()[1:]
    named = [name for name in (row.channel, row.time_column) if name]
    return [
        line.strip("#%/;,\t ")
        for line in lines
        # a header is told, numbers are none of anybody
        if not any(name in line for name in named) and len(re.findall(r"[^\W\d_]{3,}", line)) > 1
    ]


def leaving_values(tables):
    """Texts of the tables that may leave, in lower case."""
    values = set()
    for rows in tables.values():
        for row in rows:
            declared = {*type(row).model_fields} - {*free_text_columns(type(row))}
            values |= {str(row.__dict__[c]).lower() for c in declared & {*row.__dict__}}
    return values


def plain(value):
    return " ".join(str(value or "").split())


def is_sought(text):
    """Whether a text tells anything that the program would not write of itself."""
    if len(text) < SHORTEST or re.fullmatch(r"[\d.,:;+-]{1,7}", text):
        return False
    words, source = of_program()
    of_text = re.findall(r"\w+", text.lower())
    if len(of_text) <= MOST_COMMON_WORDS and words.issuperset(of_text):
        return False
    return text.lower() not in source


@cache
def of_program():
    """Words of the program and its whole text, in lower case."""
    project = SCRIPTS.parent
    paths = [*SCRIPTS.rglob("*.py"), *(project / "config").glob("*"), project / "Snakefile"]
    paths += [p for p in (project / "workflow").rglob("*") if p.suffix in (".smk", ".jinja", ".js")]
    source = " ".join(path.read_text(encoding="utf-8").lower() for path in sorted(paths))
    source = " ".join(source.split())
    return frozenset(re.findall(r"\w+", source)), source


def places_of(texts, results):
    """(file, line, place in the study) of every private text in the files of a results folder."""
    by_word = {}
    for text, place in texts.items():
        for part in {text, text[:BEGINNING].rpartition(" ")[0] if len(text) > BEGINNING else text}:
            words = _WORD.findall(part.lower())
            by_word.setdefault(max(words, key=len, default=part.lower()), []).append((part, place))
    for path in sorted(Path(results).rglob("*")):
        if path.is_file() and not any(part.startswith(".") for part in path.parts[-2:]):
            name = path.relative_to(results).as_posix()
            for content in contents_of(path):
                yield from ((name, line, place) for line, place in _in_text(content, by_word))


def _in_text(content, by_word):
    lower = content.lower()
    if len(by_word) < FEW_WORDS:
        hits = {word for word in by_word if word in lower}
    else:
        hits = by_word.keys() & {*_WORD.findall(lower)}
    if not hits:
        return
    readable = " ".join(html.unescape(lower).split(" "))
    for part, place in sorted(pair for word in hits for pair in by_word[word]):
        found = re.search(rf"(?<!\w){re.escape(part.lower())}(?!\w)", readable)
        if found:
            yield readable.count("\n", 0, found.start()) + 1, place


def contents_of(path):
    """Texts that a file of results holds; numbers and pictures hold none."""
    suffix = path.suffix.lower()
    if suffix in _READ_AS_TEXT:
        text = path.read_text(encoding="utf-8", errors="replace")
        yield text
        if suffix == ".html":
            from sessions.packing import texts_within

            # what the page shows; after it come its scripts
            yield from texts_within(text)[:1]
    elif suffix == ".gz":
        yield gzip.decompress(path.read_bytes()).decode("utf-8", "replace")
    elif suffix in _PACKED:
        with zipfile.ZipFile(path) as packed:
            for name in packed.namelist():
                if Path(name).suffix.lower() in _READ_AS_TEXT:
                    yield re.sub(r"<[^>]+>", "", packed.read(name).decode("utf-8", "replace"))
    elif suffix == ".parquet":
        import pyarrow as pa
        import pyarrow.parquet as pq

        with pq.ParquetFile(path) as file:
            texts = [f.name for f in file.schema_arrow if pa.types.is_string(f.type)]
            table = file.read(texts, use_threads=False)
        for column in table.columns:
            yield "\n".join(value for value in column.unique().to_pylist() if value)
