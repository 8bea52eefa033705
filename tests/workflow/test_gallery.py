"""The gallery: studies of four shapes, a page that leads to their reports, and what these say.

The demo study and the study of one person are run by tests of their own.
"""

import re

import pandas as pd
import pytest

from demo.gallery import GALLERY, gallery_page
from project import made

WRITTEN_BY = {name: write for name, _, _, write in GALLERY}


def made_for_gallery(name, folder):
    """The report and the folder of results of a study of the gallery."""
    WRITTEN_BY[name](folder / name)
    results = made(folder / name, "report.html")
    return (results / "report.html").read_text(encoding="utf-8"), results


def test_beat_intervals_alone_give_a_report_that_speaks_of_no_saturation(tmp_path):
    report, results = made_for_gallery("intervals_only", tmp_path)
    answer = report.partition('id="answer"')[2].partition("<section")[0]
    assert "6 people came to 12 visits with recordings and did 36 sets" in answer
    assert "Mean heart rate" in answer
    assert "aturation" not in answer
    beats = pd.read_csv(results / "beats" / "sub-01.tsv", sep="\t")
    assert set(beats["session_id"]) == {"ses-1", "ses-2"}


def test_without_a_cuff_log_pressures_are_judged_as_noted_and_the_time_under_cuffs_is_unknown(
    tmp_path,
):
    report, results = made_for_gallery("no_cuff_log", tmp_path)
    safety = pd.read_csv(results / "safety.tsv", sep="\t", keep_default_na=False)
    sets = safety[(safety["scope"] == "set") & (safety["condition"] != "none")]
    assert set(sets["verdict"]) == {"within"}
    assert set(sets["pressure_source"]) == {"noted"}
    visits = safety[safety["scope"] == "visit"].set_index("condition")
    assert set(visits.loc["target", "restriction_min"]) == {"n/a"}
    assert set(visits.loc["none", "restriction_min"]) == {"0"}
    assert "Not noted in the 16 sets with a cuff: cuff times in 16." in report
    assert "described" in report.partition('id="answer"')[2].partition("<section")[0]


@pytest.mark.parametrize("link", ["report.html", "results.pdf"])
def test_the_page_leads_to_the_results_of_each(link):
    links = re.findall(r'href="([^"]+)"', gallery_page())
    wanted = [f"{name}/{link}" for name, *_ in GALLERY]
    assert [target for target in links if target.endswith(link)] == wanted
