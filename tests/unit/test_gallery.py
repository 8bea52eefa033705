"""The gallery: studies of four shapes that are in order, and a page that leads to their reports."""

import re

import pytest

from demo.gallery import GALLERY, gallery_page
from study.loading import load_study


@pytest.mark.parametrize("entry", GALLERY[1:], ids=lambda entry: entry[0])
def test_each_study_of_the_gallery_passes_the_checks_of_its_tables(entry, tmp_path):
    name, _, _, write = entry
    write(tmp_path / name)
    study = load_study({"study": str(tmp_path / name)})
    n_people = {"one_person": 1, "intervals_only": 6, "no_cuff_log": 4}[name]
    assert len(study.participants) == n_people
    kinds = {row.trial_type for row in study.tables["events"]}
    assert ("cuff" in kinds) == (name == "one_person")
    for physio in (tmp_path / name).rglob("*.tsv.gz"):
        # a file of BIDS is read with what stands beside it
        assert physio.with_name(physio.name.replace(".tsv.gz", ".json")).exists()


def test_the_page_leads_to_the_results_of_each():
    links = re.findall(r'href="([^"]+)"', gallery_page())
    assert [link for link in links if link.endswith("report.html")] == [
        f"{name}/report.html" for name, *_ in GALLERY
    ]
