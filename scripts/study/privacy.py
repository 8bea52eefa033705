"""What of a study may leave its folder: an allow-list of columns, and names of files.

Text that a person wrote freely stays inside unless it is declared here or study.yaml lets it leave.
A file keeps its name in results only where that is made of labels and words of the field; else it
is told by a label of its own.
"""

import re
from functools import lru_cache
from pathlib import Path

from study.yaml_files import YamlFault, values_and_lines

# columns of free text that may reach results
LEAVES = frozenset(
    ("channel", "condition", "cuff", "declared_over_header", "declared_reason", "edit_id")
    + ("decimal", "encoding", "event_id", "exercise", "expectation", "file", "onset_time")
    + ("proposed", "review_id", "separator", "sequence", "session_start", "site", "sync_marks_s")
    + ("time_column", "time_format", "what", "edited_at", "frozen_at", "date_shifted")
    + ("decisions_sha256", "file_sha256", "participant_id", "session_id")
)

# what results say instead of a text that stays inside, where something is said at all
INSTEAD = {
    "reason": "reason in the study",
    "override_reason": "reason in the study",
    "editor": "a person",
    "override_by": "a person",
    "reviewer": "a person",
}

# columns of INSTEAD that name a person, be it by initials
NAMES_OF_PERSONS = frozenset(("editor", "override_by", "reviewer"))

# beside labels and short numbers a file name may hold these
_WORDS = frozenset(
    re.findall(
        "[a-z]+",
        "a acq anterior arm b band baseline beat beats belt biceps both brachii breathing c "
        "calf channel csv cuff curl day deoxy distal ecg edf ekg elbow events export "
        "extension femoris file forearm gastrocnemius gz haemoglobin hb heart hhb hr ibi ii "
        "interval intervals json knee lateralis lead left leg log low muscle nirs nn none o "
        "oxy oxygen oxygenation part physio piece position post pre press pressure proximal "
        "raise raw rec recording recordings recovery rectus resp respiration rest right row "
        "rr run saturation sensor ses session set sets signal signals site smo squat sto sub "
        "target task test thb thigh tibialis trial triceps tsi tsv txt vastus visit vl ",
    )
)

_DATE = re.compile(r"\d{1,4}[-_.]\d{1,2}[-_.]\d{1,4}(?!\d)")
_SUFFIXES = frozenset((".csv", ".tsv", ".txt", ".edf", ".gz", ".json"))


def free_text_leaves(folder):
    """Whether study.yaml of a study lets notes, reasons and names of persons into results."""
    path = Path(folder) / "study.yaml"
    state = path.stat() if path.exists() else None
    return bool(state) and _stated(path, (state.st_mtime_ns, state.st_size))


@lru_cache(maxsize=1)
def _stated(path, _):
    try:
        stated, _ = values_and_lines(path.read_text(encoding="utf-8-sig"))
    except (YamlFault, UnicodeDecodeError):
        # told where the settings are read
        return False
    section = stated.get("privacy")
    return isinstance(section, dict) and section.get("free_text_leaves") is True


def withhold(of_table):
    """Rows of a table with what stays inside of the study taken out, in place."""
    for row in of_table:
        for column in free_text_columns(type(row)):
            if row.__dict__.get(column) is not None:
                row.__dict__[column] = INSTEAD.get(column)


@lru_cache(maxsize=32)
def free_text_columns(model):
    """Columns of a table that hold text of a person and may not leave."""
    return tuple(
        name
        for name, field in model.model_fields.items()
        if name not in LEAVES and _is_text(field.annotation)
    )


def _is_text(annotation):
    return annotation is str or any(map(_is_text, getattr(annotation, "__args__", ())))


def tell_files_by_label(recordings):
    """Rows of recordings.tsv with names of files that may leave, in place.

    Where a file stands is kept beside it, as `file_inside` of a row.
    """
    told, numbers = {}, {}
    for row in recordings:
        visit = (row.participant_id, row.session_id)
        if row.file not in told:
            numbers[visit] = numbers.get(visit, 0) + 1
            told[row.file] = _told(row, numbers[visit])
        row.__dict__["named_file"] = row.file
        row.__dict__["file"] = told[row.file]


def _told(row, number):
    if is_made_of_labels(row.file, row.participant_id, row.session_id):
        return row.file
    suffixes = "".join(s for s in Path(row.file).suffixes[-2:] if s.lower() in _SUFFIXES)
    return f"{row.participant_id}_{row.session_id}_file-{number}{suffixes}"


def is_made_of_labels(file, participant, session):
    """Whether a file name holds nothing but labels, short numbers and words of the field."""
    plain = file.lower()
    if not plain.isascii() or _DATE.search(plain):
        return False
    labels = {label.lower().partition("-")[2] for label in (participant, session)}
    no_label = " ".join(part for part in re.findall(r"[a-z0-9]+", plain) if part not in labels)
    words = re.findall(r"[a-z]+|[0-9]+", no_label)
    return all(len(word) <= 3 if word.isdigit() else word in _WORDS for word in words)
