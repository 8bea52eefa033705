"""Clocks compared with another recorder of the visit: known shifts are seen, and none is made."""

from types import SimpleNamespace

import numpy as np
import pytest

from recordings.agreement import agreement, checked_clocks, even, expected_saturation, heart_rate
from recordings.clock import Clock
from recordings.reading import TimedRecording
from recordings.recording import Recording, Stretch, even_stretch

SETS_S = (300.0, 480.0, 700.0, 850.0)


def intervals_ms(seed):
    """Intervals of twenty minutes in which work at uneven times raises heart rate to 120."""
    rng = np.random.default_rng(seed)
    now_s, intervals = 0.0, []
    while now_s < 1200:
        after = [now_s - onset_s for onset_s in SETS_S]
        rise = max(
            (min(t / 20, 1.0) * np.exp(-max(t - 60, 0) / 40) for t in after if t > 0), default=0
        )
        intervals.append(60000 / (65 + 55 * rise) + rng.normal(0, 15))
        now_s += intervals[-1] / 1000
    return np.array(intervals)


@pytest.mark.parametrize("shift_s", [-40.0, 0.0, 2.3, 90.0])
def test_two_recorders_of_one_heart_agree_best_at_the_true_shift(shift_s):
    beats_s = np.cumsum(intervals_ms(1)) / 1000
    rate = np.random.default_rng(2).normal(0, 2, beats_s.size - 1) + 60 / np.diff(beats_s)
    reference = even(*heart_rate("rr", beats_s, np.append(np.nan, 1000 * np.diff(beats_s))))
    seen = agreement(*reference, *even(beats_s[1:] - shift_s, rate))
    assert seen.shift_s == pytest.approx(shift_s, abs=1.0)
    assert seen.r > 0.9


def test_heart_rate_of_an_ecg_is_that_of_its_beats():
    beats_s = 5 + np.cumsum(intervals_ms(4))[:200] / 1000
    time_s = np.arange(0, beats_s[-1] + 5, 0.005)
    ecg = sum(np.exp(-0.5 * ((time_s - beat_s) / 0.012) ** 2) for beat_s in beats_s)
    seen = np.interp(beats_s[1:], *heart_rate("ecg", time_s, ecg))
    assert np.median(np.abs(seen - 60 / np.diff(beats_s))) < 0.5


def cuff_and_saturation(follows_s, shift_s):
    """Pressure of four inflations, and a saturation that falls with it, recorded too early."""
    time_s = np.arange(0, 1200, 0.5)
    cuff = sum(120.0 * ((time_s >= s - 20) & (time_s < s + 90)) for s in SETS_S)
    share = 0.5 / follows_s
    saturation, now = np.empty_like(cuff), 0.0
    for n, pressure in enumerate(cuff):
        now += share * (pressure - now)
        saturation[n] = 65 - 0.3 * now
    noise = np.random.default_rng(3).normal(0, 1, cuff.size)
    return even(time_s, cuff), even(time_s - shift_s, saturation + noise)


@pytest.mark.parametrize("follows_s", [15.0, 25.0, 50.0])
@pytest.mark.parametrize("shift_s", [0.0, 75.0, -120.0])
def test_saturation_tells_its_shift_against_a_cuff_to_half_a_minute(follows_s, shift_s):
    (cuff_s, cuff), (time_s, saturation) = cuff_and_saturation(follows_s, shift_s)
    seen = agreement(cuff_s, expected_saturation(cuff), time_s, saturation)
    assert seen.shift_s == pytest.approx(shift_s, abs=30.0)


def test_work_that_repeats_evenly_tells_no_shift():
    time_s = np.arange(0, 1200, 0.5)
    wave = np.sin(2 * np.pi * time_s / 120)
    assert agreement(time_s, wave, time_s, wave) is None


def recorded(number, signal, file, value, rate_hz, clock):
    row = SimpleNamespace(row_number=number, session_id="ses-1", signal=signal, file=file)
    for name in ("participant_id", "channel", "site", "side", "position", "limb"):
        setattr(row, name, None)
    stretch = even_stretch(value, start_s=0.0, sampling_rate_hz=rate_hz)
    return TimedRecording(row, Recording([stretch], "x"), clock)


@pytest.mark.parametrize(
    ("stated_s", "says"),
    [(0.0, "compared: saturation follows"), (90.0, "flagged: stated offset 90 s, but saturation")],
)
def test_a_stated_offset_is_compared_and_never_changed(stated_s, says):
    (_, cuff), (_, saturation) = cuff_and_saturation(25.0, 0.0)
    marked = Clock(0.0, 0.0, 0.0, 2, "ok: 2 sync marks")
    stated = Clock(stated_s, 0.0, None, 0, "unchecked", placed_by="stated offset")
    read = [
        recorded(2, "cuff_pressure", "cuff.csv", cuff, 2.0, marked),
        recorded(3, "muscle_oxygen", "muscle.csv", saturation, 2.0, stated),
    ]
    told = checked_clocks(read)
    assert list(told) == [3]
    assert told[3].startswith(says)
    assert "cuff.csv" in told[3]
    assert read[1].clock == stated


def test_two_sync_marks_are_believed_and_not_compared():
    (_, cuff), (_, saturation) = cuff_and_saturation(25.0, 0.0)
    marked = Clock(90.0, 0.0, 0.0, 2, "ok: 2 sync marks")
    read = [
        recorded(2, "cuff_pressure", "cuff.csv", cuff, 2.0, marked),
        recorded(3, "muscle_oxygen", "muscle.csv", saturation, 2.0, marked),
    ]
    assert checked_clocks(read) == {}


@pytest.mark.parametrize(("position", "compared"), [(None, False), ("chest", True)])
def test_pieces_of_one_sensor_are_not_taken_for_two_recorders(position, compared):
    stated = Clock(0.0, 0.0, None, 0, "unchecked", placed_by="stated offset")
    read = []
    for number, shift_s in ((2, 0.0), (3, 90.0)):
        beats_s = np.cumsum(intervals_ms(1)) / 1000 - shift_s
        stretch = Stretch(float(beats_s[0]), None, beats_s[1:], 1000 * np.diff(beats_s))
        piece = recorded(number, "rr", f"{number}.txt", np.zeros(9), 1.0, stated)
        read.append(TimedRecording(piece.row, Recording([stretch], "x"), stated))
    read[1].row.position = position
    told = checked_clocks(read)
    assert bool(told) == compared
    assert all("see which clock is right" in said for said in told.values())
