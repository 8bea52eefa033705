"""The list of everything that the report can say, with the conditions under which it is said."""

import re

from report.every_sentence import every_sentence, sentences_page


def conditions_of(begins):
    return [
        conditions
        for _, sentences in every_sentence()
        for text, conditions in sentences
        if text.startswith(begins)
    ]


def test_a_sentence_stands_with_the_condition_under_which_it_is_said():
    (blinded,) = conditions_of("People feel a cuff")
    assert blinded == ("found['condition'].nunique() > 1",)
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
