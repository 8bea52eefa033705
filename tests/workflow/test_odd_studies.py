"""Small and incomplete studies give a complete report that says what it lacks."""

import html
import re

import numpy as np
import pandas as pd
import pytest

from cuff.cautions import CAUTION, CAUTIONS
from demo.one_person import write_one_person
from project import made, write_tiny_study


def keep_recordings(study, signal):
    path = study / "recordings.tsv"
    header, *lines = path.read_text(encoding="utf-8").splitlines()
    kept = [row for row in lines if f"\t{signal}\t" in row]
    path.write_text("\n".join([header, *kept]) + "\n", encoding="utf-8")


def read(path):
    return pd.read_csv(path, sep="\t", na_values="n/a", keep_default_na=False)


def prose(report):
    """Sentences of the report, without its tables, pictures, contents and methods text."""
    for part in (r"<nav.*?</nav>", r"<table.*?</table>", r"<svg.*?</svg>", r"<pre.*?</pre>"):
        report = re.sub(part, "", report, flags=re.S)
    for section in ("methods", "numbers", "figures", "tables", "settings"):
        report = re.sub(rf'<section id="{section}".*?</section>', "", report, flags=re.S)
    report = re.sub(r"<(style|script).*?</\1>", "", report, flags=re.S)
    return re.sub(r"<(?:li|p|dt|h\d)[^>]*>", "\n", report)


def test_recordings_without_a_session_sheet_still_give_beats_and_quality(tmp_path):
    study = write_tiny_study(tmp_path / "no_sheet", ("sub-01",))
    keep_recordings(study, "rr")
    for name in ("events.tsv", "occlusion.tsv", "study.yaml"):
        (study / name).unlink()
    results = made(study, "report.html")
    assert len(read(results / "beats" / "sub-01.tsv")) > 2000
    assert "no ECG can confirm a beat" in read(results / "quality.tsv")["reason"].iloc[0]
    assert read(results / "contrasts.tsv").empty
    report = (results / "report.html").read_text()
    assert "No contrast between conditions" in report
    assert "holds no set" in report
    # nothing is told of sets, conditions compared or sensors that the study does not have
    for section in ("failure", "heart", "dose", "sensitivity", "coupling"):
        assert f'<section id="{section}"' not in report
    assert not re.search(r"saturation|nadir|both none and low|to failure", prose(report), re.I)


def test_one_person_in_one_visit_gets_a_page_of_every_bout_and_no_empty_comparison(tmp_path):
    write_one_person(tmp_path / "alone")
    results = made(tmp_path / "alone", "report.html")
    contrasts = read(results / "contrasts.tsv")
    assert contrasts["estimate"].notna().any()
    assert contrasts[["p", "ci_low"]].isna().all(axis=None)
    cases = read(results / "single_case.tsv").query("outcome == 'smo2_nadir_pct'")
    of_target = cases[cases["contrast"] == "target - none"].set_index("exercise")
    # built in: 32 points, and 3 more in bouts to failure; every bout of target lies below
    assert of_target["difference"].between(-37, -29).all()
    assert (of_target["nap"] == 0).all()
    assert of_target["n_comparisons"].to_dict() == {
        **{"all": 18, "knee_extension": 9, "elbow_extension": 9}
    }
    report = (results / "report.html").read_text()
    told = report.partition('id="single-case"')[2].partition("<section")[0]
    for said in (
        *("15, 15, 15 with none", "15, 12, 9 with target", "4 of 6 with target"),
        *("One visit, in this order: none, low, target", "in 18 of 18 pairs"),
        "What this cannot show.",
    ):
        assert said in told
    assert "no comparison" not in report
    for absent in ('id="findings"', 'id="sensitivity"', 'id="crossover"', "03_contrasts"):
        assert absent not in report
    assert report.count("Nothing here speaks of other people") == 1
    # pressures are never shown without their cautions
    assert all(html.escape(said, quote=False) in report for said in CAUTIONS)
    assert CAUTION in (results / "methods.md").read_text()


def test_saturation_without_a_heart_recording_is_analysed(tmp_path):
    study = write_tiny_study(tmp_path / "no_heart", ("sub-01", "sub-02"))
    keep_recordings(study, "muscle_oxygen")
    results = made(study, "report.html")
    outcomes = read(results / "outcomes.tsv")
    heart = outcomes[outcomes["outcome"] == "rmssd_ms"]
    assert set(heart["status"]) <= {"missing", "refused"}
    assert heart["reason"].notna().all()
    nadir = outcomes[outcomes["outcome"] == "smo2_nadir_pct"]
    assert nadir["value"].notna().all()
    said = prose((results / "report.html").read_text())
    assert "Neither an ECG nor beat intervals were recorded" in said
    assert not re.search(r"vagal|sympathetic|LF/HF|DFA", said)
    # two people are told person by person, beside what they have in common
    report = (results / "report.html").read_text()
    told = report.partition('id="single-case"')[2].partition("<section")[0]
    assert "<h3>sub-01</h3>" in told and "<h3>sub-02</h3>" in told
    assert "Each person is described, none is tested." in told
    assert 'id="findings"' in report


def test_a_study_with_one_condition_compares_nothing(tmp_path):
    study = write_tiny_study(tmp_path / "one_condition", ("sub-01", "sub-02"))
    path = study / "events.tsv"
    text = path.read_text().replace("\tnone\t", "\ttarget\t").replace("\tlow\t", "\ttarget\t")
    path.write_text(text)
    results = made(study, "contrasts.tsv")
    assert read(results / "contrasts.tsv").empty
    assert read(results / "outcomes.tsv")["value"].notna().any()


def write_pressure(study, session, limb, cuffs):
    """The pressure in the cuff of one limb, a sample a second, inflated as the sheet's rows say."""
    time_s = np.arange(0.0, 600.0)
    pressure_mmhg = np.zeros(time_s.shape)
    for cuff in cuffs:
        inside = (time_s >= cuff["onset_s"]) & (time_s < cuff["onset_s"] + cuff["duration_s"])
        pressure_mmhg[inside] = cuff["cuff_pressure_mmhg"]
    file = f"raw/{session}_{limb}.csv"
    table = pd.DataFrame({"time": time_s, "pressure": pressure_mmhg})
    table.to_csv(study / file, index=False)
    return {
        **{"participant_id": "sub-01", "session_id": session, "signal": "cuff_pressure"},
        **{"file": file, "channel": "pressure", "time_column": "time", "unit": "mmHg"},
        **{"limb": limb, "side": "right"},
    }


def test_two_recorders_of_pressure_and_an_unknown_pressure_keep_limb_and_doubt_apart(tmp_path):
    study = write_tiny_study(tmp_path / "two_cuffs", ("sub-01",))
    events = read(study / "events.tsv")
    recorders = [
        write_pressure(study, session, limb, own[own["limb"] == limb].to_dict("records"))
        for session, own in events[events["trial_type"] == "cuff"].groupby("session_id")
        for limb in ("arm", "leg")
    ]
    recordings = pd.concat([read(study / "recordings.tsv"), pd.DataFrame(recorders)])
    recordings.to_csv(study / "recordings.tsv", sep="\t", index=False, na_rep="n/a")
    unknown = (events["condition"] == "target") & (events["limb"] == "leg")
    events.loc[unknown, "cuff_pressure_mmhg"] = np.nan
    events.to_csv(study / "events.tsv", sep="\t", index=False, na_rep="n/a")
    results = made(study, "safety.tsv")

    checks = read(results / "cuff_checks.tsv")
    assert all(row.file.endswith(f"_{row.limb}.csv") for row in checks.itertuples())
    is_unknown = (checks["condition"] == "target") & (checks["limb"] == "leg")
    assert set(checks[~is_unknown]["status"]) == {"ok"}
    assert not (checks[is_unknown]["status"] == "ok").any()
    assert checks[is_unknown]["reason"].notna().all()

    safety = read(results / "safety.tsv")
    safety = safety[safety["scope"] == "visit"].set_index(["condition", "limb"])
    of_leg, of_arm = safety.loc[("target", "leg")], safety.loc[("target", "arm")]
    assert of_leg["share_reason"] == "no cuff pressure was noted"
    assert pd.isna(of_leg["share_pct"])
    # 90 of 150 mmHg
    assert of_arm["share_pct"] == pytest.approx(60.0)
