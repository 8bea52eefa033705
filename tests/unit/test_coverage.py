"""What a recording lacks of its session: cut off, stopped early, or on a clock of another hour."""

import numpy as np
import pandas as pd
import pytest

from measuring.inputs import WindowInputs
from measuring.properties import heart_clock_flagged
from measuring.quality_rules import rules_that_judge, verdict
from project import change, settings_with, write_tiny_study
from read_recordings import read_recordings
from recordings.clock import fit_clock
from recordings.coverage import OUTSIDE, coverage_caution, events_measured_in, uncovered_s
from recordings.doubtful_times import times_caution
from recordings.recording import Recording, even_stretch
from results.exclusions import uncovered_parts, with_coverage
from results.tables import read_table
from study.problems import StudyError

EVENTS = pd.DataFrame(
    [
        ("baseline", 10.0, 300.0, None),
        ("cuff", 380.0, 60.0, "leg"),
        ("set", 400.0, 40.0, "leg"),
        ("rest", 440.0, 60.0, "leg"),
        ("cuff", 480.0, 60.0, "arm"),
        ("set", 500.0, 40.0, "arm"),
        ("set", None, None, "arm"),
        ("recovery", 540.0, 420.0, None),
    ],
    columns=["trial_type", "onset_s", "duration_s", "limb"],
).assign(side=None, cuff_pressure_mmhg=80.0)


def heart_doubt(start_s, end_s, **kwargs):
    span = (start_s, end_s)
    needed = events_measured_in(EVENTS, "ecg")
    return coverage_caution(needed, kwargs.get("spans", [span]), span, largest_uncovered_s=10.0)


def test_a_recording_of_the_whole_session_is_not_doubted():
    assert heart_doubt(0.0, 1000.0) == ""
    # less than the allowance is missing at either end
    assert heart_doubt(15.0, 955.0) == ""


def test_a_recording_that_stops_early_names_the_seconds_and_the_events_that_it_lacks():
    # of the set at 500 s half is recorded: 20 s; of the recovery nothing: 420 s
    assert heart_doubt(0.0, 520.0) == (
        "flagged: this recording runs from 0 to 520 s and lacks 440 s of the events of its session "
        "(set at 500 s, recovery at 540 s)"
    )


def test_a_recording_that_begins_late_is_named_as_well():
    assert "lacks 190 s of the events of its session (baseline at 10 s)" in heart_doubt(200, 1000)


def test_a_clock_of_another_hour_is_named_with_both_spans():
    assert heart_doubt(3600.0, 5101.0) == (
        "flagged: this recording lies outside the events of its session (recording from 3600 to "
        "5101 s, events from 10 to 960 s)"
    )
    assert heart_doubt(-900.0, 5.0).startswith(OUTSIDE)


def test_intervals_of_two_files_that_follow_each_other_lack_nothing():
    assert heart_doubt(0.0, 450.0, spans=[(0.0, 450.0), (452.0, 1000.0)]) == ""
    assert "lacks 40 s" in heart_doubt(0.0, 440.0, spans=[(0.0, 440.0), (480.0, 1000.0)])


def test_the_uncovered_part_of_an_event_is_counted_once():
    assert uncovered_s(100.0, 50.0, [(0.0, 110.0), (105.0, 120.0), (140.0, 200.0)]) == 20.0
    assert uncovered_s(100.0, 50.0, []) == 50.0
    assert uncovered_s(100.0, 50.0, [(0.0, 300.0)]) == 0.0


def test_saturation_is_not_needed_in_the_recovery_and_cuff_pressure_only_under_its_cuff():
    saturation = events_measured_in(EVENTS, "muscle_oxygen")
    assert list(saturation["trial_type"]) == ["baseline", "set", "set"]
    on_leg = events_measured_in(EVENTS, "cuff_pressure", limb="leg")
    assert list(on_leg["onset_s"]) == [380.0]
    assert list(events_measured_in(EVENTS, "cuff_pressure")["onset_s"]) == [380.0, 480.0]


def test_without_cuff_rows_cuff_pressure_is_needed_in_sets_with_a_pressure():
    sets = EVENTS[EVENTS["trial_type"] != "cuff"].assign(cuff_pressure_mmhg=[0, 80, 0, 0, 0, 0])
    assert list(events_measured_in(sets, "cuff_pressure")["onset_s"]) == [400.0]


def test_a_short_set_that_is_not_recorded_at_all_counts():
    sprint = pd.DataFrame({"trial_type": ["set"] * 2, "onset_s": [50.0, 100.0], "duration_s": 6.0})
    said = coverage_caution(sprint, [(0.0, 90.0)], (0.0, 90.0), largest_uncovered_s=10.0)
    assert "lacks 6 s of the events of its session (set at 100 s)" in said


def test_a_short_recording_does_not_make_its_clock_uncertain():
    short = heart_doubt(0.0, 520.0)
    assert heart_clock_flagged(clocks("ecg", f"ok: 3 sync marks; {short}")) == 0.0
    flagged = clocks("ecg", f"flagged: drift 900 ppm is beyond 500 ppm; {short}")
    assert heart_clock_flagged(flagged) == 1.0


def clocks(signal, status, *, drift_ppm=0.0, placed_by="sync marks", file="a.csv"):
    """Rows of sync.tsv of one session."""
    row = {"signal": signal, "status": status, "drift_ppm": drift_ppm, "placed_by": placed_by}
    return pd.DataFrame([row | {"file": file}])


def test_the_clock_of_the_sensor_that_counts_reaches_saturation_and_no_other_does():
    flagged = clocks("muscle_oxygen", "flagged: drift 900 ppm is beyond 500 ppm", file="calf.csv")
    for file, is_flagged in (("calf.csv", 1), ("thigh.csv", 0), (None, None)):
        of_window = WindowInputs(clocks=flagged, segment=file and {"file": file})
        assert of_window.property_of_window("sensor_clock_flagged") == is_flagged
    assert heart_clock_flagged(flagged) == 0.0


def test_a_drift_that_no_clock_has_refuses_saturation_and_heart():
    rules = settings_with().quality_rules
    for outcome, family, window in (
        ("smo2_nadir_pct", "saturation", "set"),
        ("mean_hr_bpm", "heart rate", "set"),
        ("rmssd_ms", "heart period", "baseline"),
        ("oxy_haemoglobin_change_umol_l", "haemoglobin", "set"),
    ):
        names = {rule.measured for rule in rules_that_judge(outcome, family, window, rules)}
        drifts = [name for name in names if name.endswith("_drift_ppm")]
        assert drifts
        (status, reason) = verdict(outcome, family, window, rules, {drifts[0]: 63063.0}.get)
        assert (status, "sync mark is wrong" in reason or "sync marks" in reason) == (
            "refused",
            True,
        )


def recorded(step_s, n):
    return Recording((even_stretch(np.zeros(n), start_s=0.0, sampling_rate_hz=1 / step_s),), "pct")


def test_times_in_minutes_or_at_a_tenth_of_the_rate_are_told():
    given = fit_clock([], [], given_offset_s=0.0)
    events = pd.DataFrame({"onset_s": [0.0, 300.0], "duration_s": [300.0, 300.0]})
    assert times_caution("muscle_oxygen", recorded(0.5, 1300), given, events) == ""
    assert "are 6 s apart" in times_caution("muscle_oxygen", recorded(6.0, 600), given, events)
    assert "are 0.0769 s apart" in times_caution("ecg", recorded(1 / 13, 8000), given, events)
    assert times_caution("ecg", recorded(1 / 130, 8000), given, events) == ""
    assert "span 5999 s and the events of the session 600 s" in times_caution(
        "muscle_oxygen", recorded(1.0, 6000), given, events
    )
    confirmed = fit_clock([0.0, 5000.0], [0.0, 5000.0])
    assert times_caution("muscle_oxygen", recorded(1.0, 6000), confirmed, events) == ""


def read_one(study, tmp_path, **changes):
    """Clocks of the tiny study's first person, or the problem that its recordings have."""
    read_recordings(
        [],
        tmp_path / "signals.parquet",
        tmp_path / "sync.tsv",
        study=str(study),
        participant="sub-01",
        settings=settings_with(read_recordings=changes).read_recordings,
    )
    return read_table(tmp_path / "sync.tsv").set_index(["session_id", "signal"])["status"]


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))


def test_only_the_recordings_that_were_cut_are_flagged(study, tmp_path):
    path = study / "raw" / "sub-01_ses-1_saturation.csv"
    text = path.read_text()
    path.write_text(text[: int(0.4 * len(text))])
    status = read_one(study, tmp_path)
    # 0.4 of 600 s: the set at 300 s lies behind the end
    assert (
        "lacks 40 s of the events of its session (set at 300 s)"
        in status["ses-1"].at["muscle_oxygen"]
    )
    uncut = status.drop(("ses-1", "muscle_oxygen"))
    assert len(uncut) == 5
    assert not uncut.str.contains("flagged").any()


def test_a_recording_of_another_hour_reaches_the_table_of_quality(study, tmp_path):
    late = "raw/sub-01_ses-2_intervals.txt\tms" + "\tn/a" * 4 + "\t"
    change(study, "recordings.tsv", f"{late}0", f"{late}3600", -1)
    read_one(study, tmp_path)
    clocks = read_table(tmp_path / "sync.tsv")
    judged = clocks[["participant_id", "session_id", "signal", "file"]].assign(
        segment="recording", verdict="accepted", reason=None
    )
    both = with_coverage(judged, uncovered_parts(clocks)).set_index(["session_id", "signal"])
    late = both.loc[("ses-2", "rr")]
    assert late["verdict"] == "rejected"
    assert late["reason"].startswith("this recording lies outside the events of its session")
    assert (both.drop(("ses-2", "rr"))["verdict"] == "accepted").all()
    assert both.drop(("ses-2", "rr"))["reason"].isna().all()


def test_a_sync_mark_behind_the_end_of_the_file_is_refused(study, tmp_path):
    sync = "\n".join(f"sub-01\tses-1\t{t}\t0\tsync" for t in (5, 700))
    path = study / "events.tsv"
    header, *lines = path.read_text().splitlines()
    lines = [*lines, *(row + "\tn/a" * (header.count("\t") - 4) for row in sync.splitlines())]
    path.write_text("\n".join([header, *lines]) + "\n")
    path = study / "recordings.tsv"
    header, *lines = path.read_text().splitlines()
    marks = ["5.0;700.0" if "ses-1_saturation" in row else "n/a" for row in lines]
    marked = [f"{row}\t{mark}" for row, mark in zip(lines, marks, strict=True)]
    path.write_text("\n".join([f"{header}\tsync_marks_s", *marked]) + "\n")
    with pytest.raises(StudyError) as raised:
        read_one(study, tmp_path)
    text = str(raised.value)
    assert text.startswith("recordings.tsv, row 3: ")
    assert "a sync mark at 700 s, but the file holds 0 to 600 s" in text
    assert "clear sync_marks_s and fill in clock_offset_s" in text


def test_a_fault_of_a_file_that_two_sensors_share_is_told_once(study, tmp_path):
    path = study / "raw" / "sub-01_ses-1_saturation.csv"
    lines = path.read_text().splitlines()
    shared = []
    for line in lines[1:]:
        time, value = line.split(";")
        fraction = float(value.replace(",", ".")) / 100
        # the figure in the message of the second sensor differs
        shared.append(f"{time};{fraction:.3f};{0.9 * fraction:.3f}".replace(".", ","))
    path.write_text("\n".join(["time;smo2;calf", *shared]) + "\n")
    listed = (study / "recordings.tsv").read_text()
    first = next(row for row in listed.splitlines() if "ses-1_saturation" in row)
    (study / "recordings.tsv").write_text(listed + first.replace("smo2", "calf") + "\n")
    with pytest.raises(StudyError) as raised:
        read_one(study, tmp_path)
    text = str(raised.value)
    assert text.startswith("recordings.tsv, rows 3 and 8: ")
    assert text.count("looks like fraction") == 1
