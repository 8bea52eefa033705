"""A blind review shows the heart alone, and freezes what was decided before anything is known."""

import hashlib
import json
import re

import pandas as pd
import pytest

from project import PROJECT
from report.sections.quality import blind_reviews
from session_example import BASELINE, SQUAT, beats, packed, session, sheet
from sessions.blind import HIDDEN_PANELS, blinded, in_random_order
from sessions.page import heart_page, template_folder
from study.checks.reviews import check_reviews_are_as_frozen
from study.edit_log import append_review
from study.problems import Problems, StudyError
from study.rows import rows_of


def telling_session():
    """A session in which whatever could tell its condition has a word or number of its own."""
    hand = beats(kinds={7: "removed", 9: "misplaced"})
    hand["reason"][7] = "removed by hand: restless under the zebra cuff"
    return session(
        participant_id="sub-77",
        session_id="ses-zebra",
        visit=3,
        events=sheet(BASELINE, SQUAT | {"condition": "zebra", "cuff_pressure_mmhg": 173.0}),
        beats=hand,
        spans=[
            {"start_s": "20", "end_s": "30", "verdict": "accepted", "usable_pct": "50"}
            | {"reason": "declared usable by hand, was doubtful: noise under zebra"},
            {"start_s": "40", "end_s": "50", "verdict": "doubtful", "usable_pct": "50"}
            | {"reason": "noise"},
        ],
        files=[{"signal": "ecg", "sha256": "ab" * 32, "from_s": 0, "to_s": 9}],
    )


def test_nothing_on_a_blind_page_tells_condition_pressure_visit_or_person():
    content, arrays = packed(blinded(telling_session(), "recording-4"))
    text = json.dumps(content)
    for word in ("zebra", "173", "sub-77", "squat", "ab" * 32, "vastus", "target", "visit"):
        assert word not in text
    assert content["participant"] == "recording-4"
    assert content["saturation"] == []
    assert content["events"] == []


def test_a_blind_page_holds_the_beats_the_ecg_and_the_spans_to_judge():
    content, _ = packed(blinded(telling_session(), "recording-4"))
    assert content["beats"]["reasons"] == ["detector", "21 ms early"]
    assert content["ecg"][0]["name"] == "ECG"
    assert content["spans"] == [[40.0, 50.0, "doubtful", "noise"]]


def test_the_packed_numbers_of_a_blind_page_are_those_of_the_heart_alone():
    with_muscle, arrays = packed(telling_session())
    _, without = packed(blinded(telling_session(), "recording-4"))
    assert len(without.text()) < len(arrays.text())
    _, deeper = packed(
        blinded(session(traces=[], events=sheet(), beats=telling_session().beats), "recording-4")
    )
    assert without.text() == deeper.text()


RECORDINGS = "participant_id\tsession_id\tsignal\tfile\tunit\n" + "".join(
    f"sub-{n:02d}\tses-{v}\t{signal}\traw/{n}{v}{signal}.edf\t{unit}\n"
    for n in range(1, 7)
    for v in (1, 2)
    for signal, unit in (("ecg", "mV"), ("muscle_oxygen", "pct"))
)


@pytest.fixture
def study(tmp_path):
    (tmp_path / "recordings.tsv").write_text(RECORDINGS)
    return tmp_path


@pytest.mark.parametrize(
    ("hidden", "explained"),
    [
        (HIDDEN_PANELS, ["Heart rate", "Modulation", "ECG"]),
        ((*HIDDEN_PANELS, "modulation"), ["Heart rate", "ECG"]),
    ],
)
def test_a_page_of_the_heart_alone_explains_the_panels_that_it_shows(hidden, explained):
    page = heart_page(
        blinded(telling_session(), "recording-4"),
        ["recording-4"],
        template_folder(PROJECT / "workflow" / "templates"),
        title="Blind review",
        hidden=hidden,
    )
    assert re.findall("<dt>(.*?)</dt>", page) == explained


def test_every_heart_recording_comes_once_and_the_seed_alone_settles_the_order(study):
    order = in_random_order(study, 5)
    assert len(order) == 12
    assert sorted(order.values()) == sorted({*order.values()})
    assert list(in_random_order(study, 5).values()) == list(order.values())
    assert list(in_random_order(study, 6).values()) != list(order.values())
    assert list(order)[0] == "recording-01"


REVIEW = {
    "review_id": "blind-5",
    "reviewer": "AB",
    "seed": "5",
    "recordings": "12",
    "decisions": "1",
    "frozen_at": "2031-05-24T10:00:00",
    "decisions_sha256": hashlib.sha256(b"rows").hexdigest(),
}


class StudyOf:
    """As much of a study as the check of reviews sees."""

    def __init__(self, folder, *edit_ids):
        self.folder = folder
        edits = [type("Edit", (), {"edit_id": name}) for name in edit_ids]
        self.tables = {"reviews": rows_of(folder, "reviews"), "edits": edits}


def told(study):
    problems = Problems()
    check_reviews_are_as_frozen(study, problems)
    with pytest.raises(StudyError) as said:
        problems.stop()
    return str(said.value)


def test_a_review_as_frozen_has_no_problem(study):
    append_review(study, REVIEW)
    (study / "blind_decisions_seed-5_frozen.tsv").write_bytes(b"rows")
    problems = Problems()
    check_reviews_are_as_frozen(StudyOf(study, "blind-5-AB-1", "CD-1"), problems)
    problems.stop()


def test_decisions_altered_after_freezing_or_taken_out_are_told(study):
    append_review(study, REVIEW)
    (study / "blind_decisions_seed-5_frozen.tsv").write_bytes(b"other rows")
    said = told(StudyOf(study, "CD-1"))
    assert "is not as it was frozen" in said
    assert "0 decisions of blind-5 stand in edits.tsv, 1 were frozen" in said


def reviews_and_edits(*edited_at):
    edits = pd.DataFrame(
        {
            "edit_id": ["blind-5-AB-1", *(f"CD-{n}" for n in range(len(edited_at)))],
            "edited_at": ["2031-05-24T09:00:00", *edited_at],
        }
    )
    return pd.DataFrame([REVIEW]).astype({"recordings": int, "decisions": int}), edits


def test_the_report_says_what_was_judged_blind_and_what_with_sight_of_the_condition():
    (sentence,) = blind_reviews(
        *reviews_and_edits("2031-05-01T10:00:00", "2031-06-01T10:00:00", "2031-06-02T10:00:00")
    )
    assert sentence.startswith("12 heart recordings were judged by one reviewer without condition")
    assert "1 decision stood when the review was frozen on 2031-05-24" in sentence
    assert "1 decision was made before and 2 after it." in sentence
    assert "AB" not in sentence


def test_the_report_says_where_no_other_decision_was_made_and_nothing_without_a_review():
    (sentence,) = blind_reviews(*reviews_and_edits())
    assert sentence.endswith("No other decision was made.")
    reviews, edits = reviews_and_edits()
    assert blind_reviews(reviews[:0], edits) == []
