"""The overview of sessions, decisions that go into a study, and who may send them."""

import json
import shutil
import threading

import numpy as np
import pandas as pd
import pytest

from project import PROJECT
from session_example import ordinary_page, page, session
from sessions.agreement import agreement, in_sentence
from sessions.overview import (
    courses_of,
    in_order_of_worth,
    pictures_of,
    pieces,
    points,
    spans_to_judge,
    write_courses,
)
from sessions.packing import texts_within
from sessions.review import Pages, decisions_in, server
from study.edit_log import EDIT_COLUMNS, append_edits
from study.problems import StudyError
from unit.http_answer import answer

EDITS = pd.DataFrame(columns=["participant_id", "session_id", "action", "time_s", "end_s"])

COURSE = {
    "spans": [
        [10.0, 20.0, "doubtful", "noise"],
        [110.0, 115.0, "rejected", "clipped"],
        [300.0, 330.0, "doubtful", "noise"],
    ],
    "windows": [["set", 100.0, 140.0], ["rest", 290.0, 350.0]],
}


def spans_in_doubt(n=2, start_s=20.0):
    return [
        {"start_s": str(start_s + 20 * i), "end_s": str(start_s + 20 * i + 10)}
        | {"verdict": "doubtful", "reason": "noise", "usable_pct": "50"}
        for i in range(n)
    ]


def test_means_of_pieces_keep_a_mean_and_show_where_nothing_is_known():
    edges = np.array([0.0, 1.0, 2.0, 3.0])
    means = pieces(np.array([0.1, 0.9, 2.5]), np.array([10.0, 20.0, 7.0]), edges)
    assert means == [15.0, None, 7.0]


def test_a_line_is_broken_where_nothing_is_known_and_higher_values_stand_higher():
    (run,) = points([0.0, 100.0, None, 50.0], 0.0, 100.0, 0, 50)
    assert [float(pair.split(",")[1]) for pair in run.split()] == [50.0, 0.0]


def test_spans_in_windows_of_primary_outcomes_are_judged_first_then_the_longest():
    spans = spans_to_judge(COURSE, EDITS, {"set"})
    assert [span[0] for span in spans] == [110.0, 300.0, 10.0]
    assert [span[4] for span in spans] == [True, False, False]


def test_a_span_that_a_decision_covers_is_no_longer_to_be_judged():
    decided = pd.DataFrame({"time_s": [109.0, 12.0], "end_s": [116.0, 30.0]})
    assert [span[0] for span in spans_to_judge(COURSE, decided, {"set"})] == [300.0, 10.0]


def test_sessions_come_in_the_order_in_which_a_look_pays(tmp_path):
    folder = tmp_path / "sub-01"
    folder.mkdir()
    in_doubt = session(session_id="ses-2", spans=spans_in_doubt(1))
    more = session(session_id="ses-3", spans=spans_in_doubt(2))
    write_courses([session(), in_doubt, more], folder)
    pictures = pictures_of([folder], EDITS, {"set"})
    assert [picture.session for picture in pictures] == ["ses-1", "ses-2", "ses-3"]
    assert [picture.session for picture in in_order_of_worth(pictures)] == ["ses-3", "ses-2"]


def test_courses_hold_the_rate_and_the_saturation_of_the_session():
    course = courses_of(session())
    rates = [rate for rate in course["rate"] if rate is not None]
    # the mean of rates lies above 75, that of intervals of 0.8 s, by half their variance
    assert np.mean(rates) == pytest.approx(75 * (1 + 0.5 * (40 / 800) ** 2), rel=2e-3)
    assert min(course["saturation"][0]) == pytest.approx(40, abs=3)
    assert course["sets"] == [[100.0, 140.0]]


def test_a_session_of_which_nothing_is_known_has_a_course():
    empty = {name: np.empty(0) for name in ("time_s", "nn_time_s", "nn_ms")}
    nothing = session(
        beats=empty | {"kind": [], "source": [], "reason": []}, traces=[], stretches=[]
    )
    assert set(courses_of(nothing)["rate"]) == {None}


@pytest.fixture
def study(tmp_path):
    """The tables of the demo study and the one recording that decisions here are about."""
    folder = tmp_path / "study"
    folder.mkdir()
    demo = PROJECT / "data_demo"
    for path in [*demo.glob("*.tsv"), demo / "study.yaml"]:
        shutil.copy(path, folder)
    edits = pd.read_csv(demo / "edits.tsv", sep="\t", dtype=str, keep_default_na=False)
    row = edits.iloc[0].to_dict()
    recordings = pd.read_csv(demo / "recordings.tsv", sep="\t", dtype=str)
    (file,) = recordings.query(
        "participant_id == @row['participant_id'] and session_id == @row['session_id'] "
        "and signal == 'ecg'"
    )["file"]
    (folder / file).parent.mkdir(parents=True, exist_ok=True)
    shutil.copy(demo / file, folder / file)
    return folder, row


def test_decisions_stand_below_those_of_before_which_stay_as_written(study):
    folder, row = study
    before = (folder / "edits.tsv").read_text()
    append_edits(folder, [row | {"edit_id": "AB-1", "event_id": "n/a"}])
    after = (folder / "edits.tsv").read_text()
    assert after.startswith(before.rstrip("\n"))
    assert after.splitlines()[-1].startswith("AB-1\t")


def test_a_column_that_the_table_lacks_is_added_when_a_decision_needs_it(study):
    folder, row = study
    append_edits(
        folder,
        [row | {"edit_id": "AB-1", "action": "exclude_event", "event_id": "sub-03_ses-2_set-01"}],
    )
    header, *_, last = (folder / "edits.tsv").read_text().splitlines()
    assert dict(zip(header.split("\t"), last.split("\t"), strict=True))["event_id"] == (
        "sub-03_ses-2_set-01"
    )


def test_a_study_without_decisions_gets_the_table(study):
    folder, row = study
    (folder / "edits.tsv").unlink()
    append_edits(folder, [row])
    header, line = (folder / "edits.tsv").read_text().splitlines()
    assert header.split("\t") == EDIT_COLUMNS
    assert line.split("\t")[0] == row["edit_id"]


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"file_sha256": "0" * 64}, "changed after the page was made"),
        ({"action": "burn_beat"}, "burn_beat"),
        ({"time_s": "n/a"}, "time_s"),
        ({}, "stands there already"),
    ],
)
def test_a_decision_that_cannot_stand_is_refused_and_nothing_is_written(study, changed, said):
    folder, row = study
    before = (folder / "edits.tsv").read_bytes()
    label = {"edit_id": "AB-1"} if changed else {}
    with pytest.raises(StudyError, match=said):
        append_edits(folder, [row | label | changed])
    assert (folder / "edits.tsv").read_bytes() == before


@pytest.fixture
def served(study, tmp_path):
    """Pages of a session served on this machine, with the study that they belong to."""
    folder, row = study
    results = tmp_path / "results"
    of_person = results / "sessions" / "sub-03"
    of_person.mkdir(parents=True)
    (results / "sessions" / "index.html").write_text("<title>Sessions</title>")
    (of_person / "ses-2.html").write_text(ordinary_page())
    (tmp_path / "secret.html").write_text("not a result")
    serving, address = server(Pages(folder, results))
    threading.Thread(target=serving.serve_forever, daemon=True).start()
    yield folder, row, address
    serving.shutdown()


def table(*edits):
    lines = ["\t".join(EDIT_COLUMNS)]
    lines += ["\t".join(str(row.get(name) or "n/a") for name in EDIT_COLUMNS) for row in edits]
    return ("\n".join(lines) + "\n").encode()


def test_a_served_page_sends_its_decisions_into_the_study(served):
    folder, row, address = served
    status, text = answer(f"{address}sessions/sub-03/ses-2.html")
    assert status == 200
    assert "connect-src 'self'" in text
    token = address.rstrip("/").rpartition("/")[2]
    assert f'data-token="{token}"' in text
    body = table(row | {"edit_id": "AB-1"})
    status, said = answer(f"{address}decisions", body, **{"X-Review-Token": token})
    assert (status, said.split(".")[0]) == (200, "1 decision stands in edits")
    assert "AB-1" in (folder / "edits.tsv").read_text()
    status, said = answer(f"{address}decisions", body, **{"X-Review-Token": token})
    assert (status, "stands there already" in said) == (422, True)


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [
        ("{address}../secret.html", {}, 404),
        ("{address}sessions/%2e%2e/%2e%2e/secret.html", {}, 404),
        ("{address}sessions/../../secret.html", {}, 404),
        ("{root}wrong/sessions/sub-03/ses-2.html", {}, 403),
        ("{address}sessions/sub-03/ses-2.html", {"Host": "elsewhere.example"}, 403),
        ("{address}sessions/sub-03/ses-9.html", {}, 404),
    ],
)
def test_nobody_else_and_nothing_else_is_answered(served, path, headers, status):
    _, _, address = served
    root = address.rstrip("/").rpartition("/")[0] + "/"
    assert answer(path.format(address=address, root=root), **headers)[0] == status


def test_decisions_without_the_token_are_refused(served):
    folder, row, address = served
    before = (folder / "edits.tsv").read_bytes()
    assert answer(f"{address}decisions", table(row | {"edit_id": "AB-1"}))[0] == 403
    assert (folder / "edits.tsv").read_bytes() == before


def test_a_quotation_mark_in_a_reason_swallows_no_decision():
    rows = decisions_in('edit_id\treason\nA\t"plain\nB\tnoise\n')
    assert [(row["edit_id"], row["reason"]) for row in rows] == [("A", '"plain'), ("B", "noise")]


def test_results_without_pages_are_told(tmp_path):
    with pytest.raises(StudyError, match="run the workflow first"):
        Pages(tmp_path, tmp_path)


def test_the_page_of_a_session_names_the_recording_by_its_checksum_alone():
    text = page(session(files=[{"signal": "ecg", "sha256": "ab" * 32, "from_s": 0, "to_s": 9}]))
    content = json.loads(texts_within(text)[0])
    assert content["review"]["files"][0]["sha256"] == "ab" * 32


def decisions(*decided):
    columns = ["participant_id", "session_id", "editor", "action", "signal", "time_s", "end_s"]
    table = pd.DataFrame([("sub-01", *row) for row in decided], columns=columns)
    return table.assign(new_time_s=np.nan, event_onset_s=np.nan, event_id=None)


def test_reviewers_agree_where_all_of_a_session_decided_alike():
    compared = agreement(
        decisions(
            ("ses-1", "A", "remove_beat", "ecg", 10.00, np.nan),
            ("ses-1", "B", "remove_beat", "ecg", 10.04, np.nan),
            ("ses-1", "A", "exclude_span", "ecg", 50.0, 60.0),
            ("ses-1", "B", "exclude_span", "ecg", 52.0, 61.0),
            ("ses-1", "B", "exclude_span", "ecg", 90.0, 95.0),
            ("ses-2", "A", "remove_beat", "ecg", 20.0, np.nan),
        )
    )
    assert (compared.sessions, compared.alike) == (1, 2)
    assert compared.single == [("sub-01", "ses-1", "exclude_span", 90.0)]
    assert in_sentence(compared) == (
        "1 session was judged by more than one reviewer. Decisions made by all of them: 2. "
        "Not by all: 1 (1 exclude span)."
    )


def test_a_study_with_one_reviewer_says_nothing_of_agreement():
    assert (
        in_sentence(agreement(decisions(("ses-1", "A", "remove_beat", "ecg", 1.0, np.nan)))) == ""
    )
