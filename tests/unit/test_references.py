"""What a text names stands in its list of references, numbered as the text numbers it."""

import json
import re

import pytest

from project import PROJECT
from report.references import (
    as_bibtex,
    as_csl,
    as_text,
    cited_in,
    list_of_references,
    numbered,
    references_in,
    without_entry,
)

REFERENCES = references_in(PROJECT / "workflow" / "templates" / "references.yaml")


def test_sources_are_numbered_in_the_order_of_the_text():
    text = "By the steps of Holm (1979). CR2 (Bell and McCaffrey 2002). Again Holm 1979."
    cited = cited_in(text, REFERENCES)
    assert [reference["cited"] for reference in cited] == ["Holm 1979", "Bell and McCaffrey 2002"]
    assert numbered(text, cited) == (
        "By the steps of Holm (1979) [1]. CR2 (Bell and McCaffrey 2002 [2]). Again Holm 1979 [1]."
    )


def test_a_source_within_brackets_keeps_what_follows_it():
    text = "(Cox 1972, ties as Efron 1977) and (Tarvainen et al. 2002; regularisation 500)"
    assert numbered(text, cited_in(text, REFERENCES)) == (
        "(Cox 1972 [1], ties as Efron 1977 [2]) and (Tarvainen et al. 2002 [3]; regularisation 500)"
    )


def test_a_text_without_sources_has_no_list():
    assert cited_in("No contrast could be estimated.", REFERENCES) == []
    assert list_of_references([]) == ""


@pytest.mark.parametrize(
    "path",
    [
        "scripts/report/methods.py",
        "scripts/report/heart.py",
        "scripts/report/checklists.py",
        "workflow/templates/methods.md.jinja",
        "config/quality_rules.yaml",
    ],
)
def test_every_source_that_the_methods_may_name_has_its_entry(path):
    text = re.sub(r'"\s*\n\s*f?"', "", (PROJECT / path).read_text(encoding="utf-8"))
    assert without_entry(text, REFERENCES) == [], "add it to workflow/templates/references.yaml"


def test_a_source_without_entry_is_noticed():
    assert without_entry("as Nobody and Else (1999) and Holm (1979)", REFERENCES) == [
        "Nobody and Else (1999)"
    ]


def test_a_reference_reads_as_in_a_journal():
    assert as_text(REFERENCES["Holm 1979"]) == (
        "Holm S. A simple sequentially rejective multiple test procedure. Scandinavian Journal of "
        "Statistics. 1979;6:65-70 [no DOI confirmed]."
    )
    assert as_text(REFERENCES["Harris et al. 2020"]).startswith(
        "Harris CR, Millman KJ, van der Walt SJ, et al. Array programming with NumPy."
    )
    book = as_text(REFERENCES["Fisher 1935"])
    assert book == "Fisher RA. The design of experiments. Oliver and Boyd. 1935."


@pytest.mark.parametrize("cited", REFERENCES)
def test_every_entry_has_what_a_reader_needs_to_find_it(cited):
    reference = REFERENCES[cited]
    assert str(reference["year"]) == cited[-4:]
    assert reference["authors"] and reference["title"]
    assert ("journal" in reference) != ("publisher" in reference)
    assert "doi" not in reference or re.fullmatch(r"10\.\d{4,9}/\S+", reference["doi"])
    first = reference["authors"][0].partition(",")[0]
    assert cited.startswith(first) or reference.get("corporate")


def test_libraries_get_every_source_once_with_its_doi():
    cited = [REFERENCES[name] for name in ("Task Force 1996", "Youden 1950", "Fisher 1935")]
    records = json.loads(as_csl(cited))
    assert [record["type"] for record in records] == ["article-journal", "article-journal", "book"]
    assert records[0]["author"][0]["literal"].startswith("Task Force of the European Society")
    assert records[1]["DOI"] == cited[1]["doi"]
    bibtex = as_bibtex(cited)
    assert re.findall(r"^@(\w+)\{(\w+),", bibtex, re.M) == [
        ("article", "task_force_1996"),
        ("article", "youden_1950"),
        ("book", "fisher_1935"),
    ]
    assert bibtex.count("{") == bibtex.count("}")
    assert r"Journal of Medical Engineering \& Technology" in as_bibtex(
        [REFERENCES["Lipponen and Tarvainen 2019"]]
    )
