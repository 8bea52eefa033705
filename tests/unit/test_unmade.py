"""A person, page or figure that cannot be made costs itself alone, and the reason is kept."""

from types import SimpleNamespace

import pandas as pd
import pytest

from engine.step import RESULTS, is_unmade, people_measured
from engine.unmade import leave_empty, why
from figures._drawing import draw_or_say_why
from results.exclusions import people_not_measured
from results.tables import read_table, write
from sessions.page import page_that_says, pages_of

STUDY_FAULT = (
    "INFO step read_recordings\nINFO step find_beats\nERROR recordings.tsv, row 9: no numbers\n"
    "  to do: fill in separator\n"
)


@pytest.mark.parametrize(
    ("log", "status", "step", "reason"),
    [
        (
            STUDY_FAULT,
            1,
            "find_beats",
            "recordings.tsv, row 9: no numbers; to do: fill in separator",
        ),
        (
            "INFO step find_beats\nERROR find_beats: a fault of the program\n"
            "Traceback (most recent call last):\n  File\nKeyError: 'nan'\n",
            2,
            "find_beats",
            "find_beats: a fault of the program (KeyError: 'nan')",
        ),
        (
            "INFO step find_beats\n",
            137,
            "find_beats",
            "its process was killed, as systems do that run out of memory",
        ),
        ("", 139, None, "its process ended with status 139 and said nothing"),
    ],
)
def test_the_reason_is_what_the_step_said_or_how_its_process_ended(log, status, step, reason):
    assert why(log, status) == (step, reason)


def test_steps_leave_out_who_could_not_be_measured_and_no_one_else(tmp_path, monkeypatch):
    study, results = tmp_path / "study", tmp_path / "results"
    study.mkdir()
    header = "participant_id\tsession_id\tsignal\tfile\tunit\n"
    text = "".join(f"sub-0{n}\tses-1\trr\traw/{n}.txt\tms\n" for n in (1, 2, 3))
    (study / "recordings.tsv").write_text(header + text)
    for person, kind in (("sub-01", "person"), ("sub-02", "session page"), ("sub-03", None)):
        file = results / "participants" / person / "unmade.tsv"
        file.parent.mkdir(parents=True)
        text = [{"kind": kind, "participant_id": person, "reason": "why"}] if kind else []
        write(pd.DataFrame(text), "unmade", file)
    monkeypatch.setenv(RESULTS, str(results))
    assert people_measured(study) == ["sub-02", "sub-03"]
    # a step that is called by hand knows of no run
    assert not is_unmade("sub-01", None)


def test_who_could_not_be_measured_is_left_out_with_the_reason():
    unmade = pd.DataFrame(
        [
            {"kind": "person", "participant_id": "sub-01", "step": "find_beats", "reason": "why"},
            {"kind": "session page", "participant_id": "sub-02", "step": "x", "reason": "why"},
        ]
    )
    left_out = people_not_measured(unmade)
    assert left_out["participant_id"].tolist() == ["sub-01"]
    assert left_out["reason"].tolist() == ["find_beats: why"]


def test_an_empty_file_is_of_its_kind(tmp_path):
    leave_empty(tmp_path / "beats" / "sub-01.tsv", "sub-01")
    leave_empty(tmp_path / "participants" / "sub-01" / "sync.tsv", "sub-01")
    assert read_table(tmp_path / "beats" / "sub-01.tsv").columns[0] == "session_id"
    assert read_table(tmp_path / "participants" / "sub-01" / "sync.tsv").empty


def test_a_figure_that_fails_says_so_in_its_place():
    def draw(results):
        raise ValueError("no marks")

    figure, numbers, reason = draw_or_say_why(SimpleNamespace(TITLE="Contrasts", draw=draw), None)
    assert reason == "ValueError: no marks"
    assert figure.get_label() == "This figure could not be drawn: ValueError: no marks"
    assert numbers["reason"].tolist() == [reason]


def test_a_session_page_that_fails_says_so_and_costs_no_other():
    broken = SimpleNamespace(session_id="ses-1")
    protocol = SimpleNamespace(failure_band_pct=[10, 30], no_cuff_condition="none")
    ((label, page, reason),) = pages_of([broken], None, {}, protocol, "A <study>")
    assert label == "ses-1"
    assert reason.startswith("AttributeError: ")
    assert page == page_that_says(reason, "ses-1", "A <study>")
    assert "<study>" not in page
