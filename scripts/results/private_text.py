"""Whether private text of a study stands in its results: the last look before they are told.

Sought are texts that stay inside (notes, reasons, names of persons, columns that are not declared),
names of files that are told by a label, fields and annotations of EDF headers, and lines around
the tables of text files; in their own case, what the study itself calls people and visits, and
initials. A text that the program itself writes, or that the study lets leave, is none.
"""

import gzip
import html
import re
import zipfile
from functools import cache
from pathlib import Path

from engine.code import SCRIPTS
from results.pdf_text import texts_of_pdf
from results.words import counted
from study.outside import LARGEST_RECORDING_BYTES, Refused, open_outside
from study.own_names import own_names
from study.privacy import NAMES_OF_PERSONS, free_text_columns, free_text_leaves
from study.problems import Problems, StudyError
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

MOST_TOLD = 10

# packed numbers and pictures in a page: letters come together by chance there
_PACKED_LETTERS = re.compile(r"[A-Za-z0-9+/]{120,}=*")


def read_tables(study):
    """All tables of a study as its folder holds them, with what stays inside."""
    return {name: read_table(Path(study) / f"{name}.tsv", Problems()) for name in TABLES}


def private_texts(study, *, leaves=None):
    """Private texts of a study, each with the place that holds it.

    leaves : whether free text may leave; None: as study.yaml says
    """
    folder = Path(study)
    tables = read_tables(folder)
    told_in = {}
    leaves = free_text_leaves(folder) if leaves is None else leaves
    for name, of_table in tables.items():
        for row in of_table:
            private = {} if leaves else {c: getattr(row, c) for c in free_text_columns(type(row))}
            for column, cell_text in {**private, **(row.model_extra or {})}.items():
                told_in.setdefault(cell_text, f"{name}.tsv, row {row.row_number}, column {column}")
    told = read_told_names(folder)
    for row in tables["recordings"]:
        cell = f"recordings.tsv, row {row.row_number}"
        if told.get(row.row_number) != row.file:
            told_in.setdefault(Path(row.file).name, f"{cell}, column file")
            for word in re.findall(r"[^\W\d_]{4,}|\d{6,}", Path(row.file).stem):
                told_in.setdefault(word, f"{cell}, column file")
        for text in texts_of_file(folder, row):
            told_in.setdefault(text, f"{cell}, in the file")
    public = leaving_values(tables)
    return {
        text: cell
        for text, cell in (
            (on_one_line(held).strip(".,;:()"), cell) for held, cell in told_in.items()
        )
        if is_sought(text) and text.lower() not in public
    }


def private_codes(study):
    """What a study itself calls people and visits, and short names of persons, with their places.

    They are sought in their own case. Numbers alone are none: they stand everywhere.
    """
    folder = Path(study)
    labels = own_names(folder).labels
    tables = read_tables(folder)
    told_in = {
        code: f"study.yaml, names.{part}"
        for part in ("participants", "sessions")
        for code in labels.get(part, {})
        # what the study calls by a label of the tables is no name of its own
        if code not in labels[part].values()
    }
    for name, of_table in tables.items():
        for row in of_table:
            for column in NAMES_OF_PERSONS & {*type(row).model_fields}:
                cell = f"{name}.tsv, row {row.row_number}, column {column}"
                told_in.setdefault(str(getattr(row, column) or ""), cell)
    public, words = leaving_values(tables), of_program()[2]
    return {
        code: cell
        for code, cell in told_in.items()
        if len(code) > 1
        and not code.isdigit()
        and code.lower() not in public
        and not words.issuperset(re.findall(r"\w+", code))
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
    texts = set()
    for of_table in tables.values():
        for row in of_table:
            declared = {*type(row).model_fields} - {*free_text_columns(type(row))}
            texts |= {str(row.__dict__[column]).lower() for column in declared & {*row.__dict__}}
    return texts


def on_one_line(cell):
    """A cell as text with single spaces; empty where it is missing."""
    return " ".join(str(cell or "").split())


def is_sought(text):
    """Whether a text tells anything that the program would not write of itself."""
    if len(text) < SHORTEST or re.fullmatch(r"[\d.,:;+-]{1,7}", text):
        return False
    words, source, _ = of_program()
    of_text = re.findall(r"\w+", text.lower())
    if len(of_text) <= MOST_COMMON_WORDS and words.issuperset(of_text):
        return False
    return text.lower() not in source


@cache
def of_program():
    """Words of the program and its whole text, in lower case, and its words as they stand."""
    project = SCRIPTS.parent
    paths = [*SCRIPTS.rglob("*.py"), *(project / "config").glob("*"), project / "Snakefile"]
    suffixes = (".smk", ".jinja", ".js", ".css", ".yaml", ".typ")
    paths += [p for p in (project / "workflow").rglob("*") if p.suffix in suffixes]
    written = " ".join(path.read_text(encoding="utf-8") for path in sorted(paths))
    source = " ".join(written.lower().split())
    return frozenset(re.findall(r"\w+", source)), source, frozenset(re.findall(r"\w+", written))


def refuse_private(study, folder, message, *, leaves=None, further=None, skipped=""):
    """Seek private text of a study in the files of a folder; gives how many texts were sought.

    message : what is said where any is found, with {count}; further : more texts with their places;
    skipped : how names of files begin that are not searched. Raises StudyError.
    """
    texts = private_texts(study, leaves=leaves) | (further or {})
    codes = private_codes(study)
    hits = [
        f"{file}, {where}: {told_in}"
        for file, where, told_in in dict.fromkeys(places_of(texts, folder, codes))
        if not skipped or not file.startswith(skipped)
    ]
    if hits:
        more = [f"and {len(hits) - MOST_TOLD} more"] if len(hits) > MOST_TOLD else []
        count = counted(len(hits), "private text")
        raise StudyError("\n  ".join([message.format(count=count), *hits[:MOST_TOLD], *more]))
    return len(texts) + len(codes)


def places_of(texts, folder, codes=None):
    """(file, where in it, place in the study) of every private text in the files of a folder.

    codes : as `private_codes`, sought in their own case
    """
    by_word = {}
    for text, told_in in texts.items():
        begun = text[:BEGINNING].rpartition(" ")[0] if len(text) > BEGINNING else ""
        for part in {text, begun or text}:
            words = _WORD.findall(part.lower())
            by_word.setdefault(max(words, key=len, default=part.lower()), []).append(
                (part, told_in)
            )
    code = re.compile(rf"(?<![A-Za-z0-9])({'|'.join(map(re.escape, codes or ()))})(?![A-Za-z0-9])")
    for path in sorted(Path(folder).rglob("*")):
        if path.is_file() and not any(part.startswith(".") for part in path.parts[-2:]):
            name = path.relative_to(folder).as_posix()
            yield from ((name, "its name", told_in) for _, told_in in _in_text(name, by_word))
            yield from ((name, "its name", codes[match]) for match in code.findall(name) if codes)
            for content in contents_of(path):
                for line, told_in in _in_text(content, by_word):
                    yield name, f"line {line}", told_in
                if codes:
                    plain = _PACKED_LETTERS.sub("", content)
                    for match in code.finditer(plain):
                        yield (
                            name,
                            f"line {plain.count(chr(10), 0, match.start()) + 1}",
                            codes[match[1]],
                        )


def _in_text(content, by_word):
    lower = content.lower()
    if len(by_word) < FEW_WORDS:
        hits = {word for word in by_word if word in lower}
    else:
        hits = by_word.keys() & {*_WORD.findall(lower)}
    if not hits:
        return
    readable = " ".join(html.unescape(lower).split(" "))
    for part, told_in in sorted(pair for word in hits for pair in by_word[word]):
        match = re.search(rf"(?<!\w){re.escape(part.lower())}(?!\w)", readable)
        if match:
            yield readable.count("\n", 0, match.start()) + 1, told_in


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
    elif suffix == ".pdf":
        yield from texts_of_pdf(path.read_bytes())
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
            yield "\n".join(cell for cell in column.unique().to_pylist() if cell)
