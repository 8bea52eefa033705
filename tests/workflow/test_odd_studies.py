"""Small and incomplete studies give a complete report that says what it lacks."""

import pandas as pd
import pytest

from project import copy_of_project, run_study, write_tiny_study


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    return copy_of_project(tmp_path_factory.mktemp("odd") / "project")


def keep_recordings(study, signal):
    path = study / "recordings.tsv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    kept = [row for row in rows if f"\t{signal}\t" in row]
    path.write_text("\n".join([header, *kept]) + "\n", encoding="utf-8")


def read(path):
    return pd.read_csv(path, sep="\t", na_values="n/a", keep_default_na=False)


def test_recordings_without_a_session_sheet_still_give_beats_and_quality(project):
    study = write_tiny_study(project / "no_sheet", ("sub-01",))
    keep_recordings(study, "rr")
    for name in ("events.tsv", "occlusion.tsv", "study.yaml"):
        (study / name).unlink()
    results = run_study(project, "no_sheet")
    assert len(read(results / "beats" / "sub-01.tsv")) > 2000
    assert "no ECG can confirm a beat" in read(results / "quality.tsv")["reason"].iloc[0]
    assert read(results / "contrasts.tsv").empty
    assert "No contrast between conditions" in (results / "report.html").read_text()


def test_one_participant_is_described_and_not_tested(project):
    write_tiny_study(project / "alone", ("sub-01",))
    results = run_study(project, "alone")
    contrasts = read(results / "contrasts.tsv")
    assert contrasts["estimate"].notna().any()
    assert contrasts["p"].isna().all()
    report = (results / "report.html").read_text()
    assert "One participant" in report
    assert "nothing is tested" in report


def test_saturation_without_a_heart_recording_is_analysed(project):
    study = write_tiny_study(project / "no_heart", ("sub-01", "sub-02"))
    keep_recordings(study, "muscle_oxygen")
    results = run_study(project, "no_heart")
    outcomes = read(results / "outcomes.tsv")
    heart = outcomes[outcomes["outcome"] == "rmssd_ms"]
    assert set(heart["status"]) <= {"missing", "refused"}
    assert heart["reason"].notna().all()
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"]
    assert nadir["value"].notna().all()


def test_a_study_with_one_condition_compares_nothing(project):
    study = write_tiny_study(project / "one_condition", ("sub-01", "sub-02"))
    path = study / "events.tsv"
    text = path.read_text().replace("\tlow\t", "\tnone\t").replace("\ttarget\t", "\tnone\t")
    path.write_text(text)
    results = run_study(project, "one_condition")
    assert read(results / "contrasts.tsv").empty
    assert read(results / "outcomes.tsv")["value"].notna().any()
