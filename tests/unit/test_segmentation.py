"""Starts and ends of sets found in saturation itself."""

import numpy as np
import pandas as pd
import pytest

from demo.muscle_oxygen import SensorFault, SimulatedCuff, SimulatedSet, simulate_muscle_oxygen
from muscle import boundaries, segments
from muscle.bends import find_bends
from muscle.contractions import Cadences
from project import settings_with
from recordings.boundaries import PROPOSAL_COLUMNS, compare_boundaries

SEARCH = {
    "cadences": Cadences(slowest_hz=0.1, fastest_hz=1.0, readings_each=2.5),
    "ripple_window_s": 20.0,
    "shortest_phase_s": 10.0,
    "bend_reach_s": 12.0,
    "steep_pct_per_s": 0.3,
}
SETS = (
    SimulatedSet(121.0, 20, 3.0, 35.0),
    SimulatedSet(241.0, 15, 4.0, 30.0),
    SimulatedSet(361.0, 15, 3.0, 30.0),
)
CUFFS = (SimulatedCuff(91.0, 470.0),)


def compared(rate_hz, ripple_pct, seed=1, **changes):
    """Proposals of a simulated session beside its truth."""
    rng = np.random.default_rng(seed)
    simulated = simulate_muscle_oxygen(
        rng,
        sampling_rate_hz=rate_hz,
        duration_s=560.0,
        sets=SETS,
        cuffs=CUFFS,
        ripple_pct=ripple_pct,
        **changes,
    )
    proposals = boundaries.propose_boundaries(
        simulated.readings["time_s"], simulated.readings["smo2_pct"], **SEARCH
    )
    of_sets = simulated.boundaries[simulated.boundaries["boundary"].str.startswith("set")]
    return pd.DataFrame(compare_boundaries(of_sets, proposals, tolerance_s=1.0, farthest_s=15.0))


@pytest.mark.parametrize(("rate_hz", "ripple_pct"), [(2.0, 4.0), (10.0, 2.0), (50.0, 2.0)])
def test_sets_are_found_within_a_second_where_contractions_ripple(rate_hz, ripple_pct):
    table = compared(rate_hz, ripple_pct)
    assert table["log_s"].notna().all()
    assert table["proposed_s"].notna().all()
    assert table["difference_s"].abs().max() < 1.0
    assert set(table["status"]) == {"ok"}


@pytest.mark.parametrize("delay_s", [1.0, 4.0, 7.0])
def test_without_ripple_the_fall_marks_the_start_and_the_end_is_known_to_the_delay(delay_s):
    table = compared(10.0, 0.0, recovery_delay_s=delay_s)
    assert set(table["source"]) == {"saturation"}
    starts = table[table["boundary"] == "set_start"]
    ends = table[table["boundary"] == "set_end"]
    assert len(starts) == len(ends) == 3
    assert starts["difference_s"].abs().max() < 1.5
    # Circulation answers with a delay that the trace does not tell: 4 s are taken off, 3 s its SD.
    assert ends["difference_s"].mean() == pytest.approx(delay_s - 4.0, abs=1.5)
    assert (ends["difference_s"].abs() < 2 * ends["se_s"]).all()
    assert ends["confidence"].max() < 0.3


@pytest.mark.parametrize("delay_s", [1.0, 7.0])
def test_a_ripple_tells_the_end_whatever_the_delay(delay_s):
    table = compared(10.0, 2.0, recovery_delay_s=delay_s)
    assert set(table["source"]) == {"ripple"}
    assert table["difference_s"].abs().max() < 1.0


def test_a_weak_ripple_that_noise_interrupts_is_still_one_set():
    for seed in range(4):
        table = compared(2.0, 2.0, seed, noise_pct=2.0)
        assert table["log_s"].notna().all()
        assert table["proposed_s"].notna().all()


@pytest.mark.parametrize("outlasts_s", [0.0, 15.0])
def test_a_cuff_that_keeps_saturation_low_after_the_last_contraction_does_not_move_the_end(
    outlasts_s,
):
    time_s = np.arange(0.0, 300.0, 0.1)
    fallen = 30 * (1 - np.exp(-np.clip(time_s - 120.0, 0.0, 60.0 + outlasts_s) / 15.0))
    course = 65.0 - fallen * np.exp(-np.maximum(time_s - 184.0 - outlasts_s, 0.0) / 20.0)
    working = (time_s >= 120.0) & (time_s <= 180.0)
    trace = course + np.where(working, 2 * np.sin(2 * np.pi * (time_s - 120.0) / 3.0), 0.0)
    trace = trace + np.random.default_rng(5).normal(0.0, 1.0, len(time_s))
    proposals = boundaries.propose_boundaries(time_s, trace, **SEARCH)
    assert proposals["boundary"].tolist() == ["set_start", "set_end"]
    assert proposals["time_s"].to_numpy() == pytest.approx([120.0, 180.0], abs=1.0)


def test_a_resting_recording_holds_no_sets():
    trace = 65.0 + np.random.default_rng(7).normal(0.0, 1.0, 600)
    proposals = boundaries.propose_boundaries(np.arange(600.0), trace, **SEARCH)
    assert proposals.empty


def proposals_of_one_set(**changes):
    """Proposals for one set from 120 to 180 s, sampled at 10 Hz."""
    settings = {"sets": [SimulatedSet(120.0, 20, 3.0, 35.0)], "duration_s": 300.0} | changes
    simulated = simulate_muscle_oxygen(np.random.default_rng(4), sampling_rate_hz=10.0, **settings)
    readings = simulated.readings
    return boundaries.propose_boundaries(readings["time_s"], readings["smo2_pct"], **SEARCH)


def test_no_end_of_a_set_is_proposed_inside_a_gap():
    lost = SensorFault("missing", 150.0, 60.0)
    proposals = proposals_of_one_set(faults=[lost])
    assert proposals["boundary"].tolist() == ["set_start"]
    assert proposals["time_s"][0] == pytest.approx(120.0, abs=1.0)


def test_a_set_that_runs_when_the_recording_starts_has_no_start_to_propose():
    running = proposals_of_one_set(sets=[SimulatedSet(0.0, 30, 3.0, 35.0)])
    assert running["boundary"].tolist() == ["set_end"]
    assert running["time_s"][0] == pytest.approx(90.0, abs=1.0)


@pytest.mark.parametrize("trace", [[], [60.0], [np.nan] * 300, [60.0] * 300])
def test_a_recording_without_content_has_no_boundaries(trace):
    proposals = boundaries.propose_boundaries(np.arange(float(len(trace))), trace, **SEARCH)
    assert proposals.empty
    assert list(proposals.columns) == PROPOSAL_COLUMNS


def test_three_straight_pieces_are_parted_at_their_joints():
    time_s = np.arange(0.0, 200.0, 1.0)
    course = np.interp(time_s, [0.0, 60.0, 120.0, 200.0], [65.0, 65.0, 35.0, 60.0])
    trace = course + np.random.default_rng(6).normal(0.0, 0.5, len(time_s))
    bends = find_bends(time_s, trace, shortest_phase_s=10.0)
    placed_s = [bend.placed(reach_s=12.0).time_s for bend in bends]
    assert placed_s == pytest.approx([60.0, 120.0], abs=1.5)
    assert [bend.slope_after for bend in bends] == pytest.approx([-0.5, 25 / 80], abs=0.03)


def test_a_bend_is_placed_where_two_lines_meet():
    time_s = np.arange(0.0, 120.0, 0.5)
    trace = 65.0 - 0.8 * np.maximum(time_s - 60.3, 0.0)
    trace = trace + np.random.default_rng(2).normal(0.0, 0.3, len(time_s))
    bends = find_bends(time_s, trace, shortest_phase_s=10.0)
    placed_s = [bend.placed(reach_s=15.0).time_s for bend in bends]
    assert len(bends) == 1
    assert placed_s[0] == pytest.approx(60.3, abs=1.0)
    assert bends[0].slope_after == pytest.approx(-0.8, abs=0.05)


def test_each_row_of_the_log_is_matched_once_and_the_rest_is_named():
    log = pd.DataFrame({"time_s": [100.0, 105.0, 300.0], "boundary": "set_start"})
    offered = pd.DataFrame(
        {
            "time_s": [104.0, 500.0],
            "boundary": "set_start",
            "se_s": 0.1,
            "confidence": 1.0,
            "source": "ripple",
        }
    )
    table = pd.DataFrame(compare_boundaries(log, offered, tolerance_s=0.5, farthest_s=10.0))
    matched = table[table["difference_s"].notna()]
    assert matched["log_s"].tolist() == [105.0]
    assert matched["difference_s"].tolist() == [-1.0]
    assert matched["reason"].tolist() == ["1.0 s earlier than in the log"]
    missing = table[table["status"] == "missing"]
    assert missing["log_s"].dropna().tolist() == [100.0, 300.0]
    assert missing["proposed_s"].dropna().tolist() == [500.0]


def limits_of_set(**columns):
    """A set on a sensor, as compared_sets takes it."""
    row = {"session_id": "ses-1", "sensor_file": "a.csv", "sensor_channel": None, "untimed": ""}
    return row | {"duration_s": 40.0, "supplied": ""} | columns


def test_a_limit_farther_than_is_allowed_from_the_note_has_no_partner():
    log = pd.DataFrame({"time_s": [100.0], "boundary": "set_start"})
    offered = pd.DataFrame({"time_s": [115.0], "boundary": "set_start", "se_s": 0.1})
    offered = offered.assign(confidence=1.0, source="ripple")
    compared = compare_boundaries(log, offered, tolerance_s=0.5, farthest_s=10.0)
    assert [row["status"] for row in compared] == ["missing", "missing"]


def test_a_limit_that_was_supplied_is_told_so_and_a_noted_one_beside_it_is_not():
    sets = pd.DataFrame(
        [
            limits_of_set(onset_s=100.0, supplied="start"),
            limits_of_set(onset_s=103.0, supplied="end"),
        ]
    )
    labels = {"session_id": "ses-1", "file": "a.csv", "channel": None}
    offered = pd.DataFrame({"time_s": [100.0, 143.0], "boundary": ["set_start", "set_end"]})
    offered = offered.assign(se_s=0.1, confidence=1.0, source="ripple")
    settings = settings_with().segment_oxygenation
    limits = {
        row["boundary"]: row
        for row in segments.compared_sets(sets, labels, offered, settings)
        if not np.isnan(row["proposed_s"])
    }
    assert limits["set_start"]["log_s"] == 103.0
    assert "supplied" not in limits["set_start"]["reason"]
    assert limits["set_end"]["log_s"] == 140.0
