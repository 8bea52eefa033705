"""Hum, steps of an electrode and stamps of arrival are taken out of an ECG, and nothing else is."""

from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from benchmarks.scoring import score_beats
from demo.disturbed_ecg import electrode_steps, height_of, mains_hum, packet_stamps
from demo.exercise_ecg import LEADS, beat_times, exercise_ecg
from heart.beats import parting_said, with_edits
from heart.detection.detector import detect_beats
from heart.detection.disturbances import folded_hz, level_steps, without_hum, without_steps
from heart.detection.even_pieces import EvenPiece, even_pieces
from heart.quality import ACCEPTED, quality_by_span
from unit.sinus_rhythm import sinus_beats


@cache
def recorded(seed=1, lead="lateral", rate_hz=250, seconds=120.0):
    """Time (s), ECG (mV) at 18 dB and true beats (s) of exercise from 80 to 150 per min."""
    generator = np.random.default_rng(seed)
    beats = beat_times(seconds, heart_rate_bpm=[80, 150, 110], generator=generator)
    time_s, ecg_mv = exercise_ecg(
        beats, rate_hz=rate_hz, snr_db=18.0, generator=generator, lead=lead
    )
    for shared in (time_s, ecg_mv, beats):
        shared.flags.writeable = False
    return time_s, ecg_mv, beats


@pytest.mark.parametrize(
    ("mains_hz", "rate_hz", "drift_hz"), [(50, 250, 0), (60, 250, 0.1), (50, 130, 0), (60, 500, 0)]
)
def test_mains_hum_as_high_as_the_qrs_costs_no_beat(mains_hz, rate_hz, drift_hz):
    scores = []
    for seed, lead in enumerate(LEADS):
        time_s, ecg_mv, beats = recorded(seed, lead, rate_hz)
        disturbed = ecg_mv + height_of(ecg_mv) / 2 * mains_hum(time_s, mains_hz, drift_hz=drift_hz)
        scores.append(score_beats(beats, detect_beats(time_s, disturbed)["time_s"]))
    wrong = sum(s.false_negatives + s.false_positives for s in scores)
    assert wrong <= 0.005 * sum(s.true_positives for s in scores)


def test_hum_is_taken_out_with_its_harmonics_and_folded_ones():
    """At 130 Hz the double of 50 Hz stands at 30 Hz, in the midst of a QRS."""
    assert folded_hz(100.0, 130.0) == pytest.approx(30.0)
    time_s, ecg_mv, _ = recorded(rate_hz=130)
    height = height_of(ecg_mv)
    disturbed = ecg_mv + height / 2 * mains_hum(time_s, 50.0) + height / 4 * mains_hum(time_s, 30.0)
    left = without_hum(EvenPiece(0.0, 130.0, disturbed)).samples - ecg_mv
    inner = slice(130, -130)  # at its ends a line is less sharp
    assert np.std(left[inner]) < 0.05 * np.std(disturbed - ecg_mv)


def test_an_ecg_without_hum_and_steps_is_left_as_it_is():
    for seed, lead in enumerate(LEADS):
        time_s, ecg_mv, _ = recorded(seed, lead)
        (piece,) = even_pieces(time_s, ecg_mv)
        assert without_steps(without_hum(piece)).samples is piece.samples


@pytest.mark.parametrize("drift", [0.0, 5.0])
def test_steps_of_five_times_the_qrs_make_no_beats_also_where_the_base_line_drifts(drift):
    wrong = beats_in_all = 0
    for seed, lead in enumerate(LEADS):
        time_s, ecg_mv, beats = recorded(seed, lead)
        height = height_of(ecg_mv)
        disturbed = ecg_mv + 5 * height * electrode_steps(
            time_s, generator=np.random.default_rng(seed)
        )
        disturbed += drift * height * np.sin(2 * np.pi * 0.3 * time_s)
        score = score_beats(beats, detect_beats(time_s, disturbed)["time_s"])
        wrong += score.false_negatives + score.false_positives
        beats_in_all += len(beats)
    assert wrong <= 0.01 * beats_in_all


def test_spans_with_steps_are_accepted_and_hold_hardly_a_wrong_beat():
    accepted, wrong, true = [], 0, 0
    for seed, lead in enumerate(LEADS):
        time_s, ecg_mv, beats = recorded(seed, lead)
        disturbed = ecg_mv + 3 * height_of(ecg_mv) * electrode_steps(
            time_s, generator=np.random.default_rng(seed)
        )
        seen = detect_beats(time_s, disturbed)
        spans = quality_by_span(time_s, disturbed, seen)
        accepted += list(spans["verdict"] == ACCEPTED)
        for span in spans[spans["verdict"] == ACCEPTED].itertuples():
            own = beats[(beats >= span.start_s) & (beats < span.end_s)]
            here = seen["time_s"][seen["time_s"].between(span.start_s - 0.2, span.end_s + 0.2)]
            wrong += sum(np.abs(here - beat).min() > 0.08 for beat in own)
            true += len(own)
    assert np.mean(accepted) > 0.8
    assert wrong <= 0.005 * true


def test_the_place_and_height_of_a_step_are_found():
    time_s, ecg_mv, _ = recorded()
    height = height_of(ecg_mv)
    level = np.where(time_s >= 40.0, 3 * height, 0.0) - np.where(time_s >= 71.2, 2 * height, 0.0)
    first, second = level_steps(EvenPiece(0.0, 250.0, ecg_mv + level))
    assert first[0] / 250 == pytest.approx(40.0, abs=0.01)
    assert second[0] / 250 == pytest.approx(71.2, abs=0.01)
    assert (first[1] / height, second[1] / height) == pytest.approx((3, -2), abs=0.3)


@pytest.mark.parametrize("packet", [1, 8])
def test_stamps_of_arrival_are_an_even_axis_and_bend_no_beat(packet):
    """Packets of samples arrive up to 40 ms late, and their stamps in a burst, to the ms."""
    time_s, ecg_mv, beats = recorded(rate_hz=130)
    generator = np.random.default_rng(2)
    stamps_s = packet_stamps(time_s, packet=packet, generator=generator)
    (piece,) = even_pieces(stamps_s, ecg_mv)
    assert piece.samples is ecg_mv or np.array_equal(piece.samples, ecg_mv)
    assert piece.rate_hz == pytest.approx(130.0, rel=1e-4)
    score = score_beats(beats, detect_beats(stamps_s, ecg_mv)["time_s"])
    assert score.false_negatives + score.false_positives == 0
    assert score.mad_ms < 1.0


def test_a_loss_among_stamps_of_arrival_parts_the_recording():
    time_s, ecg_mv, _ = recorded(rate_hz=130)
    generator = np.random.default_rng(2)
    stamps_s = packet_stamps(time_s, generator=generator)
    kept = (time_s < 60.0) | (time_s >= 62.0)
    first, second = even_pieces(stamps_s[kept], ecg_mv[kept])
    assert first.samples.size + second.samples.size == kept.sum()
    assert second.start_s == pytest.approx(62.0 + 0.02, abs=0.01)


# a lead whose QRS, turned over, looks like itself at another deflection
BIPHASIC = (
    (0.10, -0.160, 0.022),
    (0.90, -0.022, 0.012),
    (-1.00, 0.022, 0.012),
    (0.30, 0.240, 0.045),
)


def turned_over(seed, lead):
    """Time (s), ECG (mV) and beats (s) of 90 s, of which 45 are seen upside down and smaller."""
    generator = np.random.default_rng(seed)
    beats = beat_times(90.0, heart_rate_bpm=[75, 130], generator=generator)
    time_s, ecg_mv = exercise_ecg(beats, rate_hz=250, snr_db=24.0, generator=generator, lead=lead)
    return time_s, np.where(time_s >= 45.0, -0.3 * ecg_mv, ecg_mv), beats


@pytest.mark.parametrize("lead", ["lateral", "septal", BIPHASIC])
def test_a_mark_stays_at_its_point_of_the_beat_when_an_electrode_moves(lead):
    time_s, ecg_mv, beats = turned_over(3, lead)
    detected = detect_beats(time_s, ecg_mv)
    late_s = detected["time_s"].to_numpy() - beats[: len(detected)]
    assert len(detected) == len(beats)
    before, after = (np.median(late_s[side]) for side in (beats < 44, beats > 46))
    assert abs(after - before) < 0.004
    assert abs(before) < 0.004  # and is the main deflection


def test_where_the_same_point_is_unknown_no_interval_is_formed_and_that_is_said():
    detected = pd.DataFrame({"time_s": sinus_beats(5)})
    parted_s = detected["time_s"][40] - 0.01
    detected.attrs["parted_s"] = [parted_s]
    rules = SimpleNamespace(clear_correlation=0.8, clear_deviation=0.25)
    no_edits = pd.DataFrame({"action": [], "time_s": [], "new_time_s": [], "end_s": []})
    repaired = with_edits(detected, no_edits, rules)
    first_after = repaired[repaired["time_s"] > parted_s].iloc[0]
    assert np.isnan(first_after["rr_ms"])
    assert np.isnan(first_after["nn_ms"])
    assert "from 45, 60 s on: no interval is formed there" in parting_said([45.0, 60.2])
