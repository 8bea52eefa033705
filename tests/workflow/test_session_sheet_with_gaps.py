"""A sheet without times, a sensor over fat, a cuff on the wrong limb: each is seen."""

import numpy as np
import pandas as pd
import pytest

from project import made, write_tiny_study, write_tsv
from study.loading import Study
from study.problems import StudyError

ALLOWED = "segment_oxygenation:\n  supply_boundaries: true\n"
# participants of the tiny study, their visits with a condition each: ABC is none, low, target
TRUE_SETS = {"curtsy": (160.0, 200.0), "pull": (300.0, 340.0)}


def read(path):
    return pd.read_csv(path, sep="\t", na_values="n/a", keep_default_na=False)


def outcomes_of_the_first(results):
    outcomes = read(results / "outcomes.tsv")
    return outcomes[outcomes["participant_id"] == "sub-01"]


def change_rows(study, table, change):
    """Rewrite a table of a study row by row."""
    rows = read(study / table).astype(object)
    rows = rows.where(rows.notna(), "n/a").to_dict("records")
    write_tsv(study / table, [change(dict(row)) for row in rows])


def without_times(row):
    """Ends missing in the first visit, all times in the second, the second set's in the third."""
    if row["trial_type"] != "set" or row["participant_id"] != "sub-01":
        return row
    if row["session_id"] == "ses-1":
        row["duration_s"] = "n/a"
    elif row["session_id"] == "ses-2" or row["exercise"] == "pull":
        row["onset_s"] = row["duration_s"] = "n/a"
    return row


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    study = write_tiny_study(tmp_path_factory.mktemp("sheet") / "gaps", ("sub-01", "sub-02"))
    change_rows(study, "events.tsv", without_times)
    with (study / "study.yaml").open("a") as file:
        file.write(ALLOWED)
    # in the third visit the recording stops in the second set: nothing whole to take times from
    path = study / "raw" / "sub-01_ses-3_saturation.csv"
    path.write_text("\n".join(path.read_text().splitlines()[:641]) + "\n")
    time_s = np.arange(0, 600, 0.5)
    held = np.where((time_s > 150) & (time_s < 202), 30.0, 0.0)
    lines = [f"{t:.1f},{p:.1f}" for t, p in zip(time_s, held, strict=True)]
    (study / "raw" / "pressure.csv").write_text("time,cuff\n" + "\n".join(lines) + "\n")

    def with_sensor(row):
        thick = row["signal"] == "muscle_oxygen" and row["session_id"] == "ses-3"
        thick &= row["participant_id"] == "sub-01"
        depth = {"adipose_thickness_mm": 18, "source_detector_mm": 30}
        return row | (depth if thick else {})

    change_rows(study, "recordings.tsv", with_sensor)
    rows = read(study / "recordings.tsv").astype(object)
    rows = rows.where(rows.notna(), "n/a").to_dict("records")
    pressure = {
        "participant_id": "sub-01",
        "session_id": "ses-2",
        "signal": "cuff_pressure",
        "file": "raw/pressure.csv",
        "channel": "cuff",
        "time_column": "time",
        "unit": "mmHg",
        "limb": "arm",
        "side": "right",
    }
    write_tsv(study / "recordings.tsv", [*rows, pressure])
    return made(study)


def test_a_sheet_without_times_stops_the_run_unless_the_study_allows_supplying(tmp_path):
    study = write_tiny_study(tmp_path / "gaps", ("sub-01",))
    change_rows(study, "events.tsv", without_times)
    with pytest.raises(StudyError) as told:
        Study(study)
    assert "column duration_s: is empty; write it, or let the recording supply it" in str(
        told.value
    )
    assert "supply_boundaries: true" in str(told.value)


def test_supplied_times_lie_near_the_truth_and_are_named(results):
    segments = read(results / "participants" / "sub-01" / "segments.tsv")
    supplied = segments[segments["supplied"].notna()]
    assert supplied["supplied"].tolist() == ["end", "end", "start and end", "start and end"]
    for row in supplied.itertuples():
        start_s, end_s = TRUE_SETS[row.exercise]
        assert row.event_onset_s == pytest.approx(start_s, abs=1.0)
        assert row.event_onset_s + row.duration_s == pytest.approx(end_s, abs=1.0)
    boundaries = read(results / "boundaries.tsv")
    named = boundaries[boundaries["reason"].fillna("").str.startswith("supplied")]
    assert len(named) == 6
    assert set(named["status"]) == {"flagged"}
    assert named["log_s"].isna().all()


def test_everything_that_stands_on_a_supplied_time_is_flagged_with_it(results):
    outcomes = outcomes_of_the_first(results)
    own = outcomes[outcomes["session_id"].isin(["ses-1", "ses-2"]) & outcomes["value"].notna()]
    own = own[own["trial_type"] == "set"]
    assert {"mean_hr_bpm", "smo2_nadir_pct", "reoxygenation_half_time_s"} <= set(own["outcome"])
    assert set(own["status"]) == {"flagged"}
    assert own["reason"].str.contains("of the set supplied by the recording").all()
    report = (results / "report.html").read_text()
    assert "6 starts or ends of sets had no time on the session sheet" in report


def test_a_set_that_the_recording_does_not_show_whole_stays_without_time(results):
    outcomes = outcomes_of_the_first(results)
    lost = outcomes[(outcomes["session_id"] == "ses-3") & (outcomes["exercise"] == "pull")]
    assert lost["value"].isna().all()
    assert lost["reason"].notna().all()
    assert lost["reason"].str.contains("the sheet names 1").any()
    before = outcomes[
        (outcomes["session_id"] == "ses-3")
        & (outcomes["exercise"] == "curtsy")
        & (outcomes["window"] == "recovery_first_60_s")
    ]
    assert before["reason"].str.contains("set of unknown time").all()


def test_saturation_over_thick_fat_is_flagged_in_outcomes_quality_and_report(results):
    said = "mostly fat is measured: 18 mm of it, light reaches about 15 mm"
    outcomes = outcomes_of_the_first(results)
    own = outcomes[(outcomes["session_id"] == "ses-3") & outcomes["value"].notna()]
    levels = own[own["outcome"].isin(["smo2_baseline_pct", "smo2_nadir_pct"])]
    assert len(levels) == 3
    assert levels["reason"].str.contains(said).all()
    assert (
        not own.loc[own["outcome"] == "mean_hr_bpm", "reason"].fillna("").str.contains("fat").any()
    )
    quality = read(results / "quality.tsv")
    assert quality["reason"].fillna("").str.contains(said).sum() == 1
    assert said in (results / "report.html").read_text()


def test_pressure_on_another_limb_than_the_working_one_is_found(results):
    checks = read(results / "cuff_checks.tsv")
    legs = checks[(checks["limb"] == "leg") & (checks["trial_type"] == "set")]
    assert legs["status"].tolist() == ["flagged"]
    assert (
        "the cuff on the right arm holds 30 mmHg, the set works the right leg"
        in (legs["reason"].iloc[0])
    )
    arms = checks[(checks["limb"] == "arm") & (checks["trial_type"] == "set")]
    assert arms["reason"].str.contains("not inflated").all()
    safety = read(results / "safety.tsv")
    assert safety["findings"].str.contains("right arm holds 30 mmHg").any()
    boundaries = read(results / "boundaries.tsv")
    cuffs = boundaries[boundaries["boundary"].isin(["cuff_on", "cuff_off"])]
    assert "nothing in the log within 20 s" in cuffs["reason"].tolist()
