"""The same inputs give the same bytes, and only what depends on a change runs again."""

import re

import pytest

from project import run_study, snakemake
from verifying.verify import main as verify


def planned(folder):
    """Rules that a dry run would run."""
    printed, status = snakemake(folder, "-n", "--config", "study=tiny")
    assert status == 0, printed
    return set(re.findall(r"^(?:local)?rule (\w+):", printed, flags=re.M)) - {"all"}


def edited(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return text


def test_another_folder_and_one_core_give_the_same_bytes_and_verify_says_so(finished, capsys):
    results, moved = finished / "results" / "tiny", finished / "moved.tsv"
    words = [str(results), "--study", str(finished / "tiny"), "--cores", "1", "--moved", str(moved)]
    with pytest.raises(SystemExit) as end:
        verify(words)
    printed = capsys.readouterr().out
    assert end.value.code == 0, printed
    assert "# tiny: results verified" in (finished / "results" / "tiny_verified.md").read_text()
    assert " 0 more within" in printed
    assert " 0 moved" in printed
    assert "Files that are no tables and differ" not in printed
    assert moved.read_text().count("\n") == 1


def test_a_second_run_has_nothing_to_do_also_after_a_comment(finished):
    path = finished / "scripts" / "outcomes" / "rmssd_ms.py"
    before = edited(path, "def measure(", "# a remark\n\n\ndef measure(")
    assert planned(finished) == set()
    path.write_text(before, encoding="utf-8")


def test_a_changed_formula_of_an_outcome_reruns_everything_up_to_the_report(finished):
    path = finished / "scripts" / "outcomes" / "rmssd_ms.py"
    before = edited(path, "return ", "return 1.0 * ")
    rules = planned(finished)
    path.write_text(before, encoding="utf-8")
    assert {"measure_participant", "gather_tables", "compare_conditions", "write_report"} <= rules


def test_a_changed_formula_of_the_comparison_measures_nobody_again(finished):
    path = finished / "scripts" / "comparison" / "planning.py"
    before = edited(path, "def planning_table(", "LARGEST = 1\n\n\ndef planning_table(")
    rules = planned(finished)
    path.write_text(before, encoding="utf-8")
    assert {"compare_conditions", "write_report"} <= rules
    assert not rules & {"measure_participant", "gather_tables", "check_safety"}


def test_a_changed_row_reruns_only_its_participant(finished):
    path = finished / "tiny" / "events.tsv"
    lines = path.read_text(encoding="utf-8").splitlines()
    n = next(i for i, line in enumerate(lines) if line.startswith("sub-02") and "\tset\t" in line)
    changed = [*lines[:n], lines[n].replace("\t12", "\t11"), *lines[n + 1 :]]
    assert changed != lines
    path.write_text("\n".join(changed) + "\n", encoding="utf-8")
    printed, _ = snakemake(finished, "-n", "--config", "study=tiny")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    measured = re.findall(
        r"rule measure_participant:.*?wildcards: participant=(sub-\d+)", printed, re.S
    )
    assert set(measured) == {"sub-02"}


def test_one_file_adds_an_outcome_and_one_file_adds_a_figure_everywhere(finished):
    scripts = finished / "scripts"
    (scripts / "outcomes" / "shortest_nn_ms.py").write_text(
        '"""Shortest interval of the repaired series."""\n\n'
        "from outcomes import HEART\n\n"
        'LABEL = "Shortest NN"\nUNIT = "ms"\nRECIPE = "Shortest interval of the window."\n'
        'FAMILY = "heart period"\nSCALE = "identity"\n'
        "ASKED_OF = HEART\n\n\ndef measure(nn_ms):\n    return nn_ms.min()\n",
        encoding="utf-8",
    )
    figure = (scripts / "figures" / "02_primary_outcomes.py").read_text(encoding="utf-8")
    (scripts / "figures" / "99_again.py").write_text(
        figure.replace("Primary outcomes by condition", "Once again"), encoding="utf-8"
    )
    results = run_study(finished, "tiny")
    assert "shortest_nn_ms" in (results / "outcomes.tsv").read_text()
    assert "shortest_nn_ms" in (results / "outcomes_wide.tsv").read_text().splitlines()[0]
    assert "shortest_nn_ms" in (results / "contrasts.tsv").read_text()
    assert "Shortest NN" in (results / "tables" / "outcomes_by_condition.tsv").read_text()
    assert (results / "figures" / "99_again.pdf").stat().st_size > 1000
    assert "Once again" in (results / "report.html").read_text()
