"""Clock times of sheets and recorders: the place of a recording on the session clock."""

from datetime import datetime, time
from types import SimpleNamespace

import pytest

from project import write_tsv
from recordings.clock import ACQUISITION, NOTHING, STAMPS, STATED, fit_clock
from recordings.declared import Declared
from recordings.placing import place_of
from recordings.readers.any_file import read_recording
from study.clock_times import ClockTimeError, moment_of, seconds_after
from study.problems import Problems
from study.rows import read_table

HALF_PAST = datetime(2031, 5, 24, 9, 30)

START = "2031-05-24T23:50:00"


def seconds(start, moment):
    return seconds_after(moment_of(start), moment_of(moment))


def test_a_clock_time_without_a_date_passes_midnight():
    assert seconds(START, "23:50:30") == 30
    assert seconds(START, "00:10:00") == 1200
    assert seconds("00:05:00", "23:55:00") == -600


def test_zones_are_told_apart_and_two_dates_are_as_they_are():
    assert seconds("2031-05-24T09:30:00+02:00", "2031-05-24T07:31:00Z") == 60
    assert seconds("2031-05-24T09:30:00", "2031-05-24T09:31:00+02:00") == 60
    assert seconds("2031-05-24T09:30", "2031-05-25 09:30") == 86400
    assert seconds("9:30", "2031-05-25T9:31") == 60


def test_universal_time_beside_a_time_without_a_zone_is_not_guessed():
    with pytest.raises(ClockTimeError, match="write session_start with its zone"):
        seconds("2031-05-24T09:30:00", "2031-05-24T07:31:00Z")


@pytest.mark.parametrize("text", ["2031-05-24", "24.05.2031 09:30", "9 o'clock", "25:00:00"])
def test_what_is_no_clock_time_is_refused(text):
    with pytest.raises(ClockTimeError, match="no clock time"):
        moment_of(text)


def row(**columns):
    of_row = {"clock_offset_s": None, "overruled": ()} | columns
    return SimpleNamespace(**of_row)


def recording(zero_at=None, bids=False):
    return SimpleNamespace(zero_at=zero_at, zero_is_acquisition=bids)


def test_stamps_place_a_recording_and_a_stated_offset_is_held_against_them():
    stamped = recording(datetime(2031, 5, 25, 0, 0, 4))
    assert place_of(row(), stamped, START) == (604.0, STAMPS, "")
    stated = place_of(row(clock_offset_s=600.0), stamped, START)
    assert (stated.offset_s, stated.given_by, stated.caution) == (600.0, STATED, "")
    wrong = place_of(row(clock_offset_s=0.0), stamped, START)
    assert (wrong.offset_s, wrong.given_by) == (0.0, STATED)
    assert wrong.caution == (
        "flagged: the stated offset is 0 s, the time stamps of the file give 604 s"
    )
    overruled = row(clock_offset_s=0.0, overruled=("start",))
    assert place_of(overruled, stamped, START).caution == ""


def test_nothing_that_says_when_a_recording_began_is_flagged_and_never_a_silent_zero():
    for of_file, start in ((recording(), START), (recording(time(9, 30)), None)):
        placed = place_of(row(), of_file, start)
        assert (placed.offset_s, placed.given_by) == (0.0, NOTHING)
    status = fit_clock([], [], given_by=NOTHING).status
    assert status.startswith("flagged: ")
    assert "its place on the session clock is unknown" in status
    assert place_of(row(), recording(bids=True), None).given_by == ACQUISITION


def test_a_stamp_of_another_day_is_refused_with_both_times():
    with pytest.raises(ValueError, match="session_start in sessions.tsv is 2031") as fault:
        place_of(row(), recording(datetime(2024, 3, 4, 9, 30)), START)
    assert "without a date" in str(fault.value)


def text_of(path, stamps):
    path.write_text("time;smo2\n" + "".join(f"{s};{60 + n}.5\n" for n, s in enumerate(stamps)))
    declared = Declared("muscle_oxygen", "pct", channel="smo2", time_column="time")
    return read_recording(path, declared)


@pytest.mark.parametrize(
    ("stamps", "zero_at"),
    [
        (["2031-05-24T09:30:00", "2031-05-24T09:30:01"], HALF_PAST),
        (["2031-05-24 09:30:00.5", "2031-05-24 09:30:01.5"], HALF_PAST.replace(microsecond=500000)),
        (["09:30:00,250", "09:30:01,250"], time(9, 30, 0, 250000)),
        # a stopwatch tells no time of day
        (["00:00:00", "00:00:01"], None),
    ],
)
def test_stamps_that_read_in_one_way_need_no_pattern(tmp_path, stamps, zero_at):
    read = text_of(tmp_path / "a.csv", stamps)
    assert read.stretches[0].time_s.tolist() == [0.0, 1.0]
    assert read.zero_at == zero_at


def test_a_zone_in_the_stamps_is_kept(tmp_path):
    read = text_of(tmp_path / "a.csv", ["2031-05-24T09:30:00+02:00", "2031-05-24T09:30:01+02:00"])
    assert seconds_after(moment_of("2031-05-24T07:29:00Z"), read.zero_at) == 60


def study_with(folder, start, *onsets):
    sessions = {"participant_id": "sub-01", "session_id": "ses-1", "visit": 1}
    write_tsv(folder / "sessions.tsv", [sessions | ({"session_start": start} if start else {})])
    events = [
        {"participant_id": "sub-01", "session_id": "ses-1", "duration_s": 5, "trial_type": "rest"}
        | onset
        for onset in onsets
    ]
    write_tsv(folder / "events.tsv", events)
    problems = Problems()
    sheet = read_table(folder / "events.tsv", problems)
    return sheet, [message for _, _, message in problems._gathered]


def test_a_sheet_in_clock_times_gives_seconds_of_the_session(tmp_path):
    events, problems = study_with(
        tmp_path, START, {"onset_time": "23:58:00"}, {"onset_time": "00:10:00"}
    )
    assert problems == []
    assert [event.onset_s for event in events] == [480.0, 1200.0]
    assert [event.event_id for event in events] == ["sub-01_ses-1_rest-01", "sub-01_ses-1_rest-02"]


def test_clock_times_without_a_session_start_are_told_once(tmp_path):
    _, problems = study_with(tmp_path, None, {"onset_time": "09:31"}, {"onset_time": "09:41"})
    assert len(problems) == 1
    assert "has no session_start in sessions.tsv" in problems[0]


def test_seconds_and_clock_times_that_differ_are_not_chosen_between(tmp_path):
    _, problems = study_with(tmp_path, START, {"onset_time": "23:51:00", "onset_s": 90})
    assert problems == [
        "23:51:00 is 60 s on the session clock, but onset_s says 90; correct one of the two, or "
        "leave onset_s empty"
    ]
