"""Pieces of a restarted recorder, leads, copies: what is used of them, and what is told."""

import numpy as np
import pytest

from project import settings_with, write_tsv
from read_recordings import read_recordings
from recordings.store import joined, read_stretches
from results.exclusions import unused_recordings
from results.tables import read_table
from study.problems import StudyError

VISIT = {"participant_id": "sub-01", "session_id": "ses-1"}


def saturation(first, n):
    """One reading a second; its value is its number, so that it shows where a reading went."""
    return "time;smo2\n" + "".join(f"{t};{first + t:.1f}\n" for t in range(n))


class Visit:
    """A visit of a person, of which any files may be declared."""

    def __init__(self, folder):
        self.folder = folder
        (folder / "raw").mkdir(parents=True)
        write_tsv(folder / "participants.tsv", [{"participant_id": "sub-01"}])
        self.session = VISIT | {"visit": 1}
        write_tsv(
            folder / "events.tsv",
            [VISIT | {"onset_s": 0, "duration_s": 60, "trial_type": "baseline"}],
        )
        self.rows = []

    def declare(self, name, text, **columns):
        (self.folder / "raw" / name).write_text(text)
        row = {"signal": "muscle_oxygen", "file": f"raw/{name}", "channel": "smo2", "unit": "pct"}
        self.rows.append(VISIT | row | {"time_column": "time", "site": "vastus"} | columns)

    def read(self):
        write_tsv(self.folder / "sessions.tsv", [self.session])
        write_tsv(self.folder / "recordings.tsv", self.rows)
        signals, sync = self.folder / "signals.parquet", self.folder / "sync.tsv"
        read_recordings(
            [],
            signals,
            sync,
            study=str(self.folder),
            participant="sub-01",
            settings=settings_with().read_recordings,
        )
        return read_stretches(signals), read_table(sync)


@pytest.fixture
def visit(tmp_path):
    return Visit(tmp_path / "study")


def test_pieces_of_a_restarted_recorder_are_one_recording_with_a_gap(visit):
    visit.declare("b.csv", saturation(40, 20), clock_offset_s=40)
    visit.declare("a.csv", saturation(0, 36), clock_offset_s=0)
    stretches, sync = visit.read()
    time_s, value = joined(stretches)
    assert time_s.tolist() == [*range(36), *range(40, 60)]
    assert value.tolist() == time_s.tolist()
    assert {s.file for s in stretches} == {"raw/b.csv"}
    assert [s.number for s in stretches] == [0, 1]
    assert sync["status"].str.contains("one of 2 pieces joined on the session clock").all()
    # the baseline lies in both: five seconds are lacking, not forty
    assert not sync["status"].str.contains("lacks").any()


def test_time_stamps_join_pieces_without_an_offset(visit):
    visit.session["session_start"] = "09:30:00"
    for name, minute in (("a.csv", 30), ("b.csv", 31)):
        text = "".join(f"09:{minute}:{t:02d};{60 + minute:.1f}\n" for t in range(20))
        visit.declare(name, f"time;smo2\n{text}")
    stretches, sync = visit.read()
    assert joined(stretches)[0].tolist() == [*range(20), *range(60, 80)]
    assert sync["placed_by"].tolist() == ["time stamps"] * 2
    assert sync["offset_s"].tolist() == [0, 60]


def test_pieces_that_overlap_need_a_choice_and_follow_it(visit):
    visit.declare("a.csv", saturation(0, 30), clock_offset_s=0)
    visit.declare("b.csv", saturation(50, 30), clock_offset_s=20)
    with pytest.raises(StudyError, match=r"rows 2 and 3 overlap from 20.0 to 29.0 s"):
        visit.read()
    visit.rows[1]["overlap"] = "keep"
    time_s, value = joined(visit.read()[0])
    assert time_s.tolist() == [*range(50)]
    assert value[19:21].tolist() == [19, 50]
    visit.rows[1]["overlap"] = "yield"
    time_s, value = joined(visit.read()[0])
    assert (len(time_s), value[29], value[30]) == (50, 29, 60)


def test_a_piece_whose_time_another_one_holds_is_listed_as_unused(visit):
    visit.declare("a.csv", saturation(0, 60), clock_offset_s=0, overlap="keep")
    visit.declare("b.csv", saturation(0, 20), clock_offset_s=10)
    stretches, sync = visit.read()
    assert len(joined(stretches)[0]) == 60
    (unused,) = unused_recordings(sync).to_dict("records")
    assert unused["file"] == "raw/b.csv"
    assert unused["reason"].startswith("another row of the same signal holds all of its time")


def test_pieces_of_which_nothing_says_when_they_began_are_not_laid_over_each_other(visit):
    visit.declare("a.csv", saturation(0, 30))
    visit.declare("b.csv", saturation(0, 30), clock_offset_s=40)
    with pytest.raises(StudyError, match="nothing says when that of row 2 began"):
        visit.read()


def test_a_recording_without_a_place_runs_with_a_caution(visit):
    visit.declare("a.csv", saturation(0, 60))
    _, sync = visit.read()
    assert sync["placed_by"].tolist() == ["nothing"]
    assert sync["status"].str.startswith("flagged: no sync mark").all()


def test_the_second_lead_of_a_file_is_told_as_unused(visit):
    text = "".join(f"{t / 100};{t % 7 / 10};{t % 5 / 10}\n" for t in range(3000))
    lead = {"signal": "ecg", "unit": "mV", "site": "n/a", "clock_offset_s": 0}
    visit.declare("a.csv", f"time;II;V5\n{text}", channel="II", **lead)
    visit.rows.append(visit.rows[0] | {"channel": "V5"})
    stretches, sync = visit.read()
    assert {s.channel for s in stretches} == {"II"}
    assert sync["used"].tolist() == ["yes", "no"]
    assert "the first channel that recordings.tsv names" in sync["status"][1]


def test_intervals_beside_an_ecg_are_told_as_unused(visit):
    rows = "".join(f"{t / 100};{t % 7 / 10}\n" for t in range(3000))
    heart = {"site": "n/a", "clock_offset_s": 0}
    visit.declare("a.csv", f"time;II\n{rows}", signal="ecg", unit="mV", **heart | {"channel": "II"})
    text = "interval\n" + "800\n" * 60
    columns = {"signal": "rr", "unit": "ms", "channel": "n/a", "time_column": "n/a"}
    visit.declare("b.txt", text, **heart | columns)
    stretches, sync = visit.read()
    assert {s.signal for s in stretches} == {"ecg"}
    assert sync["status"].tolist()[1] == (
        "not used: the session has an ECG, in which beats are found"
    )


def test_a_belt_that_shares_no_clock_with_the_heart_is_not_laid_beside_it(visit):
    text = "".join(f"{t / 100};{t % 7 / 10}\n" for t in range(3000))
    heart = {"signal": "ecg", "unit": "mV", "channel": "II", "site": "n/a", "clock_offset_s": 0}
    visit.declare("a.csv", f"time;II\n{text}", **heart)
    belt = {"signal": "respiration", "unit": "au", "channel": "belt", "site": "n/a"}
    visit.declare("b.csv", f"time;belt\n{text}", **belt)
    stretches, sync = visit.read()
    assert {s.signal for s in stretches} == {"ecg"}
    assert "breathing is taken from the beats" in sync["status"][1]
    visit.rows[1]["clock_offset_s"] = 0
    assert {s.signal for s in visit.read()[0]} == {"ecg", "respiration"}


def test_sensors_on_other_sides_are_no_pieces_of_each_other(visit):
    for side in ("left", "right"):
        visit.declare(f"{side}.csv", saturation(0, 60), side=side, clock_offset_s=0)
    stretches, sync = visit.read()
    assert {s.side for s in stretches} == {"left", "right"}
    assert sync["used"].tolist() == ["yes", "yes"]


def test_intervals_that_a_kept_piece_cuts_begin_with_a_beat(visit):
    columns = {"signal": "rr", "unit": "ms", "channel": "n/a", "time_column": "n/a"}
    for name, offset_s, overlap in (("a.txt", 0, "keep"), ("b.txt", 10, "n/a")):
        text = "interval\n" + "1000\n" * 20
        given = {"clock_offset_s": offset_s, "overlap": overlap, "site": "n/a"}
        visit.declare(name, text, **columns | given)
    stretches, _ = visit.read()
    time_s, value = joined(stretches)
    assert time_s.tolist() == [*range(31)]
    assert np.isnan(value[[0, 21]]).all()
    assert np.isfinite(np.delete(value, [0, 21])).all()
