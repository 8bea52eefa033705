"""Cleaning and kinetics of muscle oxygen saturation, against simulated truth."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.oxygenation import (
    TARGETS,
    UNITS,
    of_session,
    of_visit,
    simulated_session,
    summaries_of,
)
from demo.muscle_oxygen import SensorFault, SimulatedSet, simulate_muscle_oxygen
from demo.study import plan_study
from muscle import cleaning, desaturation, levels, recovery
from muscle.readings import Readings
from recordings import time_axis
from results.estimate import Estimate

LIMITS = {"stuck_s": 10.0, "slip_pct_per_s": 10.0, "dropout_jump_pct": 5.0, "leak_longest_s": 30.0}

TWO_SETS = (SimulatedSet(90.0, 20, 3.0, 35.0), SimulatedSet(240.0, 20, 3.0, 30.0))
RATES_HZ = (0.5, 1.0, 2.0, 10.0, 50.0)


def recorded(seed=1, sampling_rate_hz=10.0, **changes):
    """One simulated recording of two sets."""
    course = {"duration_s": 420.0, "sets": TWO_SETS} | changes
    rng = np.random.default_rng(seed)
    return simulate_muscle_oxygen(rng, sampling_rate_hz=sampling_rate_hz, **course)


def readings_of(time_s, trace):
    """Readings of which four fifths of a window must be usable."""
    return Readings(time_s, trace, 0.8)


def of_simulated(simulated, shift_s=0.0):
    """The readings of a simulated recording."""
    return readings_of(simulated.readings["time_s"] + shift_s, simulated.readings["smo2_pct"])


def cleaned(simulated):
    readings = simulated.readings
    return cleaning.clean_saturation(readings["time_s"], readings["smo2_pct"], **LIMITS)


def reasons(table):
    return set(table["reason"]) - {""}


# --- cleaning


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_healthy_recording_keeps_every_reading(rate_hz):
    assert reasons(cleaned(recorded(sampling_rate_hz=rate_hz, ripple_pct=4.0))) == set()


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_zeros_in_the_middle_of_a_recording_are_a_dropout(rate_hz):
    fault = SensorFault("dropout", 20.0, 8.0)
    table = cleaned(recorded(sampling_rate_hz=rate_hz, faults=[fault]))
    spans = cleaning.unusable_spans(table)
    assert spans["reason"].tolist() == [cleaning.DROPOUT]
    assert spans["start_s"][0] == pytest.approx(20.0, abs=2.0)
    assert spans["end_s"][0] == pytest.approx(28.0, abs=2.0)


def test_a_muscle_that_sinks_to_zero_is_at_its_floor_and_not_a_dropout():
    deep = (SimulatedSet(90.0, 20, 3.0, -10.0),)
    table = cleaned(recorded(sets=deep, sampling_rate_hz=1.0, ripple_pct=0.0, resolution_pct=1.0))
    assert (table["smo2_pct"] == 0).sum() > 10
    assert reasons(table) == set()


def test_a_stuck_sensor_is_found():
    fault = SensorFault("stuck", 180.0, 30.0)
    spans = cleaning.unusable_spans(cleaned(recorded(faults=[fault])))
    assert spans["reason"].tolist() == [cleaning.STUCK]
    assert spans["start_s"][0] == pytest.approx(180.0, abs=0.5)
    assert spans["end_s"][0] == pytest.approx(210.0, abs=0.5)


@pytest.mark.parametrize("rate_hz", (0.5, 1.0, 2.0))
def test_a_coarse_quiet_sensor_may_repeat_itself(rate_hz):
    quiet = recorded(sampling_rate_hz=rate_hz, noise_pct=0.1, resolution_pct=1.0, ripple_pct=0.0)
    table = cleaned(quiet)
    longest = max(len(list(run)) for run in runs(quiet.readings["smo2_pct"]))
    assert longest / rate_hz > 10.0
    assert reasons(table) == set()


def runs(values):
    return [group for _, group in values.groupby((values != values.shift()).cumsum())]


def test_a_trace_that_never_changes_is_stuck_throughout():
    table = cleaning.clean_saturation(np.arange(60.0), np.full(60, 61.0), **LIMITS)
    assert reasons(table) == {cleaning.STUCK}


def levels_of(table):
    return table["time_s"].to_numpy(), table["level_segment"].to_numpy()


def test_a_slip_is_named_and_parts_the_levels():
    table = cleaned(recorded(faults=[SensorFault("slip", 200.0, 0.0, -18.0)]))
    assert reasons(table) == {cleaning.SLIP}
    assert not cleaning.levels_comparable(*levels_of(table), 100.0, 300.0)
    assert cleaning.levels_comparable(*levels_of(table), 201.0, 300.0)


def test_a_light_leak_is_left_out_and_parts_nothing():
    table = cleaned(recorded(faults=[SensorFault("light_leak", 200.0, 6.0, 25.0)]))
    spans = cleaning.unusable_spans(table)
    assert spans["reason"].tolist() == [cleaning.LIGHT_LEAK]
    assert spans["end_s"][0] - spans["start_s"][0] == pytest.approx(6.0, abs=0.5)
    assert cleaning.levels_comparable(*levels_of(table), 0.0, 400.0)


def test_impossible_and_missing_readings_are_named():
    trace = [60.0, 104.0, np.nan, 61.0, -3.0]
    table = cleaning.clean_saturation(np.arange(5.0), trace, **LIMITS)
    assert table["reason"].tolist() == [
        *("", cleaning.OUT_OF_RANGE, cleaning.MISSING, "", cleaning.OUT_OF_RANGE)
    ]


@pytest.mark.parametrize(
    ("level_pct", "status"), [(40.0, "flagged"), (65.0, "ok"), (90.0, "flagged")]
)
def test_a_resting_level_that_no_limb_muscle_has_is_flagged(level_pct, status):
    trace = np.full(120, level_pct) + np.random.default_rng(1).normal(0.0, 0.3, 120)
    resting = levels.baseline(readings_of(np.arange(120.0), trace), 120.0, window_s=60.0)
    assert resting.status == status
    assert ("outside the usual 45 to 85 %" in resting.reason) == (status == "flagged")


def test_a_time_axis_that_runs_backwards_is_an_error():
    with pytest.raises(ValueError, match="rising"):
        cleaning.clean_saturation([0.0, 2.0, 1.0], [60.0, 60.0, 60.0], **LIMITS)


def test_cleaning_leaves_its_arguments_alone():
    trace = np.array([60.0, 0.0, 61.0, 60.5])
    cleaning.clean_saturation(np.arange(4.0), trace, **LIMITS)
    assert trace.tolist() == [60.0, 0.0, 61.0, 60.5]


# --- means and gaps


# drawing the steps takes long on a busy machine, which says nothing of the mean
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(st.floats(0.2, 2.0), min_size=30, max_size=60),
    st.floats(-5.0, 5.0),
    st.floats(2.5, 6.0),
)
def test_a_centred_mean_of_a_straight_line_is_the_line_on_any_time_axis(steps, slope, window_s):
    time_s = np.cumsum(steps)
    line = 20.0 + slope * time_s
    mean = time_axis.centred_mean(time_s, line, window_s)
    known = np.isfinite(mean)
    assert mean[known] == pytest.approx(line[known], abs=1e-6)


def test_a_mean_never_reaches_across_a_gap():
    time_s = np.arange(0.0, 60.0, 1.0)
    trace = np.where(time_s < 30, 60.0, 30.0)
    trace[28:32] = np.nan
    mean = time_axis.centred_mean(time_s, trace, 4.0)
    known = mean[np.isfinite(mean)]
    assert set(np.round(known, 9)) == {30.0, 60.0}
    missing_rows = time_axis.centred_mean(
        np.delete(time_s, range(28, 32)), np.delete(trace, range(28, 32)), 4.0
    )
    assert set(np.round(missing_rows[np.isfinite(missing_rows)], 9)) == {30.0, 60.0}


def test_whole_contractions_are_the_shortest_that_fill_the_window():
    assert time_axis.whole_contractions_s(3.0, 0.5) == pytest.approx(4.0)
    assert time_axis.whole_contractions_s(3.0, 0.25) == pytest.approx(4.0)
    assert time_axis.whole_contractions_s(3.0, 1 / 6) == pytest.approx(6.0)
    assert time_axis.whole_contractions_s(3.0, None) == 3.0


def test_a_window_with_too_few_readings_is_refused_with_its_share():
    time_s = np.arange(0.0, 60.0, 1.0)
    trace = np.where(time_s < 40, np.nan, 60.0)
    measured = levels.baseline(readings_of(time_s, trace), 60.0, window_s=40.0)
    assert measured.status == "refused"
    assert np.isnan(measured.value)
    assert "% of the window is usable, 80 % needed" in measured.reason


def test_a_resting_level_outside_the_usual_is_flagged():
    time_s = np.arange(0.0, 61.0, 1.0)
    measured = levels.baseline(readings_of(time_s, np.full(61, 30.0)), 60.0, window_s=30.0)
    assert measured.status == "flagged"
    assert measured.value == pytest.approx(30.0)


def test_the_error_of_a_baseline_covers_its_truth():
    misses = []
    for seed in range(60):
        trace = of_simulated(recorded(seed, sampling_rate_hz=1.0))
        level = levels.baseline(trace, 88.0, window_s=60.0)
        misses.append((level.value - 65.0) / level.se)
    assert 0.7 < np.std(misses) < 1.4


# --- kinetics against the truth


@pytest.mark.parametrize("rate_hz", (1.0, 2.0, 10.0, 50.0))
def test_nadir_half_time_and_slope_reach_their_accuracy(rate_hz):
    """Mean over recordings with 1 % noise: 1 point, 1 s, 5 %; 0.5 Hz does not reach them all."""
    nadirs, halves, slopes = [], [], []
    for seed in range(6):
        simulated = recorded(seed, sampling_rate_hz=rate_hz)
        trace = of_simulated(simulated)
        base = levels.baseline(trace, 88.0, window_s=60.0)
        for truth in simulated.sets.itertuples():
            rippling = replace(trace, ripple_hz=truth.rate_hz)
            lowest = levels.nadir(rippling, truth.onset_s, truth.offset_s, window_s=3.0)
            after = truth.release_s, truth.release_s + 60.0
            half = recovery.half_time(
                trace, *after, nadir_pct=lowest, target_pct=base, window_s=4.0
            )
            slope = desaturation.desaturation_slope(rippling, truth.onset_s, window_s=15.0)
            nadirs.append(lowest.value - truth.nadir_pct)
            halves.append(half.value - truth.half_time_s)
            slopes.append(slope.value / truth.slope_pct_per_s - 1)
    assert abs(np.mean(nadirs)) < 1.0
    assert abs(np.mean(halves)) < 1.0
    assert abs(np.mean(slopes)) < 0.05
    assert np.max(np.abs(halves)) < 3.0


def test_half_time_is_refused_where_half_way_is_never_reached():
    time_s = np.arange(0.0, 60.0, 1.0)
    measured = half_time_of(time_s, 30.0 + 0.1 * time_s)
    assert measured.status == "refused"
    assert "not reached" in measured.reason


def test_half_time_is_refused_where_the_crossing_lies_in_a_gap():
    time_s = np.arange(0.0, 60.0, 1.0)
    trace = 30.0 + 1.0 * time_s
    trace[18:24] = np.nan
    measured = half_time_of(time_s, trace)
    assert measured.status == "refused"
    assert "gap" in measured.reason


def test_half_time_is_refused_after_a_fall_that_is_only_noise():
    time_s = np.arange(0.0, 60.0, 1.0)
    measured = recovery.half_time(
        readings_of(time_s, np.full(60, 61.0)),
        0.0,
        59.0,
        nadir_pct=Estimate(60.0, 0.6),
        target_pct=Estimate(61.0, 0.6),
        window_s=4.0,
    )
    assert measured.status == "refused"
    assert "noise" in measured.reason


def test_a_refused_baseline_refuses_what_stands_on_it_and_its_reason_travels():
    refused = Estimate.refused("sensor not on the skin")
    for measured in (
        levels.drop(refused, Estimate(30.0, 0.5)),
        half_time_of(np.arange(60.0), np.arange(60.0), target=refused),
        desaturation.area_below(
            readings_of(np.arange(60.0), np.arange(60.0)), 0.0, 59.0, level_pct=refused
        ),
    ):
        assert measured.status == "refused"
        assert "sensor not on the skin" in measured.reason


FULL_RECOVERY = Estimate(70.0, 0.2)


def half_time_of(time_s, trace, target=FULL_RECOVERY):
    return recovery.half_time(
        readings_of(time_s, trace),
        0.0,
        59.0,
        nadir_pct=Estimate(30.0, 0.2),
        target_pct=target,
        window_s=4.0,
    )


def tau_of(time_s, trace):
    fit = {"longest_delay_s": 10.0, "min_r2": 0.8, "largest_se_share": 0.25}
    return recovery.exponential_tau(readings_of(time_s, trace), 0.0, time_s[-1], **fit)


def test_an_exponential_is_refused_where_no_plateau_was_seen():
    rng = np.random.default_rng(3)
    time_s = np.arange(0.0, 60.0, 1.0)
    trace = 70.0 - 40.0 * np.exp(-time_s / 120.0) + rng.normal(0.0, 0.3, 60)
    tau = tau_of(time_s, trace)
    assert tau.status == "refused"
    assert tau.reason


def test_an_exponential_is_refused_on_a_flat_trace():
    trace = 60.0 + np.random.default_rng(4).normal(0.0, 1.0, 120)
    assert tau_of(np.arange(120.0), trace).status == "refused"


def test_a_constant_trace_has_no_recovery_to_fit():
    tau = tau_of(np.arange(60.0), np.full(60, 61.0))
    assert tau.status == "refused"
    assert "no rise" in tau.reason


@pytest.mark.parametrize("step_s", (0.02, 0.5, 2.0, 10.0))
def test_a_nadir_never_comes_without_an_error(step_s):
    time_s = np.arange(0.0, 200.0, step_s)
    trace = 65.0 - 20.0 * ((time_s > 60) & (time_s < 120))
    trace = trace + np.random.default_rng(2).normal(0.0, 1.0, len(time_s))
    measured = levels.nadir(readings_of(time_s, trace), 60.0, 120.0, window_s=5.0)
    assert measured.status == "refused" or measured.se > 0


def test_standard_errors_of_the_exponential_match_its_scatter():
    rng = np.random.default_rng(5)
    time_s = np.arange(0.0, 150.0, 1.0)
    clean = 70.0 - 35.0 * np.exp(-np.maximum(time_s - 5.0, 0.0) / 20.0)
    taus = [tau_of(time_s, clean + rng.normal(0.0, 1.0, 150)) for _ in range(40)]
    scatter = np.std([tau.value for tau in taus])
    assert np.mean([tau.se for tau in taus]) == pytest.approx(scatter, rel=0.35)


# --- sums over time


def seconds_in_band(time_s, trace, start_s, end_s, hysteresis_pct):
    return desaturation.time_in_band_s(
        *(readings_of(time_s, trace), start_s, end_s),
        band_pct=(0.0, 15.0),
        hysteresis_pct=hysteresis_pct,
    )


def test_time_in_the_band_counts_by_crossings_and_not_by_readings():
    # A V from 30 to 0 and back at 1 %/s is below 15 for exactly 30 s.
    time_s = np.arange(0.0, 61.0, 4.0)
    trace = np.abs(time_s - 30.0)
    fine_s = np.arange(0.0, 61.0, 0.5)
    for axis in (time_s, fine_s):
        in_band = seconds_in_band(axis, np.abs(axis - 30.0), 0.0, 60.0, hysteresis_pct=0.0)
        assert in_band.value == pytest.approx(30.0, abs=0.7)
    assert trace.min() > 0


def test_hysteresis_keeps_a_rippling_trace_inside_the_band():
    time_s = np.arange(0.0, 60.0, 0.1)
    trace = 14.0 + 2.0 * np.sin(2 * np.pi * 0.5 * time_s)
    without = seconds_in_band(time_s, trace, 1.0, 59.0, hysteresis_pct=0.0)
    kept = seconds_in_band(time_s, trace, 1.0, 59.0, hysteresis_pct=2.0)
    assert without.value < 45.0
    assert kept.value == pytest.approx(58.0, abs=1.0)


def test_seconds_that_a_ripple_alone_brings_into_the_band_lie_within_twice_their_error():
    # A muscle at 15.9 % that ripples by 1 is never in the band itself; its readings enter it.
    time_s = np.arange(0.0, 60.0, 0.1)
    trace = 15.9 + np.sin(2 * np.pi * 0.5 * time_s)
    counted = seconds_in_band(time_s, trace, 1.0, 59.0, hysteresis_pct=2.0)
    strict = seconds_in_band(time_s, trace, 1.0, 59.0, hysteresis_pct=0.0)
    assert counted.value > 50.0
    assert strict.value < 25.0
    assert counted.value - strict.value <= 2 * counted.se
    assert counted.ci_low >= 0.0
    assert counted.ci_high == 58.0


def test_area_below_a_level_is_exact_for_a_triangle():
    time_s = np.arange(0.0, 61.0, 7.5)
    trace = 60.0 - 2.0 * (20.0 - np.abs(time_s - 30.0))
    measured = desaturation.area_below(
        readings_of(time_s, trace), 0.0, 60.0, level_pct=Estimate(60.0, 0.0)
    )
    fine_s = np.linspace(0.0, 60.0, 600001)
    below = np.maximum(60.0 - np.interp(fine_s, time_s, trace), 0.0)
    assert measured.value == pytest.approx(float(np.trapezoid(below, fine_s)), rel=1e-6)


def test_unusable_time_is_not_counted_and_said_so():
    time_s = np.arange(0.0, 101.0, 1.0)
    trace = np.full(101, 10.0)
    trace[40:45] = np.nan
    measured = seconds_in_band(time_s, trace, 0.0, 100.0, hysteresis_pct=1.0)
    assert measured.status == "flagged"
    assert measured.value == pytest.approx(94.0, abs=0.01)
    assert "not counted" in measured.reason


def test_overshoot_is_found_and_its_absence_flagged():
    for height_pct, status in ((8.0, "ok"), (0.0, "flagged")):
        simulated = recorded(
            sets=TWO_SETS[:1], overshoot_pct=height_pct, recovery_tau_s=12.0, noise_pct=0.5
        )
        trace = of_simulated(simulated)
        measured = levels.overshoot(
            trace, 150.0, 300.0, baseline_pct=Estimate(65.0, 0.5), window_s=5.0
        )
        assert measured.status == status
        truth = simulated.course_pct[simulated.course_s > 150.0].max() - 65.0
        assert measured.value == pytest.approx(truth, abs=1.0)


def test_results_do_not_depend_on_where_the_clock_starts():
    simulated = recorded(sampling_rate_hz=2.0)
    results = [
        levels.nadir(
            of_simulated(simulated, shift_s), 90.0 + shift_s, 150.0 + shift_s, window_s=3.0
        ).value
        for shift_s in (0.0, 10000.0)
    ]
    assert results[0] == pytest.approx(results[1], abs=1e-6)


# --- depth


def test_fat_beyond_half_the_source_detector_distance_is_named():
    # Light reaches about half of the distance between source and detector: common rule of the
    # trade, from memory.
    assert cleaning.depth_caution(14.0, 30.0, reached_share=0.5) == ""
    assert "mostly fat is measured: 16 mm" in cleaning.depth_caution(16.0, 30.0, reached_share=0.5)


def test_depth_is_judged_only_where_both_numbers_were_noted():
    assert cleaning.depth_caution(None, None, reached_share=0.5) == ""
    for thickness, distance in ((16.0, None), (None, 30.0), (float("nan"), 30.0)):
        doubt = cleaning.depth_caution(thickness, distance, reached_share=0.5)
        assert "cannot be judged" in doubt


# --- odd recordings: a value with an error, or a reason


def everything(time_s, trace, start_s, end_s):
    """All numbers of one set and what follows, from the functions that outcomes call."""
    cleaned_trace = cleaning.clean_saturation(time_s, trace, **LIMITS)
    trace = readings_of(cleaned_trace["time_s"], cleaned_trace["smo2_pct"])
    base = levels.baseline(trace, start_s - 2.0, window_s=60.0)
    lowest = levels.nadir(trace, start_s, end_s, window_s=5.0)
    after = (end_s, end_s + 60.0)
    to = {"nadir_pct": lowest, "target_pct": base}
    fit = {"longest_delay_s": 15.0, "min_r2": 0.8, "largest_se_share": 0.5}
    low = {"hysteresis_pct": 2.0, "band_pct": (0.0, 15.0)}
    return [
        base,
        lowest,
        levels.drop(base, lowest),
        levels.end_level(trace, end_s, window_s=5.0),
        desaturation.desaturation_slope(trace, start_s, window_s=15.0),
        desaturation.time_in_band_s(trace, start_s, end_s, **low),
        desaturation.area_below(trace, start_s, end_s, level_pct=base),
        recovery.half_time(trace, *after, window_s=4.0, **to),
        recovery.exponential_tau(trace, *after, **fit),
        levels.overshoot(trace, *after, baseline_pct=base, window_s=5.0),
    ]


def assert_values_or_reasons(measured):
    for estimate in measured:
        assert np.isfinite(estimate.value) == (estimate.status != "refused")
        assert np.isfinite(estimate.se) == (estimate.status != "refused")
        assert (estimate.reason == "") == (estimate.status == "ok")


@pytest.mark.parametrize("rate_hz", (0.2, *RATES_HZ))
@pytest.mark.parametrize(
    "changes",
    [
        {"axis_jitter": 0.3},
        {"resolution_pct": 1.0, "noise_pct": 0.0},
        {"faults": [SensorFault("missing", 140.0, 12.0)]},
        {"faults": [SensorFault("dropout", 100.0, 100.0)]},
        {"sets": [SimulatedSet(-30.0, 20, 3.0, 35.0)]},
        {"duration_s": 120.0},
        {"duration_s": 152.0},
        {"sets": [SimulatedSet(90.0, 20, 3.0, 35.0), SimulatedSet(152.0, 20, 3.0, 30.0)]},
        {"ripple_pct": 0.0, "noise_pct": 0.0},
    ],
)
def test_odd_recordings_end_in_values_or_reasons(rate_hz, changes):
    simulated = recorded(sampling_rate_hz=rate_hz, **changes)
    time_s, trace = simulated.readings["time_s"], simulated.readings["smo2_pct"]
    start_s = simulated.sets["onset_s"].iloc[0]
    end_s = simulated.sets["offset_s"].iloc[0]
    assert_values_or_reasons(everything(time_s, trace, start_s, end_s))


@pytest.mark.parametrize("trace", [[], [60.0], [60.0, np.nan], [np.nan] * 50, [0.0] * 50])
def test_a_recording_without_content_ends_in_reasons(trace):
    measured = everything(np.arange(float(len(trace))), np.array(trace), 20.0, 40.0)
    assert_values_or_reasons(measured)


def test_a_drop_is_a_positive_fall_and_its_error_that_of_both_levels():
    fall = levels.drop(Estimate(65.0, 0.3), Estimate(30.0, 0.4))
    assert fall.value == pytest.approx(35.0)
    assert fall.se == pytest.approx(0.5)


def test_the_benchmark_measures_every_quantity_of_saturation_and_none_is_far_off():
    rng = np.random.default_rng(0)
    session = simulated_session(rng, sampling_rate_hz=10.0, noise_pct=0.5, ripple_pct=2.0)
    of_sessions = {row["quantity"]: row for row in summaries_of(of_session(session))}
    of_demo = {row["quantity"]: row for row in summaries_of(of_visit(plan_study()[2], rng))}
    assert {*of_sessions, *of_demo} == set(UNITS)
    # three sets: the accuracy that the project asks for, tripled
    assert all(of_sessions[name]["largest"] < 3 * target for name, target in TARGETS.items())
    # of few values some lie beyond twice their stated error
    assert all(row["rms_of_stated"] < 2 for row in of_demo.values() if row["unit"] == "pct")
