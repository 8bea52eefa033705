"""Write down every result with its checksum, its inputs, settings and code.

The last step: whoever holds the manifest can tell whether a result was altered since, and what a
number rests on.
"""

from itertools import chain
from pathlib import Path

import pandas as pd

from engine.code import digests_behind, fingerprint
from engine.step import Input, Output, people_measured, run
from results.manifest import Origin, digest_of, results_of, sha256_of, with_origins
from results.provenance import checksums_by_participant
from results.tables import read_table, stack, write
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
    entered = read_table(inputs)
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
    parts = [
        entered.assign(kind="input"),
        pd.DataFrame({"kind": "code", "file": behind.keys(), "sha256": behind.values()}),
        pd.DataFrame(made),
    ]
    parts[1:] = [part.sort_values("file") for part in parts[1:]]
    write(stack(parts, "manifest").astype({"bytes": "Int64"}), "manifest", manifest)


if __name__ == "__main__":
    run(write_manifest)
