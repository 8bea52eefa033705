"""Files that a run refers to are named by what is in them."""

import hashlib
import json
from pathlib import Path

import pandas as pd

from results.provenance import name_by_content, write_crate


def test_content_is_named_as_the_standard_names_it():
    """RFC 6920, section 8.1: the text "Hello World!" and its name."""
    checksum = hashlib.sha256(b"Hello World!").hexdigest()
    assert name_by_content(checksum) == "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"


def test_a_run_refers_only_to_files_beside_it_or_to_content(tmp_path):
    """RO-Crate 1.1, data entities: a file named by a path is part of the crate."""
    project = Path(__file__).parents[2]
    crate, workflow, report = (tmp_path / n for n in ("crate.json", "Snakefile", "report.html"))
    workflow.write_text("")
    report.write_text("report")
    listed = pd.DataFrame([{"file": "raw/ecg.edf", "bytes": 3, "sha256": "00" * 32}])
    write_crate(
        crate, {workflow: "cuffstudy"}, listed, report, project / "CITATION.cff", title="A study"
    )
    files = {
        entity["@id"]: entity["name"]
        for entity in json.loads(crate.read_text())["@graph"]
        if "File" in entity["@type"] and entity["@type"] != "CreativeWork"
    }
    assert sorted(files.values()) == ["cuffstudy", "raw/ecg.edf", "report.html"]
    assert [name for name in files if not name.startswith("ni:")] == ["Snakefile"]
