"""An archive holds a study that is run again, and nothing that tells who took part."""

import hashlib
import json
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from archive.build import build_archive
from archive.dataset import write_descriptions
from archive.labels import KEY, Labels
from archive.readme import (
    AGES,
    DATES,
    FROZEN,
    FROZEN_ON_A_VISIT,
    IN_BEH,
    IN_SOURCEDATA,
    WITHOUT_ECG,
    paragraphs,
)
from archive.recordings import RecordingsWriter, intervals_of_beats
from archive.tables import age_band
from cuff.cautions import CAUTION
from engine.code import SCRIPTS
from finished_run import finished_run, run_again_as
from project import settings_with, write_tiny_study
from recordings.store import SessionStretch
from results.private_text import contents_of
from results.tables import read_table, write_table
from study.plan import (
    SETTINGS_FILE,
    changed_after_freezing,
    checksum,
    excluded_after_freezing,
    settings_that_decide,
)
from study.problems import Problems, StudyError
from study.registration import complete_plan
from study.rows import rows_of
from study.session_sheet import table_of
from study.settings_files import read_settings
from study.tables import TABLES

PEOPLE = ("sub-01", "sub-02")
RUN = settings_with(
    measure_outcomes={"baseline_settle_s": 20.0, "recovery_steady_from_s": 60.0},
    study={"title": "Invented tiny study", "conditions": ["none", "low", "target"]},
)
STARTS = [f"2044-{month}-{day}T09:41:30+02:00" for month in ("05", "06") for day in (19, 21, 26)]
PLANTED = {
    "sessions": ("note", ["sister of Mrs Smithers called"]),
    "events": ("reason", ["phoned Dr Obermeier at noon"]),
    "participants": ("surname", ["Smithers", "Jonesbury"]),
}


def add_column(study, table, column, values):
    path = study / f"{table}.tsv"
    header, *rows = path.read_text(encoding="utf-8").splitlines()
    cells = [*values, *["n/a"] * (len(rows) - len(values))]
    lines = [f"{row}\t{cell}" for row, cell in zip(rows, cells, strict=True)]
    path.write_text("\n".join([f"{header}\t{column}", *lines]) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A run of one of two people, with notes, names and dates in their study."""
    folder = tmp_path_factory.mktemp("archived")
    study = write_tiny_study(folder / "study", PEOPLE)
    add_column(study, "sessions", "session_start", STARTS)
    for table, (column, values) in PLANTED.items():
        add_column(study, table, column, values)
    recording = study / "raw" / "Smith_Jane.txt"
    (study / "raw" / "sub-01_ses-1_intervals.txt").rename(recording)
    table = study / "recordings.tsv"
    table.write_text(table.read_text().replace("sub-01_ses-1_intervals.txt", recording.name))
    return finished_run(study, folder / "results", RUN, people=["sub-01"])


@pytest.fixture(scope="module")
def archive(finished):
    folder = finished.results.with_name("archive")
    # with this seed the first person is not the first of the archive
    told = build_archive(finished, folder, licence="CC-BY-4.0", seed=1, today="2031-07-01")
    assert told[1].endswith("none found.")
    return folder


def frozen_run(finished, folder, when):
    """The same run of a study with a frozen plan and three visits left out by hand."""
    study = shutil.copytree(finished.study, folder / "study")
    edits = pd.DataFrame({column: [None] * 3 for column in TABLES["edits"].model_fields})
    edits = edits.assign(
        edit_id=["1", "2", "3"],
        participant_id="sub-02",
        session_id=["ses-1", "ses-2", "ses-3"],
        action="exclude_session",
        editor="JS",
        edited_at=["2044-01-01T08:00:00Z", "2046-01-01T08:00:00Z", "2046-01-02T08:00:00Z"],
        reason="felt unwell",
    )
    write_table(edits, study / "edits.tsv")
    plan = complete_plan(RUN).model_copy(update={"exclusions": "fever"})
    decide = yaml.safe_dump(settings_that_decide(RUN), sort_keys=False).encode()
    (study / SETTINGS_FILE).write_bytes(decide)
    record = {"frozen_at": when, "frozen_sha256": checksum(plan)}
    record["frozen_settings_sha256"] = hashlib.sha256(decide).hexdigest()
    settings = RUN.model_copy(update={"plan": plan.model_copy(update=record)})
    return run_again_as(finished, study, folder / "results", settings)


def settings_of(folder):
    problems = Problems()
    *_, settings = read_settings(folder, {}, problems)
    problems.stop()
    return settings


def test_a_frozen_plan_is_as_planned_in_the_archive_as_well(finished, tmp_path):
    run = frozen_run(finished, tmp_path, "2045-01-01T08:00:00Z")
    build_archive(run, tmp_path / "archive", seed=1, today="2045-07-01")
    settings = settings_of(tmp_path / "archive")
    assert settings.plan == run.settings.plan
    assert checksum(settings.plan) == settings.plan.frozen_sha256
    assert changed_after_freezing(tmp_path / "archive", settings) == []
    # of three decisions the later two count as made with sight of the values, there as here
    once, again = (
        excluded_after_freezing(run.settings.plan, rows_of(study, "edits"))
        for study in (run.study, tmp_path / "archive")
    )
    assert (
        once
        == again
        == ["2 sessions left out by hand after the plan was frozen (the plan says: fever)"]
    )
    assert FROZEN in (tmp_path / "archive" / "README.md").read_text()


def test_a_plan_frozen_on_the_day_of_a_visit_does_not_tell_that_day(finished, tmp_path):
    run = frozen_run(finished, tmp_path, "2044-05-19T08:00:00Z")
    build_archive(run, tmp_path / "archive", seed=1, today="2045-07-01")
    assert settings_of(tmp_path / "archive").plan.frozen_at is None
    readme = (tmp_path / "archive" / "README.md").read_text()
    assert FROZEN_ON_A_VISIT in readme and FROZEN not in readme


def bytes_in(folder):
    return {p.relative_to(folder): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def key_of(finished):
    return read_table(finished.study / KEY).set_index("participant_id")["archived_as"].to_dict()


def test_outcomes_are_measured_again_from_the_archive_as_it_lies(finished, archive, tmp_path):
    problems = Problems()
    *_, settings = read_settings(archive, {}, problems)
    problems.stop()
    assert settings.model_dump() == RUN.model_dump()
    labels = key_of(finished)
    assert labels == {"sub-01": "sub-02", "sub-02": "sub-01"}
    again = finished_run(archive, tmp_path / "results", settings).table("outcomes")
    once = finished.table("outcomes").copy()
    keys = ["participant_id", "session_id", "event_id", "window", "outcome"]
    once["event_id"] = [
        e.replace(p, labels[p])
        for e, p in zip(once["event_id"], once["participant_id"], strict=True)
    ]
    once["participant_id"] = once["participant_id"].map(labels)
    both = once.merge(again, on=keys, suffixes=("", "_again"), validate="one_to_one")
    assert len(both) == len(once) == len(again)
    assert both["value"].notna().sum() > 300
    # from the age, which is told in bands: 0.57 x 1.14 bpm a year (Jose and Collison 1970)
    of_age = both["outcome"] == "hr_above_intrinsic_bpm"
    moved_bpm = (both["value_again"] - both["value"])[of_age].dropna()
    assert moved_bpm.abs().between(0.6, 1.4).all()
    exact = both[~of_age]
    np.testing.assert_allclose(exact["value_again"], exact["value"], rtol=2e-4, atol=1e-6)
    assert (both["status"] == both["status_again"]).all()


def test_nothing_planted_in_the_study_stands_in_the_archive(archive):
    whole = " ".join(t for p in archive.rglob("*") if p.is_file() for t in contents_of(p))
    whole += " ".join(map(str, bytes_in(archive)))
    planted = [v for _, values in PLANTED.values() for v in values]
    for text in (*planted, "Smith", "2044-05", "2044-06", "09:41", "surname", str(archive.parent)):
        assert text not in whole
    assert "Invented tiny study" in whole


def test_days_of_a_person_keep_their_distance_and_lie_before_1925(archive):
    sessions = table_of(archive, "sessions")
    starts = pd.to_datetime(sessions["session_start"])
    assert (starts.dt.year < 1925).all()
    assert set(starts.dt.strftime("%H:%M:%S")) == {"09:00:00"}
    for _, of_person in starts.groupby(sessions["participant_id"]):
        assert of_person.diff().dt.days.dropna().tolist() == [2, 5]


def test_the_key_lies_in_the_study_and_gives_the_same_bytes_again(finished, archive):
    key = finished.study / KEY
    if sys.platform != "win32":
        assert key.stat().st_mode & 0o077 == 0
    before = bytes_in(archive)
    build_archive(finished, archive, licence="CC-BY-4.0", today="2031-12-24")
    assert bytes_in(archive) == before
    assert not any(KEY in str(path) for path in before)


def test_private_text_that_would_enter_stops_the_archive_and_leaves_the_earlier_one(
    finished, archive
):
    before = bytes_in(archive)
    table = finished.results / "outcomes.tsv"
    kept = table.read_bytes()
    table.write_bytes(kept.replace(b"\tn/a\n", b"\tsister of Mrs Smithers called\n", 1))
    with pytest.raises(StudyError, match=r"derivatives/cuffstudy/outcomes.tsv, line \d+: sessions"):
        build_archive(finished, archive)
    table.write_bytes(kept)
    assert bytes_in(archive) == before


def test_a_study_that_changed_since_its_run_is_not_archived(finished, tmp_path):
    raw = finished.study / "raw" / "sub-02_ses-1_intervals.txt"
    kept = raw.read_bytes()
    raw.write_bytes(kept + b"800\n")
    with pytest.raises(StudyError, match="Run the study again"):
        build_archive(finished, tmp_path / "archive")
    raw.write_bytes(kept)


def test_a_folder_with_something_else_is_not_written_over(finished, tmp_path):
    (tmp_path / "thesis.docx").write_text("chapter 1")
    with pytest.raises(StudyError, match="holds something else"):
        build_archive(finished, tmp_path)


def test_the_archive_says_what_it_changed_and_grants_only_the_licence_named(archive):
    described = json.loads((archive / "dataset_description.json").read_text())
    assert (described["DatasetType"], described["License"]) == ("raw", "CC-BY-4.0")
    assert "Caution" not in described
    readme = (archive / "README.md").read_text()
    assert "recognised by an electrocardiogram" not in readme
    assert "Inflatable cuffs can injure" in readme
    columns = json.loads((archive / "derivatives/cuffstudy/outcomes.json").read_text())
    assert columns["value"]["Description"].startswith("the value in its unit")


def test_everybody_over_89_is_in_one_class():
    # 45 CFR 164.514(b)(2)(i)(C), from memory
    assert [age_band(years) for years in (19, 20, 24.5, 89, 90, 104)] == [17, 22, 22, 87, 90, 90]
    assert age_band(float("nan")) is None


def test_labels_in_sentences_are_those_of_the_archive_and_parts_of_words_are_not():
    labels = Labels({"sub-1": "sub-02", "sub-11": "sub-01"}, {}, {("sub-1", "ses-a"): "ses-1"}, "")
    said = "sub-1_ses-a_set-03 without sub-11; subset of sub-111, ses-a"
    assert labels.relabelled(said) == "sub-02_ses-1_set-03 without sub-01; subset of sub-111, ses-a"
    assert labels.relabelled("ses-a was left out", "sub-1") == "ses-1 was left out"


def test_a_time_without_a_date_stays_without_one():
    labels = Labels({}, {"sub-1": (date(1921, 3, 4) - date(2031, 5, 24)).days}, {}, "")
    assert labels.shifted("2031-05-24 09:41", "sub-1") == "1921-03-04T09:00:00"
    assert labels.shifted("2031-05-26", "sub-1") == "1921-03-06"
    assert labels.shifted("09:41:30", "sub-1") == "09:00:00"


def test_intervals_stand_for_an_electrocardiogram_as_the_detector_saw_its_beats():
    beats = pd.DataFrame(
        {
            "time_s": [0.0, 0.8, 1.6, 2.0, 2.5, 9.0, 9.7],
            "kind": ["normal", "normal", "missed", "added", "removed", "normal", "normal"],
            "source": ["detector", "detector", "repair", "edit", "edit", "detector", "detector"],
        }
    )
    made = intervals_of_beats(beats, "ses-1", "raw.edf")
    np.testing.assert_allclose(made.time_s, [0.0, 0.8, 2.5, 9.7])
    np.testing.assert_allclose(made.value, [np.nan, 800, 1700, 700])
    assert intervals_of_beats(beats[:1], "ses-1", "raw.edf") is None


def test_the_readme_says_only_what_is_true_of_the_archive():
    sets = {"trial_type": ["set"], "condition": ["low"], "cuff_pressure_mmhg": [40.0]}
    rich = {
        "participants": pd.DataFrame({"participant_id": ["sub-01"], "age_years": [22]}),
        "sessions": pd.DataFrame({"session_id": ["ses-1"], "date_shifted": ["1921-01-01"]}),
        "events": pd.DataFrame(sets),
    }
    poor = {name: rich[name][[rich[name].columns[0]]] for name in ("participants", "sessions")}
    rr = {"signal": "rr", "file": "sourcedata/a_readings.tsv"}
    smo2 = {"signal": "muscle_oxygen", "file": "sub-01/a_physio.tsv.gz"}
    told = " ".join(paragraphs(rich, [rr], ecg_recorded=True))
    plain = " ".join(paragraphs(poor, [smo2], ecg_recorded=False))
    for sentence in (DATES, AGES, IN_SOURCEDATA, WITHOUT_ECG, CAUTION, "the conditions low."):
        assert sentence in told and sentence not in plain
    assert IN_BEH in plain and IN_BEH not in told
    assert plain.startswith("1 person, 1 visit. ")
    with_ecg = [rr, {"signal": "ecg", "file": "sub-01/b_physio.tsv.gz"}]
    assert WITHOUT_ECG not in " ".join(paragraphs(rich, with_ecg, ecg_recorded=True))


def stretch_of(signal, **labels):
    """Four samples of a signal from 2 s on, 0.1 s apart."""
    labels = dict.fromkeys(("channel", "site", "side", "position")) | labels
    value = np.array([1.5, np.nan, 0.1, -2.0])
    return SessionStretch(
        **labels,
        **{"session_id": "ses-1", "signal": signal, "file": "a", "unit": "mV", "number": 0},
        **{"start_s": 2.0, "step_s": 0.1, "time_s": 2.0 + 0.1 * np.arange(4), "value": value},
    )


def test_even_samples_are_bids_physiology_and_one_without_a_known_place_stays_without(tmp_path):
    for placed in ({"clock_offset_s": 0}, {}):
        writer = RecordingsWriter(tmp_path / str(len(placed)))
        writer.add("sub-01", [stretch_of("ecg")], lambda *_, placed=placed: placed)
        (entry,) = writer.entries
        text = next(contents_of(writer.folder / entry["file"]))
        values = [line.split("\t")[-1] for line in text.splitlines()]
        assert values[-4:] == ["1.5", "n/a", "0.1", "-2.0"]
        assert ("clock_offset_s" in entry) == entry["file"].endswith("_physio.tsv.gz")
    described = json.loads(next((tmp_path / "1").rglob("*_physio.json")).read_text())
    assert (described["StartTime"], described["SamplingFrequency"]) == (2.0, 10.0)
    assert "a person can be recognised" in described["cardiac"]["Description"]


def test_an_archive_with_electrocardiograms_never_calls_itself_anonymous(tmp_path):
    write_descriptions(tmp_path, title="A study", about=["Text."], raw_ecg=True)
    for name in ("README.md", "dataset_description.json"):
        assert "so it is not anonymous" in (tmp_path / name).read_text()
    assert "No licence is granted" in (tmp_path / "LICENSE").read_text()


def validator():
    beside = Path(sys.executable).with_name("bids-validator-deno")
    return str(beside) if beside.exists() else shutil.which("bids-validator-deno")


@pytest.mark.skipif(
    not validator(), reason="bids-validator-deno is not installed: pip install it to check archives"
)
def test_the_validator_of_bids_finds_no_error(archive):
    for folder in (archive, archive / "derivatives" / "cuffstudy"):
        words = [validator(), "--format", "json", "--max-rows", "-1", str(folder)]
        done = subprocess.run(words, capture_output=True, text=True, cwd=SCRIPTS)
        issues = json.loads(done.stdout)["issues"]["issues"]
        assert [issue for issue in issues if issue["severity"] == "error"] == []
