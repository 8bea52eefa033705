"""The manifest names every result with its bytes and with what it was made from."""

import hashlib

import pytest

from results.manifest import Origin, read_manifest, results_of, with_origins
from results.tables import stack, write

ORIGINS = [
    Origin(
        rule="measure",
        files=["beats/{participant}.tsv", "sessions/{participant}"],
        inputs=[],
        templates=[],
        recordings=True,
        tables=["events"],
        settings_sha256="5e",
        scripts=["find_beats"],
    ),
    Origin(
        rule="gather",
        files=["outcomes.tsv"],
        inputs=["beats/{participant}.tsv"],
        templates=[],
        recordings=False,
        tables=[],
        settings_sha256="77",
        scripts=["gather_tables"],
    ),
]


@pytest.fixture
def folder(tmp_path):
    for name in ("beats/sub-1.tsv", "beats/sub-2.tsv", "sessions/sub-1/ses-1.html", "outcomes.tsv"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(name)
    return tmp_path


def rows_of(folder, *, recordings=None, events="e", code=None):
    recordings = recordings or {"sub-1": [("a.edf", "aa")], "sub-2": [("b.edf", "bb")]}
    rows = with_origins(
        results_of(ORIGINS, folder, ["sub-1", "sub-2"]),
        ORIGINS,
        recordings=recordings.get,
        rows_digest=lambda table, participant: events,
        code=code or {"measure": "c1", "gather": "c2"},
    )
    return {row["file"]: row for row in rows}


def test_every_file_that_exists_is_named_once_with_the_checksum_of_its_bytes(folder):
    rows = rows_of(folder)
    assert set(rows) == {
        "beats/sub-1.tsv",
        "beats/sub-2.tsv",
        "sessions/sub-1/ses-1.html",
        "outcomes.tsv",
    }
    assert rows["outcomes.tsv"]["sha256"] == hashlib.sha256(b"outcomes.tsv").hexdigest()
    assert rows["sessions/sub-1/ses-1.html"]["participant"] == "sub-1"


def test_a_changed_recording_shows_in_what_was_made_of_that_person_alone(folder):
    before = rows_of(folder)
    after = rows_of(folder, recordings={"sub-1": [("a.edf", "other")], "sub-2": [("b.edf", "bb")]})
    changed = {f for f in before if before[f]["inputs_sha256"] != after[f]["inputs_sha256"]}
    assert changed == {"beats/sub-1.tsv", "sessions/sub-1/ses-1.html"}


def test_a_changed_result_shows_in_what_was_made_of_it(folder):
    before = rows_of(folder)
    (folder / "beats" / "sub-2.tsv").write_text("other")
    after = rows_of(folder)
    changed = {f for f in before if before[f]["inputs_sha256"] != after[f]["inputs_sha256"]}
    assert changed == {"outcomes.tsv"}


def test_a_manifest_is_read_as_it_was_written(folder):
    import pandas as pd

    rows = list(rows_of(folder).values())
    table = stack([pd.DataFrame(rows)], "manifest").astype({"bytes": "Int64"})
    write(table, "manifest", folder / "manifest.tsv")
    read = {row["file"]: row for row in read_manifest(folder)}
    assert {f: row["sha256"] for f, row in read.items()} == {r["file"]: r["sha256"] for r in rows}
    assert read["outcomes.tsv"]["made_from"] == "beats/{participant}.tsv"
    assert read["outcomes.tsv"]["participant"] is None
