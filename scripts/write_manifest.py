"""Write down every result with its checksum, its inputs, settings and code.

The last step: whoever holds the manifest can tell whether a result was altered since, and what a
number rests on.
"""

from itertools import chain
from pathlib import Path

from engine.code import code_behind
from engine.step import Input, Output, people_measured, run
from results.manifest import Origin, entries_in, results_of, with_origins, write_entries
from results.provenance import checksums_by_participant
from study.rows import digest_of_rows


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
    code, code_of_rules = code_behind(origins)
    checksums = checksums_by_participant(Path(study), entered)
    made = with_origins(
        results_of(origins, folder, people),
        origins,
        recordings=lambda person: (
            checksums.get(person, []) if person else sorted(set(chain(*checksums.values())))
        ),
        rows_digest=lambda table, person: digest_of_rows(study, table, person),
        code=code_of_rules,
    )
    entries = [row | {"kind": "input"} for row in entered]
    entries += [{"kind": "code", "file": file, "sha256": code[file]} for file in sorted(code)]
    entries += sorted(made, key=lambda row: row["file"])
    write_entries(entries, manifest)


if __name__ == "__main__":
    run(write_manifest)
