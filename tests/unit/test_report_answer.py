"""The first screen: whoever stops there has it right."""

import re
from types import SimpleNamespace

import pandas as pd
import pytest

from project import PROJECT
from report.answer import (
    course_in_words,
    marks_in_words,
    parts_of,
    pressures_in_words,
    what_was_done,
)
from report.drawn import across_conditions, interval_scale
from report.page import shown_table, templates_of
from report.sections.answer import claims_shown
from results.columns import columns_of

NOTHING = float("nan")


def recordings(*visits):
    return pd.DataFrame(visits, columns=["participant_id", "session_id"])


def events(*sets):
    return pd.DataFrame(sets, columns=["trial_type", "condition", "exercise"])


VISITS = recordings(("sub-01", "ses-1"), ("sub-01", "ses-2"), ("sub-02", "ses-1"))


def test_what_was_done_counts_people_visits_and_sets_and_names_what_nobody_did():
    sheet = events(
        ("baseline", "none", None), ("set", "none", "calf_raise"), ("set", "low", "band_row")
    )
    said = what_was_done(VISITS, sheet, ["none", "low", "target"])
    assert said == (
        "2 people came to 3 visits with recordings and did 2 sets of calf raise and band row "
        "under the conditions none and low. Nobody did a set under target."
    )


def test_a_study_without_sets_is_not_said_to_have_conditions():
    said = what_was_done(VISITS, events(("baseline", None, None)), ["none", "low"])
    assert said.endswith("The session sheet holds no set.")
    assert "condition" not in said


def limbs(*of_condition):
    columns = ["condition", "highest_pressure_mmhg", "share_pct"]
    return pd.DataFrame(of_condition, columns=columns).assign(scope="set")


def test_a_pressure_stands_with_its_share_and_with_how_often_the_share_is_unknown():
    safety = limbs(
        ("none", NOTHING, NOTHING), ("target", 80, 40.2), ("target", 91, NOTHING), ("low", 0, 0)
    )
    said = pressures_in_words(safety, ["none", "low", "target"], "none")
    assert "no cuff with none; no pressure noted with low;" in said
    assert "80 to 91 mmHg with target, 40 % of the occlusion pressure" in said
    assert "(unknown in 1 of 2 sets)" in said
    assert pressures_in_words(safety[:0], ["none"], "none") == ""


def test_the_parts_of_a_claim_are_read_back_with_the_interval_that_belongs_to_the_claim():
    text = (
        "target - none: -31.6 (98.3 % CI -34.5 to -28.7; 10 pairs); "
        "target - low: no estimate with an error (1 pairs)"
    )
    (part,) = parts_of(SimpleNamespace(parts=text))
    assert part == {"name": "target - none", "estimate": -31.6, "low": -34.5, "high": -28.7} | {
        "level": 98.3,
        "pairs": 10,
    }
    assert parts_of(SimpleNamespace(parts=NOTHING)) == []


def test_the_first_screen_tells_pairs_and_shares_behind_each_difference_of_a_claim():
    labels = {"outcome": "smo2_nadir_pct", "window": "set"}
    text = "target - none: -31.6 (95 % CI -34.5 to -28.7; 10 pairs)"
    claims = pd.DataFrame(
        [labels | {"claim": "target differs from none", "verdict": "shown", "parts": text}],
        columns=columns_of("claims"),
    )
    behind = {"n_pairs": 10, "flagged_pct": 0.2, "withheld_pct": 12.5}
    contrasts = pd.DataFrame(
        [
            labels
            | behind
            | {"exercise": "all", "contrast": "target - none", "estimate": -31.6}
            | {"note": ""}
        ],
        columns=columns_of("contrasts"),
    )
    (shown,) = claims_shown(claims, contrasts)
    (part,) = shown["parts"]
    told = {name: part[name] for name in ("estimate", "level", "interval", "pairs", "shares")}
    assert told == {"estimate": "-31.6", "level": "95 %", "interval": "-34.5 to -28.7"} | {
        "pairs": 10,
        "shares": "under 1 % flagged, 12 % withheld",
    }
    assert shown["unit"] == "percentage points"


def cells(*values):
    columns = ["exercise", "condition", "participant_id", "value"]
    return pd.DataFrame(values, columns=columns)


def test_a_picture_says_its_finding_from_people_who_have_both_conditions():
    table = cells(
        ("squat", "none", "sub-01", 50.0),
        ("squat", "target", "sub-01", 20.0),
        ("squat", "target", "sub-02", 45.0),
        ("row", "none", "sub-01", 50.0),
        ("row", "target", "sub-01", 30.0),
    )
    said = course_in_words(table, ["none", "target"], "Saturation nadir", "%")
    assert said == (
        "Saturation nadir was on average lower with target than with none in both exercises, by "
        "20 to 30 percentage points."
    )
    mixed = table.assign(value=[50.0, 20.0, 45.0, 50.0, 60.0])
    said = course_in_words(mixed, ["none", "target"], "Saturation nadir", "%")
    assert "lower" not in said
    assert "squat -30 percentage points; row +10 percentage points" in said


@pytest.mark.parametrize(
    ("method", "se", "adjusted"),
    [
        ("within person, CR2, visit", 1.0, True),
        ("within person, CR2", 1.0, False),
        ("within person, CR2, visit", float("nan"), False),
    ],
)
def test_means_are_told_from_contrasts_that_are_adjusted_for_the_visit(method, se, adjusted):
    said = marks_in_words(pd.DataFrame({"method": [method], "se": [se]}))
    assert ("not adjusted for the visit" in said) == adjusted


def test_people_without_a_pair_are_not_compared_in_the_caption():
    table = cells(("squat", "none", "sub-01", 50.0), ("squat", "target", "sub-02", 20.0))
    said = course_in_words(table, ["none", "target"], "Saturation nadir", "%")
    assert said == (
        "Saturation nadir: nobody has values with both none and target in one exercise."
    )


def test_whether_exercises_differ_stands_before_what_is_said_of_single_ones():
    page = templates_of(PROJECT / "workflow" / "templates")
    text = page.get_template("report/heart.html.jinja").render(
        absent="",
        by_exercise=shown_table(pd.DataFrame({"exercise": ["squat"]}), "Within each exercise"),
        interactions=["They vary from exercise to exercise."],
        delays="",
        sentences=[],
    )
    assert text.index("They vary") < text.index("within each exercise") < text.index("<table")
    picture = {"interaction": "They vary.", "said": "Lower in squat.", "drawing": "", "caption": ""}
    nothing = dict.fromkeys(("done", "pressures", "findings", "claims", "alone", "plan"), "")
    text = page.get_template("report/answer.html.jinja").render(nothing | {"pictures": [picture]})
    assert "They vary." in text[text.index("<figure>") : text.index("</figure>")]


def test_the_smallest_effect_is_shaded_only_where_one_was_stated():
    parts = [(6.2, 4.6, 7.8), (4.1, 1.9, 6.2)]
    stated = interval_scale(parts, ratio=False, smallest=3.0)
    assert [strip.count("#e3e8e6") for strip in stated.strips] == [1, 1]
    unstated = interval_scale(parts, ratio=False, smallest=None)
    assert not any("#e3e8e6" in strip for strip in unstated.strips)


@pytest.mark.parametrize("ratio", [True, False])
def test_an_estimate_stands_above_its_number_on_the_axis(ratio):
    scale = interval_scale([(3.0, 1.0, 4.0), (1.0, 0.5, 2.0)], ratio=ratio, smallest=None)
    for strip, number in zip(scale.strips, ("3", "1"), strict=True):
        (left,) = re.findall(r'<rect x="([.0-9]+)" y="7.5"', strip)
        (at,) = re.findall(rf'<text x="([.0-9]+)"[^>]*>{number}</text>', scale.axis)
        assert float(left) + 3.5 == pytest.approx(float(at), abs=0.11)


def test_a_picture_holds_no_markup_of_a_study_and_draws_values_that_are_all_equal():
    table = cells(("<b>squat", "none", "sub-01", 5.0), ("<b>squat", "<i>", "sub-01", 5.0))
    drawn = across_conditions(table, ["none", "<i>"], said="<s>", label="<u>")
    assert not {"<b>", "<i>", "<s>", "<u>"} & set(drawn.replace("><", "> <").split())
    assert "nan" not in drawn
