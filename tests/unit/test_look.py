"""What is told of files before anybody declares anything, and what of it is a guess."""

import csv
import shutil

import numpy as np
import pytest
from edfio import Edf, EdfSignal

from project import write_tiny_study, write_tsv
from recordings.contents import channels_of, signal_named
from study.look import main, not_opened
from study.problems import Problems
from study.rows import read_table


@pytest.fixture
def drawer(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "Schublade für alles"
    folder.mkdir()
    return folder


def seen(folder, name, text):
    (folder / name).write_text(text)
    _, channels = channels_of(folder / name, folder)
    return channels


@pytest.mark.parametrize(
    ("name", "signal"),
    [
        ("ECG II", "ecg"),
        ("EKG1", "ecg"),
        ("SmO2 VL [%]", "muscle_oxygen"),
        ("TSI", "muscle_oxygen"),
        ("O2Hb", "oxy_haemoglobin"),
        ("HHb", "deoxy_haemoglobin"),
        ("tHb", "total_haemoglobin"),
        ("RR", "rr"),
        ("Cuff", "cuff_pressure"),
        ("resp", "respiration"),
        ("SpO2", None),
        ("Watt", None),
    ],
)
def test_names_of_the_field_tell_the_signal_and_others_tell_none(name, signal):
    assert signal_named(name) == signal


def test_a_table_of_a_muscle_tells_times_unit_and_start(drawer):
    text = "".join(
        f"2031-05-24T09:30:{t:02d};{61 - t / 10:.1f};{t}\n".replace(".", ",") for t in range(40)
    )
    smo2, watt = seen(drawer, "a.csv", f"Zeit;SmO2 [%];Watt\n{text}")
    assert (smo2.signal, smo2.unit, smo2.unit_written) == ("muscle_oxygen", "pct", "%")
    assert (smo2.rate_hz, smo2.length_s, smo2.n_gaps) == (1.0, 39.0, 0)
    assert smo2.zero_at.isoformat() == "2031-05-24T09:30:00"
    assert set(smo2.guessed) == {"signal", "time_column"}
    assert watt.signal is None


def test_stamps_of_a_country_with_the_day_first_tell_times_and_start(drawer):
    text = "".join(f"24.05.2031 09:30:{t:02d},250;{61 - t / 10:.0f}\n" for t in range(40))
    (smo2,) = seen(drawer, "a.csv", f"Zeit;SmO2 [%]\n{text}")
    assert (smo2.time_column, smo2.rate_hz) == ("Zeit", 1.0)
    assert smo2.zero_at.isoformat() == "2031-05-24T09:30:00.250000"


def test_stamps_that_may_be_read_in_two_ways_are_asked_for(drawer):
    text = "".join(f"04/05/2031 09:30:{t:02d};{61 - t / 10:.0f}\n" for t in range(40))
    (smo2,) = seen(drawer, "a.csv", f"Zeit;SmO2 [%]\n{text}")
    (remark,) = smo2.remarks
    assert remark.endswith(
        "is a clock time or date; fill in time_format in recordings.tsv: "
        "%d/%m/%Y %H:%M:%S or %m/%d/%Y %H:%M:%S"
    )
    assert smo2.time_column == "Zeit"


def test_a_stamp_that_holds_a_day_beyond_twelve_is_asked_for_in_one_way(drawer):
    text = "".join(f"04/25/2031 09:30:{t:02d}.5;{61 - t / 10:.0f}\n" for t in range(40))
    (smo2,) = seen(drawer, "a.csv", f"Zeit;SmO2 [%]\n{text}")
    assert smo2.remarks[0].endswith("time_format in recordings.tsv: %m/%d/%Y %H:%M:%S.%f")


def test_workbooks_and_documents_of_a_drawer_are_named_and_not_passed_over(drawer, capsys):
    (drawer / "a.txt").write_text("812\n" * 60)
    for name in ("Sättigung.xlsx", "Notizen.docx", "events.xlsx"):
        (drawer / name).write_bytes(b"PK")
    assert not_opened(drawer) == ["Notizen.docx", "Sättigung.xlsx"]
    main([str(drawer)])
    assert "Sättigung.xlsx\n    not opened: no kind of file that is read" in capsys.readouterr().out


def test_a_fraction_and_milliseconds_are_told_from_values(drawer):
    text = "".join(f"{500 * t}\t{0.6 - t / 1000}\n" for t in range(60))
    (smo2,) = seen(drawer, "a.tsv", f"time\tsmo2\n{text}")
    assert smo2.time_format == "ms"
    assert smo2.rate_hz == pytest.approx(2.0)
    assert smo2.plausible == ("fraction",)
    assert (smo2.unit, "unit" in smo2.guessed) == ("fraction", True)


def test_a_single_column_of_beats_is_told_from_any_other_column(drawer):
    (beats,) = seen(drawer, "a.txt", "812\n" * 60)
    assert (beats.signal, beats.unit, beats.length_s) == ("rr", "ms", pytest.approx(47.9, abs=0.1))
    (seconds,) = seen(drawer, "b.txt", "0.812\n0.790\n" * 30)
    assert (seconds.signal, seconds.unit) == ("rr", "s")
    (power,) = seen(drawer, "c.txt", "watt\n" + "180\n" * 60)
    assert power.signal is None
    assert "state sampling_rate_hz" in power.remarks[0]


def test_a_header_that_lies_is_told_with_the_way_to_overrule_it(drawer):
    beats = np.tile(np.concatenate([np.zeros(240), np.full(10, 1000.0)]), 20)
    noise = np.random.default_rng(1).normal(0, 30, beats.size)
    signal = EdfSignal(beats + noise, 250, label="ECG", physical_dimension="mV")
    Edf([signal]).write(drawer / "a.edf")
    _, (ecg,) = channels_of(drawer / "a.edf", drawer)
    assert (ecg.unit_written, ecg.plausible) == ("mV", ("uV",))
    assert "declared_over_header = unit" in ecg.remarks[-1]


def test_a_drawer_is_told_at_once_with_copies_and_faults_by_cause(drawer, capsys):
    write_tiny_study(drawer / "x", participants=("sub-01",))
    for path in sorted((drawer / "x" / "raw").iterdir()):
        shutil.move(path, drawer / path.name)
    shutil.rmtree(drawer / "x")
    shutil.copy(drawer / "sub-01_ses-1_saturation.csv", drawer / "copy.csv")
    (drawer / "allocation.tsv").write_text("participant_id\tsealed\nsub-01\tx\n")
    for name in ("b.csv", "c.csv"):
        (drawer / name).write_text("no table at all\n")
    before = {path: path.read_bytes() for path in drawer.iterdir()}
    with pytest.raises(SystemExit) as stopped:
        main([str(drawer)])
    assert "2 faults of recordings, 1 cause:" in str(stopped.value)
    printed = capsys.readouterr().out
    assert "looks like beat intervals in ms" in printed
    assert "the same content as sub-01_ses-1_saturation.csv" in printed
    out = drawer.parent / "results" / "look" / drawer.name
    page = (out / "look.html").read_text()
    assert page.count("<polyline") == 7
    with (out / "recordings_proposed.tsv").open() as file:
        files = list(csv.DictReader(file, delimiter="\t"))
    assert {row["file"] for row in files} == {
        path.name for path in before if path.name.startswith("sub-01")
    }
    assert files[0]["participant_id"] == "sub-01"
    assert "participant_id" in files[0]["proposed"]
    assert {path: path.read_bytes() for path in drawer.iterdir()} == before


def test_a_proposed_row_is_refused_until_a_person_confirmed_it(tmp_path):
    row = {"participant_id": "sub-01", "session_id": "ses-1", "signal": "rr", "file": "a.txt"}
    write_tsv(tmp_path / "recordings.tsv", [row | {"unit": "ms", "proposed": "guessed: unit"}])
    problems = Problems()
    assert read_table(tmp_path / "recordings.tsv", problems) == []
    ((_, where, message),) = problems._gathered
    assert where == "row 2, column proposed"
    assert "empty, once all of this is confirmed" in message
