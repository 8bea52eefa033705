"""What the check of a study says before anything runs."""

import pytest

from project import write_tiny_study
from study.check import by_cause, changed_since_checked, main, remember_checked
from study.loading import load_study


@pytest.fixture
def study(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return write_tiny_study(tmp_path / "Größe 1", participants=("sub-01", "sub-02"))


def test_a_study_in_order_is_counted_and_its_cautions_are_told_once(study, capsys):
    text = (study / "recordings.tsv").read_text()
    (study / "recordings.tsv").write_text(text.replace("n/a\t0", "n/a\tn/a"))
    main([str(study)])
    printed = capsys.readouterr().out
    assert "2 participants, 6 visits, 12 files opened" in printed
    assert "a run may begin" in printed
    assert printed.count("its place on the session clock is unknown") == 1
    assert "(and 5 further recordings)" in printed


def test_faults_of_tables_and_of_files_are_told_in_one_round(study):
    events = (study / "events.tsv").read_text()
    (study / "events.tsv").write_text(events.replace("\tlow\t", "\tlo\t", 1))
    for name in ("sub-01_ses-1", "sub-02_ses-3"):
        path = study / "raw" / f"{name}_intervals.txt"
        path.write_text(path.read_text().replace("\n", "\nlost\n", 1))
    with pytest.raises(SystemExit) as stopped:
        main([str(study)])
    told = str(stopped.value)
    assert "column condition: found 'lo'" in told
    assert "2 faults of recordings, 1 cause:" in told
    assert "'lost' is not a number" in told
    assert "the same in row 12: raw/sub-02_ses-3_intervals.txt" in told


def test_a_cause_is_told_once_with_its_first_places_and_a_count():
    faults = [
        f"recordings.tsv, row {n}: raw/{n}.csv: no column 'ECG'\n  to do: correct channel"
        for n in range(2, 60)
    ]
    lines = by_cause([*faults, "recordings.tsv, row 70: raw/70.edf: not readable as EDF"])
    assert lines == [
        "59 faults of recordings, 2 causes:",
        "  recordings.tsv, row 2: raw/2.csv: no column 'ECG'\n    to do: correct channel",
        "    the same in row 3: raw/3.csv, row 4: raw/4.csv, row 5: raw/5.csv and 54 more",
        "  recordings.tsv, row 70: raw/70.edf: not readable as EDF",
    ]


def test_a_study_in_order_is_opened_again_only_after_a_change(study):
    loaded = load_study({"study": str(study)})
    assert changed_since_checked(loaded)
    remember_checked(loaded)
    assert not changed_since_checked(loaded)
    path = study / "raw" / "sub-01_ses-1_intervals.txt"
    path.write_text(path.read_text() + "800\n")
    assert changed_since_checked(loaded)


def test_a_condition_that_nobody_did_is_told(study):
    text = (study / "study.yaml").read_text()
    (study / "study.yaml").write_text(text.replace('"target"]', '"target", "high"]'))
    notes = load_study({"study": str(study)}).notes()
    assert "'high' has no set in events.tsv" in notes
    assert "events.tsv has no set" not in notes


def test_a_session_sheet_without_a_set_is_told_before_the_run(study):
    sheet = study / "events.tsv"
    lines = sheet.read_text().splitlines(keepends=True)
    sheet.write_text("".join(line for line in lines if "\tset\t" not in line))
    notes = load_study({"study": str(study)}).notes()
    assert "events.tsv has no set" in notes
    assert "has no set in events.tsv" not in notes


def test_a_wrong_outcome_and_a_wrong_window_are_told_together(study):
    primary = "  primary_outcomes: [{outcome: smo2_end, window: recovery}]\n"
    text = (study / "study.yaml").read_text()
    text = text.replace("measure_outcomes:", f"{primary}measure_outcomes:")
    (study / "study.yaml").write_text(text)
    with pytest.raises(SystemExit) as stopped:
        main([str(study)])
    assert "'smo2_end' is not an outcome; did you mean 'smo2_end_pct'" in str(stopped.value)
    assert "found 'recovery', allowed: 'baseline', 'set'" in str(stopped.value)
