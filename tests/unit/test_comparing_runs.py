"""Two runs are compared cell by cell, and what moved is led back to what caused it."""

import pandas as pd
import pytest

from results.causes import Causes
from results.comparing import compare_results, is_close
from results.manifest import sha256_of
from study.problems import StudyError
from verifying.verify import altered
from verifying.what_if import beside, changed_by, chosen, lines_of
from verifying.words import because, by_cause

OUTCOMES = (
    "participant_id\tevent_id\toutcome\tvalue\tstatus\n"
    "sub-01\tset-1\trmssd_ms\t42.1234\tok\n"
    "sub-01\tset-1\tsdnn_ms\t50\tok\n"
)


@pytest.fixture
def folders(tmp_path):
    for name in ("first", "second"):
        (tmp_path / name / "logs").mkdir(parents=True)
        (tmp_path / name / "outcomes.tsv").write_text(OUTCOMES)
        (tmp_path / name / "report.html").write_text("report")
        (tmp_path / name / "logs" / "a.log").write_text(name)
    return tmp_path / "first", tmp_path / "second"


def altered_by(folders, old, new, file="outcomes.tsv"):
    text = (folders[1] / file).read_text()
    assert old in text
    (folders[1] / file).write_text(text.replace(old, new))
    return compare_results(*folders)


def test_the_same_results_are_the_same_whatever_their_logs_say(folders):
    comparison = compare_results(*folders)
    assert comparison.same
    assert comparison.equal == 10


def test_a_last_digit_is_within_the_tolerance_and_another_value_is_not(folders):
    comparison = altered_by(folders, "42.1234", "42.1235")
    assert (comparison.within, len(comparison.moved)) == (1, 0)
    comparison = altered_by(folders, "42.1235", "42.2")
    (cell,) = comparison.moved
    assert (cell.file, cell.row, cell.column) == ("outcomes.tsv", 2, "value")
    assert (cell.old, cell.new) == ("42.1234", "42.2")
    assert cell.labels == "sub-01, set-1, rmssd_ms"


def test_a_value_that_became_missing_or_another_verdict_has_moved(folders):
    assert len(altered_by(folders, "50\tok", "n/a\trefused").moved) == 2


def test_rows_are_paired_by_what_they_are_of_and_not_by_place(folders):
    header, first, second = OUTCOMES.splitlines(keepends=True)
    (folders[1] / "outcomes.tsv").write_text(header + second + first)
    assert compare_results(*folders).same
    (folders[1] / "outcomes.tsv").write_text(header + second)
    (cell,) = compare_results(*folders).moved
    assert (cell.column, cell.old, cell.new) == ("row", "present", "absent")
    assert cell.labels == "sub-01, set-1, rmssd_ms"


def test_a_column_that_one_run_lacks_has_moved(folders):
    comparison = altered_by(folders, "status", "state")
    assert {(c.column, c.old, c.new) for c in comparison.moved} == {
        ("status", "column", "no column"),
        ("state", "no column", "column"),
    }


def test_other_files_differ_or_are_absent_as_a_whole(folders):
    (folders[0] / "extra.svg").write_text("picture")
    comparison = altered_by(folders, "report", "Report", file="report.html")
    assert comparison.files == {"report.html": "other bytes", "extra.svg": "only in the first"}
    assert not comparison.moved


@pytest.mark.parametrize(
    ("old", "new", "close"),
    [
        ("0", "0.0000000000001", True),
        ("0.001", "0.00100001", True),
        ("0.001", "0.0011", False),
        ("n/a", "n/a", False),
        ("ok", "flagged", False),
        ("-1", "1", False),
    ],
)
def test_closeness_is_relative_and_of_numbers_alone(old, new, close):
    assert is_close(old, new) is close


def row(kind, file, sha256, rule=None, participant=None, made_from=None, **digests):
    given = {"inputs_sha256": "i", "settings_sha256": "s", "code_sha256": "c"} | digests
    names = {"kind": kind, "file": file, "sha256": sha256, "rule": rule}
    return names | {"participant": participant, "made_from": made_from} | given


def manifest(**changed):
    """A person measured, the outcomes gathered, and safety checked beside."""
    measured = "recordings; rows of events.tsv"
    return [
        row("input", "events.tsv", changed.get("events", "e")),
        row("input", "raw/a.edf", changed.get("recording", "r")),
        row("code", "scripts/heart/beats.py", changed.get("code", "k")),
        row(
            *("result", "beats/sub-01.tsv", "b", "measure", "sub-01", measured),
            inputs_sha256=changed.get("measured_from", "i"),
            settings_sha256=changed.get("settings", "s"),
            code_sha256=changed.get("measured_by", "c"),
        ),
        row("result", "outcomes.tsv", "o", "gather", None, "beats/{participant}.tsv"),
        row("result", "safety.tsv", "f", "check_safety", None, "rows of occlusion.tsv"),
    ]


SETTING = ("find_beats.detector", "ours", "another")


@pytest.mark.parametrize(
    ("changed", "settings", "cause"),
    [
        ({"settings": "t"}, [SETTING], "setting find_beats.detector: 'ours', now 'another'"),
        ({"recording": "q", "measured_from": "j"}, [], "input raw/a.edf"),
        ({"events": "q", "measured_from": "j"}, [], "input events.tsv"),
        ({"code": "q", "measured_by": "d"}, [], "code scripts/heart/beats.py"),
    ],
)
def test_a_number_is_led_back_to_what_it_rests_on_and_to_nothing_else(changed, settings, cause):
    causes = Causes(manifest(), manifest(**changed), settings, [])
    assert causes.of("beats/sub-01.tsv") == [cause]
    assert causes.of("outcomes.tsv") == [cause]
    assert causes.of("safety.tsv") == []


def test_software_may_move_everything_and_an_altered_file_is_called_so():
    causes = Causes(manifest(), manifest(), [], [("numpy", "2.4", "2.5")], altered=["safety.tsv"])
    assert causes.of("outcomes.tsv") == ["numpy 2.4, now 2.5"]
    assert causes.of("safety.tsv") == [
        "numpy 2.4, now 2.5",
        "the file was altered since it was made",
    ]


def test_moved_numbers_are_told_together_by_their_cause(folders):
    comparison = altered_by(folders, "42.1234", "43")
    causes = Causes(manifest(), manifest(settings="t"), [SETTING], [])
    ((reasons, cells),) = by_cause(comparison.moved, causes)
    said = because(reasons, cells)
    assert said.startswith("This cell moved because of: setting find_beats.detector: 'ours'")
    assert "say why" in because((), cells)


def test_results_are_held_against_their_manifest(folders):
    first, _ = folders
    rows = [
        row("result", "outcomes.tsv", sha256_of(first / "outcomes.tsv")),
        row("result", "report.html", "another"),
        row("result", "gone.tsv", "g"),
        row("result", "times.json", None),
    ]
    assert altered(first, rows) == {
        "report.html": "was altered since it was made",
        "gone.tsv": "is gone",
    }


def test_settings_to_try_are_named_as_in_the_reference_and_typed_as_in_study_yaml():
    words = ["find_beats.detector=ours", "spectrum.bands.high_hz=[0.15, 0.4]"]
    assert changed_by(words) == {
        "find_beats": {"detector": "ours"},
        "spectrum": {"bands": {"high_hz": [0.15, 0.4]}},
    }
    for wrong in ("detector=ours", "find_beats.detector"):
        with pytest.raises(StudyError, match=r"write section\.name=value"):
            changed_by([wrong])


def contrasts(estimate):
    return pd.DataFrame(
        {
            "outcome": ["rmssd_ms", "sdnn_ms"],
            "window": "set",
            "exercise": "all",
            "contrast": "low - none",
            "scale": "identity",
            "estimate": [estimate, 2.0],
            "ci_low": [0.5, 1.0],
            "ci_high": [1.5, 3.0],
            "p": 0.04,
            "claim": "no",
        }
    )


def test_a_changed_setting_stands_beside_the_present_numbers():
    asked = ["rmssd_ms", "sdnn_ms"]
    lines = list(lines_of(beside(contrasts(1.0), contrasts(1.2), asked)))
    assert lines == [
        "\nrmssd_ms, set",
        "  all, low - none: 1 [0.5, 1.5]   changed: 1.2 [0.5, 1.5]",
        "\nThe same in every contrast:",
        "  sdnn_ms, set",
    ]
    some = contrasts(1.2).assign(outcome="rmssd_ms", exercise=["squat", "all"])
    before = contrasts(1.0).assign(outcome="rmssd_ms", exercise=["squat", "all"])
    assert sorted(lines_of(beside(before, some, asked))) == [
        "\nrmssd_ms, set",
        "  all, low - none: 2 [1, 3]  (the same)",
        "  squat, low - none: 1 [0.5, 1.5]   changed: 1.2 [0.5, 1.5]",
    ]


def test_an_outcome_to_show_must_be_in_a_contrast():
    assert chosen(None, contrasts(1.0), [("sdnn_ms", "set")]) == ["sdnn_ms"]
    assert chosen(["all"], contrasts(1.0), []) == ["rmssd_ms", "sdnn_ms"]
    with pytest.raises(StudyError, match="did you mean 'rmssd_ms'"):
        chosen(["rmsd_ms"], contrasts(1.0), [])
