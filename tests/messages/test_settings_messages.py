"""What a person reads when study.yaml holds what no setting can mean."""

import pytest

from project import message_of, write_tiny_study
from study.loading import load_study
from study.problems import StudyError

ALIASES = "a: &a [x, x]\n" + "".join(
    f"{name}: &{name} [{', '.join([f'*{before}'] * 9)}]\n"
    for before, name in zip("abcdefghijklmnopqrs", "bcdefghijklmnopqrst", strict=True)
)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (ALIASES, "line 2: found the alias *a; write its value out"),
        ("study: &s\n  title: *s\n", "line 2: found the alias *s"),
        ("study:\n  title: !!python/name:os.system\n", "line 2: found the tag"),
        ("? [a, b]\n: 3\n", "line 1: a list or a mapping stands for a name"),
        ("study:\n  no: x\n", "line 2: 'no' is no text for YAML"),
        ("study:\n  seed: " + "9" * 5001, "line 2: found '9999"),
        ("study:\n  exercises: [" + "a, " * 30_000 + "]", "holds more than 20000 values"),
        ("study: " + "[" * 5000, "line 1: "),
        ("study:\n  title: 2031-02-30\n", "line 2: found '2031-02-30'"),
        ('study:\n  title: "a\\0b"\n', "line 2: holds the control sign U+0000"),
        ("study: {}\n---\nstudy: {}\n", "line 2: a second document begins"),
        ("study:\n  title: for {condition}\n", "line 2, study.title: found 'for {condition}'"),
        ("study:\n  conditions: [a, a]\n", "study.conditions: found ['a', 'a'], allowed: each"),
        ("study:\n  conditions: [low - high]\n", "without ' - ' in it"),
        ("study:\n  exercises: [all]\n", "`all` stands for all exercises together"),
        ("read_recordings:\n  largest_drift_ppm: .inf\n", "allowed: a finite number"),
        ("protocol:\n  failure_band_pct: [15.0, 0.0]\n", "the lower one first"),
        ("protocol:\n  failure_band_pct: [0.0, 200.0]\n", "less than or equal to 100"),
        ("protocol:\n  slowest_cadence_hz: 2.0\n", "slowest_cadence_hz below fastest_cadence_hz"),
        ("measure_outcomes:\n  low_frequency_hz: [0.04, 0.5]\n", "ends where high_frequency_hz"),
        ("measure_outcomes:\n  recovery_steady_from_s: 0.0\n", "greater than or equal to 60"),
        ("measure_outcomes:\n  smallest_usable_pct: 0.0\n", "greater than or equal to 50"),
        ("measure_outcomes:\n  resampling_hz: 1e6\n", "measure_outcomes.resampling_hz"),
        ("find_beats:\n  detector: neurokitt\n", "allowed: 'own', 'sleepecg'"),
    ],
    ids=lambda text: text[:40] if ":" in text else None,
)
def test_what_no_setting_can_mean_is_refused_with_its_line(study, text, expected):
    (study / "study.yaml").write_text(text, encoding="utf-8")
    message = message_of(study)
    assert expected in message
    assert "study.yaml, line" in message
    assert len(message.splitlines()) <= 3


def test_a_pipe_for_study_yaml_is_refused_and_not_waited_for(study):
    import os

    (study / "study.yaml").unlink()
    os.mkfifo(study / "study.yaml")
    assert "study.yaml: is a pipe; allowed: a regular file" in message_of(study)


@pytest.mark.parametrize(
    ("results", "expected"),
    [
        ("scripts", "the program itself stands there"),
        ("results/{x}", "holds '{'"),
        ("README.md", "it is a file"),
    ],
)
def test_results_go_to_a_folder_of_their_own(study, results, expected):
    from engine.code import SCRIPTS

    where = SCRIPTS.parent / results if results != "results/{x}" else results
    with pytest.raises(StudyError, match="Results cannot go|folder of results") as raised:
        load_study({"study": str(study), "results": str(where)})
    assert expected in str(raised.value)


def test_a_study_folder_with_braces_is_refused_with_the_cure(tmp_path):
    odd = write_tiny_study(tmp_path / "of {person}", participants=("sub-01",))
    assert "holds '{': rename it without it" in message_of(odd)


def test_labels_that_differ_in_capitals_only_are_one_file_on_many_disks(tmp_path):
    study = write_tiny_study(tmp_path / "tiny", participants=("sub-a1", "sub-A1"))
    message = message_of(study)
    assert "found 'sub-A1', but row 2 has 'sub-a1'" in message
