"""Which sensor counts for a set, also where a study names neither channel nor site."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from muscle.cleaning import clean_saturation
from muscle.sensors import on_sensor, sensor_of_set
from muscle.traces import quality_of, write_traces
from recordings.store import SessionStretch, by_recording, read_stretches, write_stretches
from sessions.reading import traces_by_session

BLANK = {"channel": None, "site": None, "side": None, "position": None}
SET = SimpleNamespace(session_id="ses-1", exercise="squat")


def stretch(file, **labels):
    time_s = np.arange(60.0)
    trace = 60.0 + np.random.default_rng(3).normal(0.0, 0.5, 60)
    labels = BLANK | labels | {"session_id": "ses-1", "signal": "muscle_oxygen", "file": file}
    return SessionStretch(
        **labels, unit="pct", number=0, start_s=0.0, step_s=1.0, time_s=time_s, value=trace
    )


def test_one_sensor_of_which_nothing_is_named_counts_for_every_set():
    sensor = sensor_of_set(SET, [stretch("a.csv")], {}, {})
    assert (sensor["file"], sensor["channel"], sensor["status"]) == ("a.csv", None, "ok")


def test_two_sensors_of_which_nothing_is_named_stay_apart_by_their_files():
    stretches = [stretch("a.csv"), stretch("b.csv")]
    sensor = sensor_of_set(SET, stretches, {}, {})
    sets = pd.DataFrame(
        {
            "session_id": ["ses-1"],
            "sensor_file": [sensor["file"]],
            "sensor_channel": [sensor["channel"]],
        }
    )
    counts = {
        labels["file"]: on_sensor(sets, labels).any() for labels, _ in by_recording(stretches)
    }
    assert counts == {"a.csv": True, "b.csv": False}


def test_two_sites_without_a_named_working_muscle_give_no_sensor():
    stretches = [stretch("a.csv", site="vastus lateralis"), stretch("b.csv", site="soleus")]
    sensor = sensor_of_set(SET, stretches, {}, {})
    assert sensor["status"] == "refused"
    assert "several sensors and no working muscle named for squat" in sensor["reason"]


def test_blank_labels_stay_blank_through_the_store_quality_and_the_cleaned_traces(tmp_path):
    write_stretches([stretch("a.csv"), stretch("b.csv")], tmp_path / "signals.parquet")
    limits = {"stuck_s": 10.0, "slip_pct_per_s": 10.0}
    limits |= {"dropout_jump_pct": 5.0, "leak_longest_s": 30.0}
    traces = []
    for labels, (piece,) in by_recording(read_stretches(tmp_path / "signals.parquet")):
        cleaned = clean_saturation(piece.time_s, piece.value, **limits)
        caution = "mostly fat is measured"
        (quality,) = quality_of(cleaned, labels, {("ses-1", "a.csv", None): caution})
        assert quality["verdict"] == "accepted"
        assert quality["reason"] == (caution if labels["file"] == "a.csv" else "")
        assert quality["site"] is None
        traces.append((labels | {"unit": piece.unit}, cleaned))
    write_traces(traces, tmp_path / "saturation.parquet")
    table = pq.read_table(tmp_path / "saturation.parquet")
    assert table.num_rows == 120
    assert all(table.column(name).null_count == 120 for name in BLANK)
    assert table.column("file").unique().to_pylist() == ["a.csv", "b.csv"]


def test_a_visit_without_saturation_gives_an_empty_file_of_traces(tmp_path):
    write_traces([], tmp_path / "saturation.parquet")
    assert pq.read_table(tmp_path / "saturation.parquet").num_rows == 0


def test_a_person_without_saturation_has_no_sensors_on_their_pages(tmp_path):
    write_traces([], tmp_path / "oxygenation.parquet")
    assert traces_by_session(tmp_path / "oxygenation.parquet") == {}
