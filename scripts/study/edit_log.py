"""Decisions added to edits.tsv: each checked as the next run will, all of them written or none."""

import hashlib
from pathlib import Path

from study.cells import cells_of_text
from study.outside import LARGEST_TABLE_BYTES, open_outside
from study.problems import Problems, StudyError
from study.rows import MISSING, rows_of, rows_of_cells
from study.tables import TABLES

EDIT_COLUMNS = list(TABLES["edits"].model_fields)


def append_edits(folder, decisions):
    """Add decisions, dictionaries of text by column, below the rows of edits.tsv of a study.

    Rows that stand there stay as they are; columns that the header lacks are added at its end.
    Raises StudyError with all problems, and then nothing is written.
    """
    path = Path(folder) / "edits.tsv"
    refuse_unknown_files(folder, decisions)
    lines = _lines(path)
    header = cells_of_text("\n".join(lines[:1]).encode())[0] if lines else []
    header = [name for name in header if name]
    header += [
        name
        for name in EDIT_COLUMNS
        if name not in header
        and (not lines or any(row.get(name, "") not in MISSING for row in decisions))
    ]
    added = [[row.get(name) or "n/a" for name in header] for row in decisions]
    old = cells_of_text("\n".join(lines).encode())[1:] if lines else []
    problems = Problems()
    rows_of_cells(path, [header, *old, *added], problems)
    problems.stop()
    labels = [row[header.index("edit_id")] for row in [*old, *added] if any(row)]
    repeated = sorted({label for label in labels if labels.count(label) > 1})
    if repeated:
        raise StudyError(f"edits.tsv: edit_id {', '.join(repeated)} stands there already.")
    _write(path, ["\t".join(header), *lines[1:], *("\t".join(row) for row in added)])


def append_review(folder, review):
    """Add a blind review, a dictionary of text by column, to reviews.tsv. StudyError as above."""
    path = Path(folder) / "reviews.tsv"
    columns = list(TABLES["reviews"].model_fields)
    lines = _lines(path) or ["\t".join(columns)]
    row = [review[name] for name in columns]
    problems = Problems()
    rows_of_cells(path, [columns, row], problems)
    problems.stop()
    _write(path, [*lines, "\t".join(row)])


def _write(path, lines):
    """All lines or, where the system fails, none."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    unfinished.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    unfinished.replace(path)


def _lines(path):
    """Lines of a table as written, without blank ones at its end."""
    if not path.exists():
        return []
    content = open_outside(path, path.parent, LARGEST_TABLE_BYTES).content
    return content.decode("utf-8-sig").rstrip("\r\n\t ").splitlines()


def refuse_unknown_files(folder, decisions):
    """StudyError where a decision names a recording by a checksum that it does not have (now)."""
    recordings = rows_of(folder, "recordings")
    digests = {}
    for row in decisions:
        if row.get("file_sha256", "") in MISSING:
            continue
        of_signal = {
            r.file_inside
            for r in recordings
            if (r.participant_id, r.session_id, r.signal)
            == (row.get("participant_id"), row.get("session_id"), row.get("signal"))
        }
        for file in of_signal - digests.keys():
            with (Path(folder) / file).open("rb") as opened:
                digests[file] = hashlib.file_digest(opened, "sha256").hexdigest()
        if row["file_sha256"] not in {digests[file] for file in of_signal}:
            raise StudyError(
                f"The {row.get('signal')} recording of {row.get('participant_id')} "
                f"{row.get('session_id')} changed after the page was made: run the workflow again "
                "and look again."
            )
