"""Values that cannot be those that were measured, as far as a recording shows it."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from benchmarks.damaged_recordings import EDF_FIELDS, run_cases, write_sound_study
from measuring.inputs import halving_beats_s
from measuring.properties import intervals_halved_by_hand
from muscle.cleaning import clean_saturation
from recordings.declared import Declared
from recordings.doubtful_values import repeated_span, values_caution
from recordings.readers.any_file import ReadingError, read_recording
from recordings.recording import Recording, even_stretch


def recording(value, rate_hz=10.0, **more):
    stretch = even_stretch(np.asarray(value, float), start_s=0.0, sampling_rate_hz=rate_hz)
    return Recording((stretch,), "any", **more)


def noise(n, digits=1):
    return np.round(50 + 3 * np.random.default_rng(1).standard_normal(n), digits)


@pytest.mark.parametrize("n", [1_000, 300_000])
def test_a_span_that_stands_twice_is_found_with_both_places(n):
    value = noise(n, 3)
    begin, length = n // 3, 200
    twice = np.insert(value, begin + length, value[begin : begin + length])
    assert repeated_span(value) is None
    assert repeated_span(twice) == (begin, begin + length, length)


@pytest.mark.parametrize(
    ("value", "what"),
    [
        (np.tile(noise(50), 30), "a simulator's beats"),
        (np.repeat(np.round(60 + np.arange(40) % 3), 50), "a sensor of whole percents"),
        (np.full(1_000, 55.0), "one value"),
        (np.full(1_000, np.nan), "none at all"),
    ],
)
def test_what_repeats_itself_by_its_nature_is_not_doubted(value, what):
    assert repeated_span(value) is None, what


def test_a_saturation_that_hardly_leaves_zero_is_doubted_and_a_muscle_under_a_cuff_is_not():
    assert "see unit and scale" in values_caution("muscle_oxygen", recording(noise(500) / 10))
    low = np.where(np.arange(500) < 60, 60.0, 4.0) + noise(500) / 100
    assert values_caution("muscle_oxygen", recording(low)) == ""


def intervals(n=300):
    return np.round(800 + 30 * np.random.default_rng(2).standard_normal(n))


def test_intervals_that_double_at_once_are_doubted_and_a_missed_beat_or_a_fast_rise_is_not():
    value = intervals()
    halved = np.concatenate([value[:100], value[100:160:2] + value[101:160:2], value[160:]])
    assert "every second beat" in values_caution("rr", recording(halved))
    missed = np.concatenate([value[:100], [value[100:102].sum()], value[102:]])
    rise = value * np.interp(np.arange(300), [0, 100, 130, 300], [1, 1, 0.5, 0.5])
    assert values_caution("rr", recording(missed)) == ""
    assert values_caution("rr", recording(np.round(rise))) == ""


def test_intervals_that_stand_still_are_doubted_unless_they_are_as_coarse_as_that():
    value = intervals()
    held = value.copy()
    held[50:80] = 812
    assert "30 intervals of 812 ms" in values_caution("rr", recording(held))
    coarse = np.round(value / 100) * 100
    assert values_caution("rr", recording(coarse)) == ""


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound") / "study"
    write_sound_study(folder)
    return folder


def edf(study, field, text):
    path = study / "raw" / "changed.edf"
    content = bytearray((study / "raw" / "sub-0001_ses-3.edf").read_bytes())
    begin, length = field
    content[begin : begin + length] = text.ljust(length).encode()
    path.write_bytes(content)
    return path


def read_ecg(path):
    return read_recording(path, Declared(signal="ecg", unit="uV", channel="ECG II"))


def test_a_file_that_holds_more_than_its_header_promises_is_doubted(study):
    read = read_ecg(edf(study, EDF_FIELDS["records"], "100"))
    assert values_caution("ecg", read).startswith("flagged: values may not be those of the channel")
    assert values_caution("ecg", read_ecg(study / "raw" / "sub-0001_ses-3.edf")) == ""


def test_an_ecg_too_slow_to_show_a_beat_is_refused(study):
    with pytest.raises(ReadingError, match="sampled at 1 Hz"):
        read_ecg(edf(study, (256 + 4 * 216, 8), "1"))


def test_of_damaged_recordings_none_is_wrong_in_silence():
    counts, faults = run_cases(n=8)
    assert faults == []
    assert {*counts} <= {"refused", "told", "same"}


def test_an_interval_in_three_parts_is_doubted_and_one_in_two_is_left_to_the_repair():
    value = intervals()
    thirds = np.concatenate([value[:100], [260, 270, 270], value[101:]])
    halves = np.concatenate([value[:100], [400, 410], value[101:]])
    assert "put in" in values_caution("rr", recording(thirds))
    assert values_caution("rr", recording(halves)) == ""


def test_a_single_reading_far_from_its_neighbours_is_no_muscle_and_a_ripple_is():
    time_s = np.arange(0, 120, 0.5)
    saturation = 50 + 8 * np.sin(2 * np.pi * 0.4 * time_s)
    spoiled = saturation.copy()
    spoiled[[60, 131]] = 100.0
    limits = {"stuck_s": 10.0, "slip_pct_per_s": 10.0, "dropout_jump_pct": 10.0}
    cleaned = clean_saturation(time_s, spoiled, **limits, leak_longest_s=30.0)
    assert cleaned.index[cleaned["reason"] != ""].tolist() == [60, 131]
    whole = clean_saturation(time_s, saturation, **limits, leak_longest_s=30.0)
    assert (whole["reason"] == "").all()


def test_a_beat_added_by_hand_where_none_was_missed_is_counted_and_one_in_a_gap_is_not():
    times = np.cumsum(np.r_[0.0, np.full(60, 0.8)])

    def halved(times_s, added_s):
        beats = pd.DataFrame({"time_s": np.sort(np.append(times_s, added_s))})
        beats["nn_time_s"] = beats["time_s"]
        beats["nn_ms"] = 1000 * beats["time_s"].diff()
        beats["kind"] = np.where(beats["time_s"] == added_s, "added", "normal")
        window = SimpleNamespace(start_s=0.0, end_s=40.0)
        return intervals_halved_by_hand(halving_beats_s(beats), window)

    assert halved(times, times[20] + 0.4) == 1
    assert halved(np.delete(times, 20), times[20]) == 0
