"""Every sentence that has a condition was given by a test, and was left out by another one."""

import html
import json
import os
import subprocess
import sys
from pathlib import Path

from report.every_sentence import every_sentence, is_said

ROOT = Path(__file__).parents[2]

# unit tests that call what the report says, in seconds
ASKED = (
    *("report_answer", "report_origins", "report_safety", "report_sentences", "checklists"),
    *("sentences_on_both_sides", "conditions_of_sentences", "limits", "state_of_visits"),
    *(
        "book",
        "printed_tables",
        "sensitivity_tables",
        "printed_pressures",
        "failure_and_dose",
        "single_case_page",
        "unmade",
    ),
)


def given_by_tests(folder):
    """Texts that each function of the report gave in these tests, by file and function."""
    told = folder / "said.json"
    paths = [os.fspath(ROOT / part) for part in ("tests", "scripts")]
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p"]
    # a figure is drawn there, which takes seconds and says nothing
    command += ["sentences_said", "-k", "not course_of_sessions"]
    command += [f"tests/unit/test_{name}.py" for name in ASKED]
    environment = os.environ | {"SENTENCES_SAID": str(told), "PYTHONPATH": os.pathsep.join(paths)}
    run = subprocess.run(  # noqa: S603 our own tests
        command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False
    )
    assert run.returncode == 0, run.stdout[-3000:]
    return json.loads(told.read_text(encoding="utf-8"))


def has_another_side(text, conditions):
    """Whether a text is a sentence, or holds what a study fills in, and has a condition.

    Captions and names of columns go with their table, which is there where it has rows.
    """
    conditional = any(not condition.startswith("for each") for condition in conditions)
    return conditional and (text.rstrip().endswith(".") or "{" in text)


def test_every_sentence_with_a_condition_is_said_in_one_test_and_left_out_in_another(tmp_path):
    given = given_by_tests(tmp_path)
    one_sided, asked = [], 0
    for place, sentences in every_sentence():
        if not place.endswith(".py"):
            continue
        functions = [
            [" ".join(html.unescape(text).split()) for text in texts]
            for texts in given.get(place, {}).values()
        ]
        for text, conditions in sentences:
            if not has_another_side(text, conditions):
                continue
            asked += 1
            sides = [{is_said(text, whole) for whole in texts} for texts in functions]
            if {True, False} not in sides:
                one_sided.append(f"{place}: {text}")
    assert asked > 150
    # a test of a sentence stands in a file of ASKED, or its file is named there
    assert one_sided == []
