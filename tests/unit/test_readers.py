"""Recordings of every kind: right channel, right unit, right time, or refused with the place."""

import gzip
import json
import os
import pickle
from dataclasses import replace
from datetime import date, datetime
from datetime import time as time_of_day
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from edfio import Edf, EdfAnnotation, EdfSignal, Recording

from recordings.declared import declared_by
from recordings.readers.any_file import ReadingError, read_recording
from recordings.session_clock import end_of_session_s, refuse_times_of_another_unit
from recordings.units import check_plausible, count_impossible, to_canonical
from study.units import KPA_IN_MMHG

RNG = np.random.default_rng(20)
ECG_MV = np.round(np.sin(np.arange(2500) / 40.0) + RNG.normal(0, 0.02, 2500), 3)


def ecg(path, **given):
    asked = {"channel": "ECG II", "unit": "mV", "signal": "ecg"}
    return read_recording(path, declared_by(asked | given))


def intervals(path, **given):
    return read_recording(path, declared_by({"unit": "ms", "signal": "rr"} | given))


def saturation(path, **given):
    asked = {"channel": "smo2", "time_column": "time", "unit": "pct", "signal": "muscle_oxygen"}
    return read_recording(path, declared_by(asked | given))


def write_edf(path, *, unit="uV", scale=1000.0, annotations=None):
    signals = [
        EdfSignal(ECG_MV * scale, 250, label="ECG II", physical_dimension=unit),
        EdfSignal(np.linspace(70, 50, 100), 10, label="SmO2 VL", physical_dimension="%"),
        EdfSignal(np.full(10, 120.0), 1, label="Cuff", physical_dimension="mmHg"),
    ]
    Edf(signals, data_record_duration=1, annotations=annotations).write(path)
    return path


def write_discontinuous_edf(path, onsets):
    """Write ten records of 1 s, then move their onsets: edfio writes no gaps itself."""
    write_edf(path, annotations=[EdfAnnotation(0.5, None, "sync")])
    content = bytearray(path.read_bytes())
    content[192:197] = b"EDF+D"
    *_, annotation_samples = (int(n) for n in content[256 + 216 * 4 :][:32].decode().split())
    record_bytes = (len(content) - 256 * 5) // len(onsets)
    for record, onset in enumerate(onsets):
        end = 256 * 5 + record_bytes * (record + 1)
        start = end - 2 * annotation_samples
        old = bytes(content[start:end])
        new = f"+{onset:g}".encode() + old[old.index(b"\x14") :].rstrip(b"\x00")
        content[start:end] = new.ljust(len(old), b"\x00")
    path.write_bytes(bytes(content))
    return path


def write_table(path, time_s, value, *, header="time,smo2"):
    lines = [f"{t:.10g},{v:.10g}" for t, v in zip(time_s, value, strict=True)]
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


# ---- EDF --------------------------------------------------------------------------------------


def test_an_edf_channel_is_read_in_millivolts_from_its_first_sample(tmp_path):
    recording = ecg(write_edf(tmp_path / "visit.edf"), unit="uV")
    (stretch,) = recording.stretches
    assert (recording.unit, recording.dialect) == ("mV", {})
    assert (stretch.start_s, stretch.step_s) == (0.0, 0.004)
    # One converter step of the file: its range over 65535 steps.
    step_mv = (ECG_MV.max() - ECG_MV.min()) / 65535
    np.testing.assert_allclose(stretch.value, ECG_MV, atol=step_mv)
    assert stretch.time_s[-1] == pytest.approx(2499 / 250)


def test_each_channel_of_an_edf_file_keeps_its_own_rate(tmp_path):
    path = write_edf(tmp_path / "visit.edf")
    oxygen = ecg(path, channel="SmO2 VL", unit="pct", signal="muscle_oxygen")
    cuff = ecg(path, channel="Cuff", unit="mmHg", signal="cuff_pressure")
    assert (oxygen.stretches[0].step_s, cuff.stretches[0].step_s) == (0.1, 1.0)


def test_a_missing_edf_channel_lists_the_labels_there_are(tmp_path):
    with pytest.raises(ReadingError) as refused:
        ecg(write_edf(tmp_path / "visit.edf"), channel="ECG I", unit="uV")
    assert refused.value.allowed == "ECG II, SmO2 VL, Cuff"
    assert "did you mean 'ECG II'" in refused.value.seen
    with pytest.raises(ReadingError, match="3 channels could be meant"):
        ecg(tmp_path / "visit.edf", channel=None, unit="uV")


def test_a_declared_unit_other_than_the_files_own_is_refused(tmp_path):
    with pytest.raises(ReadingError, match="declared mV, but the file says uV"):
        ecg(write_edf(tmp_path / "visit.edf"), unit="mV")


def test_a_discontinuous_edf_is_split_at_the_gap_and_never_joined(tmp_path):
    onsets = [0, 1, 2, 3, 7.5, 8.5, 9.5, 10.5, 11.5, 12.5]
    path = write_discontinuous_edf(tmp_path / "paused.edf", onsets)
    recording = ecg(path, unit="uV")
    first, second = recording.stretches
    assert (first.start_s, len(first.value)) == (0.0, 1000)
    assert (second.start_s, len(second.value)) == (7.5, 1500)
    assert second.time_s[1] == pytest.approx(7.504)
    assert recording.notes == (
        "split at 4 s: the file is discontinuous there, the next sample is 3.5 s later",
    )
    np.testing.assert_allclose(np.concatenate([first.value, second.value]), ECG_MV, atol=1e-3)


def test_time_counts_from_the_first_sample_of_a_discontinuous_edf(tmp_path):
    onsets = [0.25, 1.25, 2.25, 3.25, 4.25, 9.25, 10.25, 11.25, 12.25, 13.25]
    path = write_discontinuous_edf(tmp_path / "paused.edf", onsets)
    assert [s.start_s for s in ecg(path, unit="uV").stretches] == [0.0, 9.0]


def test_edf_marked_discontinuous_without_a_gap_stays_whole(tmp_path):
    path = write_discontinuous_edf(tmp_path / "whole.edf", range(10))
    recording = ecg(path, unit="uV")
    assert (len(recording.stretches), recording.notes) == (1, ())


def test_a_gap_counts_even_where_the_header_says_continuous(tmp_path):
    onsets = [0, 1, 2, 3, 4, 7, 8, 9, 10, 11]
    path = write_discontinuous_edf(tmp_path / "paused.edf", onsets)
    path.write_bytes(path.read_bytes().replace(b"EDF+D", b"EDF+C", 1))
    assert [s.start_s for s in ecg(path, unit="uV").stretches] == [0.0, 7.0]


def test_a_discontinuous_edf_without_onsets_is_refused(tmp_path):
    path = write_discontinuous_edf(tmp_path / "untimed.edf", range(10))
    path.write_bytes(path.read_bytes().replace(b"+7\x14\x14", b"\x00\x00\x00\x00"))
    with pytest.raises(ReadingError, match="not when every record begins"):
        ecg(path, unit="uV")


def test_onsets_rounded_by_less_than_half_a_sample_are_no_gap(tmp_path):
    onsets = [0, 1.001, 1.999, 3, 4.001, 5, 6, 7.001, 8, 9]
    path = write_discontinuous_edf(tmp_path / "rounded.edf", onsets)
    assert len(ecg(path, unit="uV").stretches) == 1


def test_edf_records_that_overlap_are_refused(tmp_path):
    onsets = [0, 1, 2, 3, 2, 3, 4, 5, 6, 7]
    path = write_discontinuous_edf(tmp_path / "wrong.edf", onsets)
    with pytest.raises(ReadingError, match="record 5: it begins at 2 s"):
        ecg(path, unit="uV")


@pytest.mark.parametrize("n_bytes", [100, 300, 600])
def test_an_edf_that_ends_within_its_header_is_refused_in_words(tmp_path, n_bytes):
    path = write_edf(tmp_path / "cut.edf")
    path.write_bytes(path.read_bytes()[:n_bytes])
    with pytest.raises(ReadingError, match="not readable as EDF"):
        ecg(path, unit="uV")


def test_a_cut_off_edf_is_read_and_says_what_its_header_promises(tmp_path):
    path = write_edf(tmp_path / "cut.edf")
    path.write_bytes(path.read_bytes()[:-100])
    recording = ecg(path, unit="uV")
    assert len(recording.stretches[0].value) == 2250
    assert recording.cut_off == (
        "the file is cut off: its header promises 10 s in 10 data records, it holds 9 s in 9"
    )
    assert recording.notes == ()
    assert ecg(write_edf(tmp_path / "whole.edf"), unit="uV").cut_off == ""


def test_an_edf_channel_without_a_scale_is_refused(tmp_path):
    path = write_edf(tmp_path / "unscaled.edf")
    content = bytearray(path.read_bytes())
    ranges_at = 256 + 3 * (16 + 80 + 8)
    content[ranges_at : ranges_at + 8] = content[ranges_at + 24 : ranges_at + 32] = b"0       "
    path.write_bytes(bytes(content))
    with pytest.raises(ReadingError, match="no scale"):
        ecg(path, unit="uV")


def test_edf_is_told_by_content_and_a_wrong_extension_is_refused(tmp_path):
    path = write_edf(tmp_path / "visit.edf")
    renamed = tmp_path / "visit.rec"
    renamed.write_bytes(path.read_bytes())
    assert len(ecg(renamed, unit="uV").stretches[0].value) == 2500
    text = tmp_path / "text.edf"
    text.write_text("time,ECG II\n0,1\n")
    with pytest.raises(ReadingError, match="not EDF"):
        ecg(text)


def test_a_broken_edf_header_is_refused_in_words(tmp_path):
    path = tmp_path / "broken.edf"
    path.write_bytes(b"0       " + b"x" * 400)
    with pytest.raises(ReadingError, match="not readable as EDF"):
        ecg(path)


def damaged_edf(tmp_path, at, written):
    path = write_edf(tmp_path / "visit.edf")
    content = bytearray(path.read_bytes())
    content[at : at + 8] = written.ljust(8)
    path.write_bytes(bytes(content))
    return path


@pytest.mark.parametrize(
    ("at", "written", "expected"),
    [
        (244, b"0", "duration of a data record '0', which must be above 0 s"),
        (244, b"nan", "duration of a data record 'nan'"),
        (236, b"many", "number of data records 'many'"),
        (252, b"0   ", "number of signals '0"),
        (252, b"9999", "it ends within its header of 9999 signals"),
    ],
)
def test_an_edf_header_that_cannot_be_meant_is_refused_with_its_field(
    tmp_path, at, written, expected
):
    with pytest.raises(ReadingError, match="not readable as EDF") as refused:
        ecg(damaged_edf(tmp_path, at, written), unit="uV")
    assert expected in refused.value.seen


def test_bytes_behind_the_promised_records_of_an_edf_file_are_left_out_and_told(tmp_path):
    path = write_edf(tmp_path / "visit.edf")
    whole = ecg(path, unit="uV")
    path.write_bytes(path.read_bytes() + b"x" * 12_345)
    longer = ecg(path, unit="uV")
    np.testing.assert_array_equal(longer.stretches[0].value, whole.stretches[0].value)
    assert longer.notes == ("12345 bytes behind the last data record left out",)


# ---- BIDS physiology --------------------------------------------------------------------------


def write_bids(folder, *, described=None, first_line=None):
    described = {
        "SamplingFrequency": 130,
        "StartTime": -2.5,
        "Columns": ["ecg", "resp"],
        "ecg": {"Units": "uV"},
    } | (described or {})
    path = folder / "sub-01_task-squat_physio.tsv.gz"
    lines = [f"{round(v * 1000)}\t{i}" for i, v in enumerate(ECG_MV)]
    if first_line:
        lines.insert(0, first_line)
    path.write_bytes(gzip.compress("\n".join(lines).encode(), mtime=0))
    (folder / "sub-01_task-squat_physio.json").write_text(json.dumps(described))
    return path


def test_bids_physiology_starts_at_its_start_time_and_says_so(tmp_path):
    recording = ecg(write_bids(tmp_path), channel="ecg", unit="uV")
    (stretch,) = recording.stretches
    assert (stretch.start_s, stretch.step_s) == (-2.5, 1 / 130)
    assert "StartTime" in recording.notes[0]
    np.testing.assert_allclose(stretch.value, ECG_MV, atol=1e-12)


@pytest.mark.parametrize(
    ("key", "entry"),
    [
        ("SamplingFrequency", None),
        ("SamplingFrequency", 0),
        ("StartTime", None),
        ("StartTime", "noon"),
        ("Columns", None),
    ],
)
def test_an_incomplete_bids_json_names_the_key(tmp_path, key, entry):
    with pytest.raises(ReadingError) as refused:
        ecg(write_bids(tmp_path, described={key: entry}), channel="ecg", unit="uV")
    assert refused.value.where == key


def test_bids_physiology_needs_its_json(tmp_path):
    path = write_bids(tmp_path)
    (tmp_path / "sub-01_task-squat_physio.json").unlink()
    with pytest.raises(ReadingError, match="no JSON of its name beside it"):
        ecg(path, channel="ecg", unit="uV")


def test_bids_columns_and_units_are_those_of_the_json(tmp_path):
    path = write_bids(tmp_path)
    with pytest.raises(ReadingError, match="allowed: ecg, resp"):
        ecg(path, channel="ECG", unit="uV")
    with pytest.raises(ReadingError, match="the JSON says uV"):
        ecg(path, channel="ecg", unit="mV")


def test_a_cut_off_archive_is_refused(tmp_path):
    path = write_bids(tmp_path)
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(ReadingError, match="damaged or cut off"):
        ecg(path, channel="ecg", unit="uV")


def test_a_header_in_a_bids_table_is_refused(tmp_path):
    path = write_bids(tmp_path, first_line="ecg\tresp")
    with pytest.raises(ReadingError, match="row 1, column ecg: 'ecg' is not a number"):
        ecg(path, channel="ecg", unit="uV")


@pytest.mark.parametrize(
    "described",
    [
        {"Columns": [1, 2]},
        {"Columns": [["ecg"], "resp"]},
        {"Columns": [None, "resp"]},
        {"SamplingFrequency": 10**400},
        {"SamplingFrequency": float("nan")},
        {"StartTime": 1e300},
    ],
)
def test_a_bids_json_of_other_types_is_refused_with_the_key(tmp_path, described):
    with pytest.raises(ReadingError) as refused:
        ecg(write_bids(tmp_path, described=described), channel="ecg", unit="uV")
    assert refused.value.where == next(iter(described))


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a": 1, "a": 2}', "\0", ""])
def test_a_bids_json_that_is_none_is_refused(tmp_path, text):
    path = write_bids(tmp_path)
    path.with_name("sub-01_task-squat_physio.json").write_text(text)
    with pytest.raises(ReadingError, match="not readable as JSON"):
        ecg(path, channel="ecg", unit="uV")


# ---- beat intervals ---------------------------------------------------------------------------

INTERVALS_MS = np.array([812.0, 798.0, 805.0, 1010.0, 640.0])


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("812\n798\n805\n1010\n640\n", "ms"),
        ("RR [ms]\r\n812\r\n798\r\n805\r\n1010\r\n640\r\n", "ms"),
        ("# strap export\n# in ms\n812\n798\n# pause\n805\n1010\n640", "ms"),
        ("0.812\n0.798\n0.805\n1.010\n0.640\n", "s"),
        ("RR (s)\n0,812\n0,798\n0,805\n1,010\n0,640\n", "s"),
        ("// beats\n812.0\n798.0\n805.0\n1010.0\n640.0\n", "ms"),
    ],
)
def test_beat_intervals_are_read_with_or_without_header_and_comments(tmp_path, text, unit):
    path = tmp_path / "beats.txt"
    path.write_bytes(text.encode())
    recording = intervals(path, unit=unit)
    (stretch,) = recording.stretches
    assert (recording.unit, stretch.start_s, stretch.step_s) == ("ms", 0.0, None)
    np.testing.assert_allclose(stretch.value, INTERVALS_MS, rtol=1e-15)
    np.testing.assert_allclose(stretch.time_s, np.cumsum(INTERVALS_MS) / 1000)


def test_intervals_with_times_are_cut_where_beats_are_lost(tmp_path):
    beats_s = np.array([0.8, 1.6, 2.4, 12.4, 13.2, 14.0])
    path = write_table(tmp_path / "beats.csv", beats_s, np.full(6, 800.0), header="time,rr")
    recording = intervals(path, channel="rr", time_column="time")
    assert [s.time_s.tolist() for s in recording.stretches] == [[0.8, 1.6, 2.4], [12.4, 13.2, 14.0]]
    assert [s.start_s for s in recording.stretches] == pytest.approx([0.0, 11.6])
    assert [s.step_s for s in recording.stretches] == [None, None]
    assert "split at 2.4 s" in recording.notes[0]


def test_times_of_the_beat_that_begins_an_interval_are_moved_to_its_end(tmp_path):
    rr_ms = np.array([800.0, 950.0, 700.0, 870.0, 760.0])
    begins_s = np.r_[0.0, np.cumsum(rr_ms)[:-1] / 1000] + 3.0
    path = write_table(tmp_path / "b.csv", begins_s, rr_ms, header="time,rr")
    recording = intervals(path, channel="rr", time_column="time")
    (stretch,) = recording.stretches
    np.testing.assert_allclose(stretch.time_s, 3.0 + np.cumsum(rr_ms) / 1000)
    assert stretch.start_s == pytest.approx(3.0)
    assert "begins an interval" in recording.notes[0]


def test_a_long_interval_is_no_gap(tmp_path):
    rr_ms = np.array([800.0, 800.0, 1900.0, 800.0, 800.0])
    path = write_table(tmp_path / "b.csv", np.cumsum(rr_ms) / 1000, rr_ms, header="time,rr")
    assert len(intervals(path, channel="rr", time_column="time").stretches) == 1


@pytest.mark.parametrize(
    ("wrong", "says"), [("-5", "interval of -5"), ("n/a", "no interval"), ("", "a blank line")]
)
def test_an_interval_that_hides_time_is_refused(tmp_path, wrong, says):
    path = tmp_path / "beats.txt"
    path.write_text(f"812\n798\n{wrong}\n805\n")
    with pytest.raises(ReadingError, match=says) as refused:
        intervals(path)
    assert refused.value.where == "row 3"


def test_intervals_with_a_sampling_rate_are_a_contradiction(tmp_path):
    path = tmp_path / "beats.txt"
    path.write_text("812\n798\n")
    with pytest.raises(ReadingError, match="clear sampling_rate_hz"):
        intervals(path, sampling_rate_hz=4.0)
    with pytest.raises(ReadingError, match="one interval per row"):
        intervals(write_edf(tmp_path / "visit.edf"), channel="ECG II")


def test_a_nul_within_a_number_is_refused_with_its_row(tmp_path):
    path = write_table(tmp_path / "smo2.csv", np.arange(60.0), np.linspace(70, 50, 60))
    path.write_bytes(path.read_bytes().replace(b"\n5,", b"\n5\0,", 1))
    with pytest.raises(ReadingError, match="holds NUL") as refused:
        saturation(path)
    assert refused.value.where == "row 7"


def test_a_text_that_unfolds_without_bound_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr("study.outside.LARGEST_UNFOLDED_BYTES", 1000)
    path = tmp_path / "smo2.csv.gz"
    path.write_bytes(gzip.compress(b"time,smo2\n" + b"0,70\n" * 1000))
    with pytest.raises(ReadingError, match="unfolds to more than"):
        saturation(path)


# ---- time -------------------------------------------------------------------------------------


def test_a_jump_in_time_splits_the_recording_and_is_named(tmp_path):
    time_s = np.r_[np.arange(0, 10, 0.5), np.arange(20, 30, 0.5)]
    recording = saturation(write_table(tmp_path / "o.csv", time_s, np.full(40, 60.5)))
    assert [(s.start_s, s.step_s) for s in recording.stretches] == [(0.0, 0.5), (20.0, 0.5)]
    assert recording.notes == ("split at 9.5 s: the time jumps by 10.5 s at row 22",)


def test_a_single_lost_sample_is_a_gap_but_jitter_is_not(tmp_path):
    time_s = np.arange(40) * 0.5
    lost = np.delete(time_s, 20)
    assert len(saturation(write_table(tmp_path / "a.csv", lost, lost + 50)).stretches) == 2
    jitter = time_s + np.where(np.arange(40) % 2, 0.1, 0.0)
    (stretch,) = saturation(write_table(tmp_path / "b.csv", jitter, time_s + 50)).stretches
    assert stretch.step_s == pytest.approx(0.5, rel=0.001)
    uneven = np.cumsum(np.random.default_rng(1).uniform(0.3, 0.7, 40))
    (stretch,) = saturation(write_table(tmp_path / "c.csv", uneven, time_s + 50)).stretches
    assert stretch.step_s is None
    np.testing.assert_allclose(stretch.time_s, uneven, atol=1e-8)


def ecg_with_stamps(path, stamps_s, value):
    write_table(path, np.round(stamps_s, 3), value, header="time,ECG II")
    return ecg(path, channel="ECG II", time_column="time")


def test_stamps_of_arrival_give_way_to_the_even_axis_and_that_is_counted(tmp_path):
    """Packets of four samples at 130 Hz carry the time at which they came in, some of it twice."""
    time_s = np.arange(2600) / 130
    arrival_s = np.repeat(time_s[3::4], 4) + np.tile([0.0, 0.001, 0.001, 0.002], 650)
    recording = ecg_with_stamps(tmp_path / "e.csv", arrival_s, np.sin(7 * time_s))
    (stretch,) = recording.stretches
    assert 1 / stretch.step_s == pytest.approx(130.0, rel=1e-3)
    moved_pct, largest_ms = recording.stamp_moves
    assert moved_pct > 50
    assert 10 < largest_ms < 25


def test_stamps_that_fit_their_axis_are_not_counted_as_moved(tmp_path):
    time_s = np.arange(2600) / 130
    recording = ecg_with_stamps(tmp_path / "e.csv", time_s, np.sin(7 * time_s))
    assert recording.stamp_moves.moved_pct == 0
    assert recording.stamp_moves.largest_ms < 1


def test_rows_written_twice_are_no_stamps_of_arrival(tmp_path):
    time_s = np.repeat(np.arange(1300) / 130, 2)
    with pytest.raises(ReadingError, match="is there twice, with the same value"):
        ecg_with_stamps(tmp_path / "e.csv", time_s, np.sin(7 * time_s))


def test_rounded_stamps_of_an_even_recorder_are_put_on_an_even_grid(tmp_path):
    time_s = np.round(np.arange(513) / 256, 4)
    path = write_table(tmp_path / "o.csv", time_s, np.full(513, 0.5), header="time,ECG II")
    path.write_text(path.read_text().replace(",0.5\n", ",0.6\n", 100))
    (stretch,) = ecg(path, time_column="time").stretches
    assert stretch.step_s == pytest.approx(1 / 256, rel=1e-12)
    np.testing.assert_allclose(stretch.time_s, np.arange(513) / 256, atol=1e-12)


@pytest.mark.parametrize(
    ("time_s", "row", "says"),
    [
        ([0, 1, 2, 3, 2.5, 4], "row 6", "runs backwards from 3 s to 2.5 s"),
        ([0, 1, 2, 2, 3, 4], "row 5", "is there twice"),
        ([0, 1, 2, 3, 1, 2, 3, 4], "row 6", "repeats row 3"),
    ],
)
def test_time_that_repeats_or_runs_backwards_is_refused_with_its_row(tmp_path, time_s, row, says):
    path = write_table(tmp_path / "o.csv", time_s, np.full(len(time_s), 60.5))
    with pytest.raises(ReadingError, match=says) as refused:
        saturation(path)
    assert refused.value.where == row


def test_evenly_spaced_rows_need_a_sampling_rate(tmp_path):
    path = tmp_path / "o.csv"
    path.write_text("smo2\n61.5\n61.0\n60.5\n")
    with pytest.raises(ReadingError, match="nothing says when"):
        saturation(path, time_column=None)
    (stretch,) = saturation(path, time_column=None, sampling_rate_hz=2.0).stretches
    assert stretch.time_s.tolist() == [0.0, 0.5, 1.0]


def write_stamps(path, stamps):
    path.write_text("time;smo2\n" + "".join(f"{s};{60 + i},5\n" for i, s in enumerate(stamps)))
    return path


def test_dates_with_slashes_need_their_format_and_count_from_the_first_row(tmp_path):
    stamps = ["03/04/2026 10:00:00,0", "03/04/2026 10:00:00,5", "03/04/2026 10:00:01,0"]
    path = write_stamps(tmp_path / "o.csv", stamps)
    with pytest.raises(ReadingError, match="fill in time_format"):
        saturation(path)
    (stretch,) = saturation(path, time_format="%d/%m/%Y %H:%M:%S,%f").stretches
    assert stretch.time_s.tolist() == [0.0, 0.5, 1.0]


def test_a_clock_without_date_passes_midnight(tmp_path):
    path = write_stamps(tmp_path / "o.csv", ["23:59:58", "23:59:59", "00:00:00", "00:00:01"])
    recording = saturation(path, time_format="%H:%M:%S")
    assert recording.stretches[0].time_s.tolist() == [0.0, 1.0, 2.0, 3.0]
    assert recording.notes == ("the clock passes midnight at row 4",)


def test_a_dated_clock_that_runs_back_a_day_is_refused(tmp_path):
    stamps = ["2026-03-29 10:00:00", "2026-03-29 10:00:01", "2026-03-28 10:00:02"]
    path = write_stamps(tmp_path / "o.csv", stamps)
    with pytest.raises(ReadingError, match="runs backwards"):
        saturation(path, time_format="%Y-%m-%d %H:%M:%S")


def test_the_change_to_summer_time_is_suspected_in_words(tmp_path):
    stamps = ["2026-03-29 01:59:58", "2026-03-29 01:59:59", "2026-03-29 03:00:00"]
    recording = saturation(
        write_stamps(tmp_path / "o.csv", stamps), time_format="%Y-%m-%d %H:%M:%S"
    )
    assert len(recording.stretches) == 2
    assert "summer time" in recording.notes[0]


def test_stamps_with_a_zone_of_their_own_are_apart_by_true_time(tmp_path):
    stamps = ["2026-03-29 01:59:59+0100", "2026-03-29 03:00:00+0200", "2026-03-29 03:00:01+0200"]
    path = write_stamps(tmp_path / "o.csv", stamps)
    (stretch,) = saturation(path, time_format="%Y-%m-%d %H:%M:%S%z").stretches
    assert stretch.time_s.tolist() == [0.0, 1.0, 2.0]


@pytest.mark.parametrize("pattern", ["%Q", "hh:mm:ss", "seconds"])
def test_a_time_format_that_is_none_is_refused(tmp_path, pattern):
    path = write_stamps(tmp_path / "o.csv", ["10:00:00", "10:00:01"])
    with pytest.raises(ReadingError, match="correct time_format"):
        saturation(path, time_format=pattern)


def test_a_stamp_of_another_format_is_named(tmp_path):
    path = write_stamps(tmp_path / "o.csv", ["10:00:00", "10:00:01", "10:00"])
    with pytest.raises(ReadingError, match="'10:00' is not written as") as refused:
        saturation(path, time_format="%H:%M:%S")
    assert refused.value.where == "row 4, column time"


def test_times_in_milliseconds_are_caught_by_the_declared_rate(tmp_path):
    path = write_table(tmp_path / "o.csv", np.arange(20) * 500.0, np.full(20, 60.5))
    with pytest.raises(ReadingError, match="time_format = ms"):
        saturation(path, sampling_rate_hz=2.0)
    recording = saturation(path, sampling_rate_hz=2.0, time_format="ms")
    assert recording.stretches[0].step_s == 0.5
    assert saturation(path, time_format="min").stretches[0].step_s == 30_000.0


def test_a_small_difference_of_rates_is_noted_and_the_file_believed(tmp_path):
    path = write_table(tmp_path / "o.csv", np.arange(20) * 0.505, np.full(20, 60.5))
    recording = saturation(path, sampling_rate_hz=2.0)
    assert recording.stretches[0].step_s == pytest.approx(0.505)
    assert "declared 2 Hz" in recording.notes[0]


# ---- units ------------------------------------------------------------------------------------


def test_units_are_converted_to_one_per_signal():
    assert to_canonical("ecg", [1500.0], "uV")[0] == pytest.approx(1.5)
    assert to_canonical("rr", [0.8], "s")[0] == pytest.approx(800.0)
    assert to_canonical("muscle_oxygen", [0.65], "fraction")[0] == pytest.approx(65.0)
    # 100 mmHg = 13.3322 kPa: NIST Special Publication 811, 2008, appendix B.8.
    assert to_canonical("cuff_pressure", [13.3322], "kPa")[0] == pytest.approx(100.0, abs=1e-3)
    assert pytest.approx(7.50062) == KPA_IN_MMHG
    with pytest.raises(ValueError, match="not one of ms, s for rr"):
        to_canonical("rr", [1.0], "mV")


@pytest.mark.parametrize(
    ("signal", "value", "unit", "sentence"),
    [
        ("rr", [0.79, 0.81, 0.83], "ms", "median interval 0.81 ms: declared ms, looks like s"),
        ("rr", [790, 810, 830], "s", "median interval 810 s: declared s, looks like ms"),
        ("muscle_oxygen", [0.5, 0.7], "pct", "declared pct, looks like fraction"),
        ("muscle_oxygen", [60, 70], "fraction", "declared fraction, looks like pct"),
        ("ecg", ECG_MV * 1000, "mV", "declared mV, looks like uV"),
        ("ecg", ECG_MV, "uV", "declared uV, looks like mV"),
        ("ecg", ECG_MV / 1000, "mV", "declared mV, looks like V"),
        ("cuff_pressure", [120.0, 121.0], "kPa", "declared kPa, looks like mmHg"),
        ("total_haemoglobin", [120.0], "g_dl", "looks like another unit"),
    ],
)
def test_a_suspect_unit_is_named(signal, value, unit, sentence):
    assert sentence in check_plausible(signal, value, unit)


@pytest.mark.parametrize(
    ("signal", "value", "unit"),
    [
        ("rr", [250.0, 251.0], "ms"),  # 240 beats/min
        ("rr", [2000.0, 1990.0], "ms"),  # 30 beats/min
        ("rr", [800.0, 810.0, 12000.0], "ms"),
        ("muscle_oxygen", [0.0, 0.0, 0.0], "pct"),  # a dropout throughout is no question of unit
        ("muscle_oxygen", [3.0, 0.5, 98.0], "pct"),
        ("ecg", ECG_MV + 150.0, "mV"),  # electrode offset
        ("ecg", [0.0, 0.0, 0.0], "mV"),  # electrode off
        ("ecg", [], "mV"),
        ("cuff_pressure", [-2.0, 0.0, 380.0], "mmHg"),
        ("total_haemoglobin", [11.9, 12.4], "g_dl"),
        ("total_haemoglobin", [5000.0], "au"),
        ("respiration", [40000.0], "au"),
    ],
)
def test_a_possible_recording_is_not_suspected(signal, value, unit):
    assert check_plausible(signal, value, unit) is None


def test_single_impossible_values_are_counted_not_refused(tmp_path):
    value = np.full(20, 60.5)
    value[[3, 7]] = [101.0, -1.0]
    recording = saturation(write_table(tmp_path / "o.csv", np.arange(20), value))
    assert recording.notes == ("2 of 20 values are outside 0 to 100 pct",)
    assert count_impossible("ecg", 150.0 + np.array([0.0, 1.0, 0.2, 90.0]), "mV") == 1
    assert count_impossible("muscle_oxygen", [np.nan, 50.0], "pct") == 0
    # 300 and 20 beats/min are the limits
    assert count_impossible("rr", [199.0, 200.0, 3000.0, 3001.0], "ms") == 2


def test_a_suspect_unit_stops_the_reading_with_what_to_do(tmp_path):
    path = tmp_path / "beats.txt"
    path.write_text("0.812\n0.798\n0.805\n")
    with pytest.raises(ReadingError, match="looks like s") as refused:
        intervals(path, unit="ms")
    assert "correct unit" in refused.value.todo


# ---- errors and speed -------------------------------------------------------------------------


def test_an_error_has_three_lines_and_survives_another_process(tmp_path):
    error = ReadingError("row 3", "x\ny" * 400, "numbers", "mend it")
    assert len(str(error).splitlines()) == 3
    assert str(pickle.loads(pickle.dumps(error))) == str(error)
    with pytest.raises(ReadingError, match="no such file"):
        ecg(tmp_path / "absent.edf")


def test_reading_leaves_the_raw_file_untouched(tmp_path):
    path = write_edf(tmp_path / "visit.edf")
    before = path.read_bytes()
    ecg(path, unit="uV").stretches[0].value[:] = 0.0
    assert path.read_bytes() == before


def test_a_long_ecg_as_text_is_read_whole(tmp_path):
    time_s = np.arange(150_000) / 250
    value = np.tile(ECG_MV, 60)
    path = tmp_path / "long.csv"
    text = "".join(f"{t:.3f};{v:.3f}\n" for t, v in zip(time_s, value, strict=True))
    path.write_text("time;ECG II\n" + text.replace(".", ","))
    (stretch,) = ecg(path, time_column="time").stretches
    assert (len(stretch.value), stretch.step_s) == (150_000, pytest.approx(0.004))


def test_times_in_ms_are_refused_where_no_rate_is_declared_and_a_day_s_recording_is_not():
    events = pd.DataFrame(
        {"session_id": "ses-1", "onset_s": [20.0, 900.0], "duration_s": [60.0, np.nan]}
    )
    session_s = end_of_session_s(events, "ses-1")
    assert session_s == 900.0
    day = SimpleNamespace(stretches=[SimpleNamespace(time_s=np.array([0.0, 86400.0]))])
    in_ms = SimpleNamespace(stretches=[SimpleNamespace(time_s=1000.0 * np.array([0.0, 950.0]))])
    refuse_times_of_another_unit(day, session_s)
    with pytest.raises(ReadingError, match="time_format = ms or min"):
        refuse_times_of_another_unit(in_ms, session_s)
    # without timed events there is nothing to hold it against
    refuse_times_of_another_unit(in_ms, end_of_session_s(events, "ses-2"))


def test_a_file_of_channels_that_was_written_again_is_read_again(tmp_path):
    path = tmp_path / "a.edf"
    write_edf(path)
    before = ecg(path, unit="uV").stretches[0].value
    write_edf(path, scale=500.0)
    os.utime(path, ns=(1, 1))
    after = ecg(path, unit="uV").stretches[0].value
    assert after == pytest.approx(before / 2, abs=0.01)


def test_a_packet_that_arrived_late_is_mended_and_said(tmp_path):
    time_s = np.arange(3000) / 100.0
    # a packet was stamped before the last one ended
    late = time_s.copy()
    late[1500:] -= 0.08
    path = write_table(tmp_path / "a.csv", np.round(late, 3), 60 + np.arange(3000) % 7)
    recording = saturation(path)
    read_s = np.concatenate([stretch.time_s for stretch in recording.stretches])
    assert np.all(np.diff(read_s) > 0)
    assert np.max(np.abs(read_s - late)) <= 0.08
    assert recording.notes == (
        "7 of 3000 stamps run back by up to 70 ms, first at row 1502: mended as jitter of their "
        "arrival",
    )


def test_rows_that_stand_twice_are_no_jitter(tmp_path):
    time_s = np.arange(3000) / 100.0
    twice = np.concatenate([time_s[:1500], time_s[1490:]])
    value = np.concatenate([np.arange(1500), np.arange(1490, 3000)]) % 97 / 10 + 50
    path = write_table(tmp_path / "a.csv", twice, value)
    with pytest.raises(ReadingError, match="repeats row 1492"):
        saturation(path)


def test_a_step_back_of_half_a_second_is_refused(tmp_path):
    time_s = np.arange(3000) / 100.0
    time_s[1500:] -= 0.5
    path = write_table(tmp_path / "a.csv", np.round(time_s, 3), 60 + np.arange(3000) % 7)
    with pytest.raises(ReadingError, match="runs backwards"):
        saturation(path)


def overruling(path, read, **given):
    """A recording as read where the row overrules the file."""
    overruled = tuple(given.pop("overruled").split(";"))
    scale = given.pop("scale", None)
    declared = declared_by(given | {"signal": read}, overruled)
    return read_recording(path, replace(declared, scale=scale))


def test_a_header_of_a_wrong_unit_can_be_overruled(tmp_path):
    # numbers in microvolts under a header that says mV
    path = write_edf(tmp_path / "a.edf", unit="mV")
    for unit in ("mV", "uV"):
        with pytest.raises(ReadingError, match="declared_over_header"):
            ecg(path, unit=unit)
    recording = overruling(path, "ecg", channel="ECG II", unit="uV", overruled="unit")
    assert recording.unit == "mV"
    assert recording.stretches[0].value == pytest.approx(ECG_MV, abs=0.001)


def test_scale_and_rate_of_a_file_can_be_overruled(tmp_path):
    path = write_edf(tmp_path / "a.edf", unit="uV")
    asked = {"channel": "ECG II", "unit": "uV", "overruled": "scale;rate", "scale": 0.5}
    (stretch,) = overruling(path, "ecg", sampling_rate_hz=500.0, **asked).stretches
    assert stretch.step_s == 0.002
    assert stretch.value == pytest.approx(ECG_MV / 2, abs=0.001)


def test_an_ecg_in_counts_keeps_its_numbers(tmp_path):
    path = tmp_path / "a.csv"
    counts = np.round(2048 + 800 * ECG_MV).astype(int)
    path.write_text("ecg\n" + "\n".join(map(str, counts)) + "\n")
    recording = ecg(path, channel="ecg", unit="au", sampling_rate_hz=250.0)
    assert recording.unit == "au"
    assert recording.stretches[0].value.tolist() == counts.tolist()


def test_an_edf_tells_its_clock_time_and_one_without_a_date_only_the_time_of_day(tmp_path):
    path = write_edf(tmp_path / "a.edf")
    assert ecg(path, unit="uV").zero_at is None
    begun = time_of_day(9, 30, 5, 250000)
    signal = EdfSignal(ECG_MV, 250, label="ECG II", physical_dimension="mV")
    named = Recording(startdate=date(2031, 5, 24))
    Edf([signal], starttime=begun, recording=named).write(tmp_path / "b.edf")
    assert ecg(tmp_path / "b.edf").zero_at == datetime.combine(date(2031, 5, 24), begun)
    Edf([signal], starttime=begun).write(tmp_path / "c.edf")
    assert ecg(tmp_path / "c.edf").zero_at == begun
