"""The list of everything that the report can say, with the conditions under which it is said."""

import re

from report.every_sentence import every_sentence, is_said, plain, sentences_page


def conditions_of(begins):
    return [
        conditions
        for _, sentences in every_sentence()
        for text, conditions in sentences
        if text.startswith(begins)
    ]


def test_a_sentence_stands_with_the_condition_under_which_it_is_said():
    (blinded,) = conditions_of("People feel a cuff")
    assert blinded == ("outcomes['condition'].nunique() > 1",)
    (unequal,) = conditions_of("Sets to failure differ in repetitions")
    assert unequal == ("len(failed)",)


def test_what_follows_an_early_end_is_said_where_the_end_did_not_come():
    (described,) = conditions_of("A contrast of a primary outcome rests on")
    assert "not (people == 1)" in described
    assert "not (pairs >= fewest)" in described


def test_no_sentence_of_the_report_leaves_two_spaces():
    for place, sentences in every_sentence():
        for text, _ in sentences:
            plain = re.sub(r"\{[^{}]*\}", "x", text)
            assert "  " not in plain.strip(), (place, text)


def test_the_list_names_every_section_that_says_anything():
    page = sentences_page()
    for name in ("answer", "failure", "heart", "limits", "safety"):
        assert f"## scripts/report/sections/{name}.py" in page
    assert page.count("\n| ") > 300


def test_a_sentence_is_found_in_a_report_whatever_the_study_fills_in():
    report = plain("<li>Nadir <b>was</b> lower with low than with none: -6 points.</li><p>Else")
    assert is_said("{label} was {direction} with {one} than with {other}: {found}.", report)
    assert not is_said("{label} was not tested: {why}.", report)


def test_results_stand_beside_the_sentences_that_their_reports_say(tmp_path):
    for name, said in (("with", "People feel a cuff: conditions cannot be blinded."), ("not", "")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "report.html").write_text(f"<p>{said}</p>", encoding="utf-8")
        for other in ("methods.md", "checklists.md"):
            (tmp_path / name / other).touch()
    (row,) = (
        line
        for line in sentences_page([tmp_path / "with", tmp_path / "not"]).splitlines()
        if line.startswith("| People feel a cuff")
    )
    assert row.endswith("| with |")
