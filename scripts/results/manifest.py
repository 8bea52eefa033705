"""Which bytes a run left, and the inputs, settings and code behind each result.

The manifest holds no time and no place: the same study gives the same bytes. Light, because every
start of the workflow reads it.
"""

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from results.neutral import as_meant, in_one_line

NAME = "manifest.tsv"

# its bytes differ in every run: it names the time of the run
NAMES_TIMES = ("provenance/ro-crate-metadata.json",)


@dataclass(frozen=True)
class Origin:
    """What a rule makes and from what; paths inside the results, with {participant} for everybody.

    files, inputs : results made and read
    templates : files of the project that are filled, by their path inside it
    recordings : whether recordings of the study are read
    tables : tables of the study of which rows are read
    settings_sha256 : digest of all settings given
    scripts : steps, and patterns of further scripts, whose code is run
    """

    rule: str
    files: list[str]
    inputs: list[str]
    templates: list[str]
    recordings: bool
    tables: list[str]
    settings_sha256: str
    scripts: list[str]


def sha256_of(path):
    """SHA-256 of the bytes of a file, as hexadecimal text."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digest_of(pairs):
    """SHA-256 of names with their checksums, whatever their order."""
    return hashlib.sha256(json.dumps(sorted(pairs)).encode()).hexdigest()


def files_of(pattern, folder, participants):
    """(participant, path inside the results) of each file of a pattern, or in its folder."""
    for participant in participants if "{participant}" in pattern else [None]:
        path = Path(folder) / pattern.format(participant=participant)
        files = sorted(path.rglob("*")) if path.is_dir() else [path]
        for file in files:
            # Snakemake leaves the time of a folder in a hidden file
            if file.is_file() and not file.name.startswith("."):
                yield participant, file.relative_to(folder).as_posix()


def results_of(origins, folder, participants):
    """A row per result that exists: participant, file, bytes, sha256, and the rule that made it."""
    files = []
    for origin in origins:
        for pattern in origin.files:
            for participant, file in files_of(pattern, folder, participants):
                timed = file in NAMES_TIMES
                files.append(
                    {
                        "kind": "result",
                        "file": file,
                        "bytes": None if timed else (Path(folder) / file).stat().st_size,
                        "sha256": None if timed else sha256_of(Path(folder) / file),
                        "rule": origin.rule,
                        "participant": participant,
                    }
                )
    return files


def with_origins(files, origins, recordings: Callable, rows_digest: Callable, code: dict):
    """Rows of results with what each was made from.

    recordings : (participant or None) -> [(file, sha256)] of recordings
    rows_digest : (table, participant or None) -> digest of the rows that are read
    code : digest of the code of each rule
    """
    sha256 = {row["file"]: row["sha256"] for row in files if row["sha256"]}
    by_rule = {origin.rule: origin for origin in origins}
    read = {}
    for row in files:
        origin, participant = by_rule[row["rule"]], row["participant"]
        if (origin.rule, participant) not in read:
            pairs = _inputs(origin, participant, sha256)
            pairs += recordings(participant) if origin.recordings else []
            pairs += [(f"{t}.tsv", rows_digest(t, participant)) for t in origin.tables]
            read[origin.rule, participant] = digest_of(pairs)
        yield row | {
            "made_from": "; ".join(
                [
                    *(["recordings"] if origin.recordings else []),
                    *(f"rows of {table}.tsv" for table in origin.tables),
                    *origin.inputs,
                ]
            ),
            "inputs_sha256": read[origin.rule, participant],
            "settings_sha256": origin.settings_sha256,
            "code_sha256": code[origin.rule],
        }


def _inputs(origin, participant, sha256):
    """(file, sha256) of the results that a rule reads, of one participant where it is of one."""
    pairs = []
    for pattern in origin.inputs:
        head, wildcard, tail = pattern.partition("{participant}")
        if not wildcard or participant is not None:
            path = pattern.format(participant=participant)
            pairs += [(f, s) for f, s in sha256.items() if f == path or f.startswith(f"{path}/")]
        else:
            pairs += [(f, s) for f, s in sha256.items() if f.startswith(head) and f.endswith(tail)]
    return pairs


def read_manifest(folder):
    """Rows of the manifest of a results folder as dictionaries; None where there is none."""
    path = Path(folder) / NAME
    return entries_in(path) if path.exists() else None


def entries_in(path):
    """Rows of a table of texts as dictionaries, None where `n/a`."""
    header, *lines = Path(path).read_text(encoding="utf-8").splitlines()
    columns = header.split("\t")
    return [
        {c: None if v == "n/a" else as_meant(v) for c, v in zip(columns, cells, strict=True)}
        for cells in (line.split("\t") for line in lines)
    ]


def write_entries(entries, path):
    """Write rows as the declared table of results; what a row does not say is missing."""
    from results.columns import columns_of

    columns = columns_of("manifest")
    with Path(path).open("w", encoding="utf-8", newline="\n") as file:
        file.write("\t".join(columns) + "\n")
        for entry in entries:
            cells = (entry.get(column) for column in columns)
            file.write("\t".join(in_one_line("" if c is None else str(c)) for c in cells) + "\n")
