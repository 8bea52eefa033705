"""Write down every result with its checksum, its inputs, settings and code.

The last step: whoever holds the manifest can tell whether a result was altered since, and what a
number rests on.
"""

from itertools import chain
from pathlib import Path

from engine.code import digests_behind, fingerprint
from engine.step import Input, Output, people_measured, run
from results.manifest import (
    Origin,
    digest_of,
    entries_in,
    results_of,
    sha256_of,
    with_origins,
    write_entries,
)
from results.provenance import checksums_by_participant
from study.rows import digest_of_rows

PROJECT = Path(__file__).resolve().parents[1]


def write_manifest(
    inputs: Input,
    manifest: Output,
    *,
    study: str,
    results: str,
    origins: list[Origin],
):
    folder, people = Path(results), people_measured(study)
    entered = entries_in(inputs)
    templates = sorted({name for origin in origins for name in origin.templates})
    behind = {name: sha256_of(PROJECT / name) for name in templates}
    code = {
        origin.rule: digest_of(
            [("scripts", fingerprint(*origin.scripts))]
            + [(name, behind[name]) for name in origin.templates]
        )
        for origin in origins
    }
    for origin in origins:
        digests = digests_behind(*origin.scripts)
        behind |= {f"scripts/{name}": digest for name, digest in digests.items()}
    checksums = checksums_by_participant(Path(study), entered)
    made = with_origins(
        results_of(origins, folder, people),
        origins,
        recordings=lambda person: (
            checksums.get(person, []) if person else sorted(set(chain(*checksums.values())))
        ),
        rows_digest=lambda table, person: digest_of_rows(study, table, person),
        code=code,
    )
    entries = [row | {"kind": "input"} for row in entered]
    entries += [{"kind": "code", "file": name, "sha256": behind[name]} for name in sorted(behind)]
    entries += sorted(made, key=lambda row: row["file"])
    write_entries(entries, manifest)


if __name__ == "__main__":
    run(write_manifest)
