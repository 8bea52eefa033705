"""Steps of one person on sheets that name next to nothing: no channel, site, limb, cuff or set."""

import numpy as np
import pytest

from check_safety import check_safety
from project import settings_with, write_tsv
from read_recordings import read_recordings
from results.tables import read_table
from segment_oxygenation import segment_oxygenation

VISIT = {"participant_id": "sub-01", "session_id": "ses-1"}

BASELINE = VISIT | {"onset_s": 0, "duration_s": 150, "trial_type": "baseline"}

SET = VISIT | {
    "onset_s": 200,
    "duration_s": 60,
    "trial_type": "set",
    "condition": "low",
    "exercise": "squat",
    "cuff_pressure_mmhg": 90,
}


class Sparse:
    """A study of one person and one visit, and the tables that its steps write."""

    def __init__(self, folder):
        self.study, self.results = folder / "study", folder / "results"
        (self.study / "raw").mkdir(parents=True)
        write_tsv(self.study / "participants.tsv", [{"participant_id": "sub-01"}])
        write_tsv(self.study / "sessions.tsv", [VISIT | {"visit": 1}])
        self.recordings = []

    def record(self, name, signal, unit, values):
        """One column of one value a second, of which nothing but signal and unit is named."""
        text = "\n".join(["reading", *(f"{value:.2f}" for value in values)]) + "\n"
        (self.study / "raw" / name).write_text(text)
        row = {"signal": signal, "file": f"raw/{name}", "unit": unit, "sampling_rate_hz": 1}
        self.recordings.append(VISIT | row)

    def run(self, *events):
        write_tsv(self.study / "events.tsv", list(events))
        write_tsv(self.study / "recordings.tsv", self.recordings)
        settings, of_person = settings_with(), {"study": str(self.study), "participant": "sub-01"}
        read_recordings(
            [],
            self.results / "signals.parquet",
            self.results / "sync.tsv",
            settings=settings.read_recordings,
            **of_person,
        )
        names = ("segments", "boundaries", "cuff_checks", "quality")
        segment_oxygenation(
            self.results / "signals.parquet",
            self.results / "saturation.parquet",
            *(self.results / f"{name}.tsv" for name in names),
            settings=settings.segment_oxygenation,
            protocol=settings.protocol,
            **of_person,
        )
        check_safety(
            [self.results / "cuff_checks.tsv"],
            self.results / "safety.tsv",
            self.results / "all_cuff_checks.tsv",
            self.results / "titration.tsv",
            self.results / "harms.tsv",
            conditions=settings.study.conditions,
            harms_kept=False,
            study=str(self.study),
            settings=settings.check_safety,
            protocol=settings.protocol,
        )
        names = ("sync", *names, "safety", "titration", "harms")
        return {name: read_table(self.results / f"{name}.tsv") for name in names}


def of_visits(safety):
    return safety[safety["scope"] == "visit"]


@pytest.fixture
def sparse(tmp_path):
    (tmp_path / "results").mkdir()
    return Sparse(tmp_path)


def saturation_pct(seed):
    """A fall by 20 % over a set from 200 to 260 s and its recovery, with noise of 0.5 %."""
    time_s = np.arange(400.0)
    course = np.interp(time_s, [0, 200, 260, 290, 400], [65, 65, 45, 64, 65])
    return course + np.random.default_rng(seed).normal(0.0, 0.5, 400)


def pressure_mmhg(held):
    time_s = np.arange(400.0)
    return np.where((time_s > 190) & (time_s < 270), held, 0.0)


def test_two_sensors_of_which_nothing_is_named_are_both_judged_and_the_first_counts(sparse):
    sparse.record("a.csv", "muscle_oxygen", "pct", saturation_pct(1))
    sparse.record("b.csv", "muscle_oxygen", "pct", saturation_pct(2))
    tables = sparse.run(BASELINE, SET)
    assert tables["sync"]["file"].tolist() == ["raw/a.csv", "raw/b.csv"]
    assert tables["quality"]["file"].tolist() == ["raw/a.csv", "raw/b.csv"]
    assert tables["quality"]["verdict"].tolist() == ["accepted"] * 2
    (segment,) = tables["segments"].to_dict("records")
    assert (segment["file"], segment["status"]) == ("raw/a.csv", "ok")
    assert set(tables["boundaries"]["file"]) == {"raw/a.csv"}
    starts = tables["boundaries"].query("boundary == 'set_start' and log_s == 200")
    assert starts["status"].tolist() == ["ok"]
    assert starts["proposed_s"].item() == pytest.approx(200, abs=4)


def test_a_pressure_that_names_no_limb_is_held_against_every_set_and_cuff(sparse):
    sparse.record("cuff.csv", "cuff_pressure", "mmHg", pressure_mmhg(60))
    cuff = VISIT | {"onset_s": 190, "duration_s": 80, "trial_type": "cuff"}
    tables = sparse.run(BASELINE, SET, cuff | {"cuff_pressure_mmhg": 90})
    checks = tables["cuff_checks"].set_index("trial_type")
    assert checks.loc[["set", "cuff"], "actual_mmhg"].tolist() == [60, 60]
    assert checks.loc["set", "reason"] == "never above 60 mmHg, planned 90"
    assert tables["segments"]["cuff_recorded_mmhg"].tolist() == [60]
    said = of_visits(tables["safety"])["findings"].item()
    assert "recorded pressure: never above 60 mmHg, planned 90 (squat)" in said
    assert "(cuff)" in said


def test_without_occlusion_pressures_there_is_no_share_and_the_reason_is_told(sparse):
    sparse.record("a.csv", "muscle_oxygen", "pct", saturation_pct(1))
    named = SET | {"onset_s": 300, "limb": "leg"}
    tables = sparse.run(BASELINE, SET, named)
    safety = of_visits(tables["safety"])
    safety = safety.set_index(safety["limb"].fillna("not named"))
    assert safety["share_pct"].isna().all()
    assert safety["share_status"].tolist() == ["refused"] * 2
    assert safety.loc["leg", "share_reason"] == "no occlusion pressure of the leg was measured"
    assert safety.loc["not named", "share_reason"] == "the sets name no limb"
    assert not safety["findings"].str.contains("nan").any()


def test_a_visit_without_sets_has_judged_recordings_and_empty_tables_of_sets(sparse):
    sparse.record("a.csv", "muscle_oxygen", "pct", saturation_pct(1))
    tables = sparse.run(BASELINE)
    assert tables["quality"]["verdict"].tolist() == ["accepted"]
    assert [len(tables[name]) for name in ("segments", "boundaries", "cuff_checks")] == [0, 0, 0]
    assert tables["safety"]["findings"].tolist() == ["no set was noted"]


def test_a_set_without_saturation_says_why_no_sensor_counts(sparse):
    sparse.record("beats.csv", "rr", "ms", np.full(400, 800.0))
    sparse.recordings[0].pop("sampling_rate_hz")
    tables = sparse.run(BASELINE, SET)
    (segment,) = tables["segments"].to_dict("records")
    assert segment["status"] == "refused"
    assert segment["reason"] == "no saturation was recorded in this session"
    assert len(tables["quality"]) == 0


def test_several_pressures_that_name_no_limb_are_not_held_against_a_set(sparse):
    sparse.record("cuff.csv", "cuff_pressure", "mmHg", pressure_mmhg(60))
    sparse.record("other.csv", "cuff_pressure", "mmHg", pressure_mmhg(90))
    (check,) = sparse.run(BASELINE, SET)["cuff_checks"].to_dict("records")
    assert check["status"] == "missing"
    assert check["reason"] == "several pressures were recorded and none names its limb or side"


def test_fat_that_light_hardly_passes_is_a_caution_of_recording_and_set(sparse):
    sparse.record("a.csv", "muscle_oxygen", "pct", saturation_pct(1))
    sparse.recordings[0] |= {"adipose_thickness_mm": 20, "source_detector_mm": 30}
    tables = sparse.run(BASELINE, SET)
    for name in ("quality", "segments"):
        assert tables[name]["reason"].str.startswith("mostly fat is measured: 20 mm").all()
    assert tables["segments"]["status"].tolist() == ["flagged"]


def test_intervals_of_several_files_cover_a_visit_together(sparse):
    for name, offset_s, n_beats in (("first.csv", 0, 200), ("second.csv", 160, 200)):
        sparse.record(name, "rr", "ms", np.full(n_beats, 800.0))
        sparse.recordings[-1].pop("sampling_rate_hz")
        sparse.recordings[-1]["clock_offset_s"] = offset_s
    status = sparse.run(BASELINE, SET)["sync"]["status"]
    assert len(status) == 2
    assert not status.str.contains("lacks").any()
