"""The results book: what stands in it, as text, and the same bytes each time."""

import re

import pandas as pd
import pytest

from project import PROJECT
from report.book import MOST_ROWS, content_of, lists_in, printable, widths_of
from results.typesetting import set_pdfs

TEMPLATE = PROJECT / "workflow" / "templates" / "book.typ"

SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" xmlns:dc="http://purl.org/dc/elements/1.1/" '
    'width="20" height="10">'
    "<metadata><dc:description>{}</dc:description></metadata>"
    '<rect width="20" height="10"/></svg>'
)


@pytest.fixture
def results(tmp_path):
    """A folder of results with two figures, one table, methods and a checklist."""
    for name, said in (
        ("02_primary_outcomes", "Lines per participant."),
        ("11_work", "Nothing is drawn. No set has repetitions."),
    ):
        (tmp_path / f"{name}.svg").write_text(SVG.format(said), encoding="utf-8")
    tables = tmp_path / "tables"
    tables.mkdir()
    pd.DataFrame({"share_pct": ["60", "n/a"], "note": ["#panic(1) *x* $y$", "=1+1"]}).to_csv(
        tables / "4_pressures.tsv", sep="\t", index=False
    )
    (tables / "contents.tsv").write_text(
        "table\tcaption\tnote\n4_pressures\tPressures\tA note.\n", encoding="utf-8"
    )
    (tmp_path / "methods.md").write_text(
        "## Methods\n\nA #study. 2 participants.\n\n**Beats.** After Holm (1979) [1].\n\n"
        "## References\n\n1. Holm S. A title.\n",
        encoding="utf-8",
    )
    (tmp_path / "checklists.md").write_text(
        "# Lists\n\n## Exercise\n\nAfter Slade et al. 2016. 1 of 1 item answered, 0 open.\n\n"
        "| item | answer | where |\n|---|---|---|\n| load | 20 kg | sheet |\n",
        encoding="utf-8",
    )
    return tmp_path


def content(results):
    figures = sorted(results.glob("*.svg"))
    files = results / "tables", results / "methods.md", results / "checklists.md"
    return content_of(figures, *files, title="A #study", conditions=["none"]), figures


def test_a_figure_of_nothing_is_named_and_not_shown(results):
    book, _ = content(results)
    assert [figure["title"] for figure in book["figures"]] == ["Primary outcomes by condition"]
    assert book["not_drawn"] == ["Work"]


def test_methods_references_tables_and_checklists_stand_in_the_book(results):
    book, _ = content(results)
    assert book["lead"] == "2 participants."
    assert [part["head"] for part in book["methods"]] == ["Beats."]
    assert book["references"] == ["Holm S. A title."]
    (table,) = book["tables"]
    assert (table["names"], table["rows"][1]) == (["Share (%)", "Note"], ["", "=1+1"])
    (checklist,) = book["checklists"]
    assert checklist["rows"] == [["load", "20 kg", "sheet"]]


def test_the_book_has_the_same_bytes_twice_and_text_of_a_study_stays_text(results):
    book, figures = content(results)
    drawn = {path.name: path.read_text(encoding="utf-8") for path in figures}
    for name in ("a.pdf", "b.pdf"):
        set_pdfs(TEMPLATE, {results / name: book}, beside=drawn)
    first = (results / "a.pdf").read_bytes()
    assert first.startswith(b"%PDF") and first == (results / "b.pdf").read_bytes()
    # tagged for those who cannot see it, and of no day
    assert b"/StructTreeRoot" in first
    assert not re.search(rb"/CreationDate|/ModDate", first)


def test_columns_take_what_they_need_where_they_fit_and_never_less_than_a_word():
    assert widths_of(["a", "b"], [["1", "2"]], wide=False) == [0, 0]
    long = "many words " * 30
    first, second = widths_of(["participant", "checks"], [["sub-01", long]], wide=False)
    assert (first, second) == (len("participant") + 2, 32)
    assert widths_of(["only a header"], [], wide=False) == [0]


def test_a_page_without_lists_gives_none():
    assert list(lists_in("# Reporting checklists\n\nNothing.\n")) == []


def test_of_a_long_table_the_first_rows_are_set_and_the_book_says_how_many_it_lacks():
    kept, said = printable(pd.DataFrame({"mean": ["1"] * (MOST_ROWS + 3)}), "2_outcomes")
    assert kept.index.tolist() == [*range(MOST_ROWS)]
    assert f"the first {MOST_ROWS} of {MOST_ROWS + 3} rows" in said
    assert "tables/2_outcomes.tsv" in said


def test_a_table_that_fits_is_set_whole_and_says_nothing():
    rows = pd.DataFrame({"verdict": ["1 within"] * MOST_ROWS})
    kept, said = printable(rows, "4_pressures")
    assert kept is rows
    assert said == ""
