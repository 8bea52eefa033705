"""Contractions counted from the ripple of saturation, against simulated truth."""

import numpy as np
import pytest

from demo.muscle_oxygen import SensorFault, SimulatedSet, simulate_muscle_oxygen
from muscle.contractions import (
    Cadences,
    bent_misfit,
    find_contractions,
    local_ripple,
    ripple_chance,
)

CADENCES = Cadences(slowest_hz=0.1, fastest_hz=0.7, readings_each=2.5)
FAST = CADENCES._replace(fastest_hz=1.0)
SEARCH = {"cadences": CADENCES, "min_usable_share": 0.8}


def counted(seed, *, samples_per_contraction, contraction_s, ripple_pct=4.0, faults=(), **search):
    """True number of contractions of a simulated set, and what its ripple tells."""
    rng = np.random.default_rng(seed)
    planned = SimulatedSet(
        60.0 + rng.uniform(0.0, 3.0), int(rng.integers(10, 31)), contraction_s, 35.0
    )
    simulated = simulate_muscle_oxygen(
        rng,
        sampling_rate_hz=samples_per_contraction / contraction_s,
        duration_s=planned.end_s + 60.0,
        sets=[planned],
        ripple_pct=ripple_pct,
        faults=faults,
    )
    log_error_s = rng.uniform(-1.5, 1.5, 2)
    ripple = find_contractions(
        simulated.readings["time_s"],
        simulated.readings["smo2_pct"],
        planned.start_s + log_error_s[0],
        planned.end_s + log_error_s[1],
        **(SEARCH | search),
    )
    return planned, ripple


@pytest.mark.parametrize("contraction_s", (2.0, 4.0))
@pytest.mark.parametrize("samples", (4.0, 8.0, 20.0))
def test_the_count_is_exact_from_four_readings_per_contraction(contraction_s, samples):
    """Wherever the count is not flagged; the log is wrong by up to 1.5 s."""
    sure = 0
    for seed in range(8):
        planned, ripple = counted(
            seed, samples_per_contraction=samples, contraction_s=contraction_s
        )
        assert abs(ripple.count.value - planned.contractions) <= 1
        if ripple.count.status == "ok":
            assert ripple.count.value == planned.contractions
            sure += 1
    assert sure >= 6


@pytest.mark.parametrize("contraction_s", (2.0, 4.0))
def test_the_count_is_right_within_one_at_three_readings_per_contraction(contraction_s):
    for seed in range(10):
        planned, ripple = counted(seed, samples_per_contraction=3.0, contraction_s=contraction_s)
        assert abs(ripple.count.value - planned.contractions) <= 1


def test_rate_amplitude_and_limits_of_the_ripple_are_found():
    planned, ripple = counted(3, samples_per_contraction=30.0, contraction_s=3.0)
    assert ripple.rate_hz.value == pytest.approx(1 / 3, rel=0.01)
    assert ripple.amplitude_pct.value == pytest.approx(4.0, rel=0.1)
    assert ripple.onset_s == pytest.approx(planned.start_s, abs=0.5)
    assert ripple.offset_s == pytest.approx(planned.end_s, abs=0.5)
    assert ripple.course["rate_hz"].median() == pytest.approx(1 / 3, rel=0.05)


def test_sampling_too_slow_for_the_cadence_is_refused_and_said_so():
    _, ripple = counted(1, samples_per_contraction=2.0, contraction_s=4.0, noted_rate_hz=0.25)
    assert ripple.count.status == "refused"
    assert "2.0 readings each, 2.5 needed" in ripple.count.reason
    assert np.isnan(ripple.count.value)
    assert ripple.course.empty


def test_a_faster_cadence_that_would_look_the_same_is_named():
    # One reading per second shows 0.75 Hz as 0.25 Hz (aliasing).
    _, ripple = counted(1, samples_per_contraction=4.0, contraction_s=4.0, cadences=FAST)
    assert ripple.rate_hz.status == "flagged"
    assert "0.75 Hz would look like 0.25 Hz" in ripple.rate_hz.reason


def test_the_cadence_on_the_session_sheet_settles_what_sampling_leaves_open():
    """One reading per second shows 0.75 Hz as 0.25 Hz; the sheet says which it was."""
    slow = {"samples_per_contraction": 4.0, "contraction_s": 4.0, "cadences": FAST}
    for seed in range(4):
        planned, ripple = counted(seed, **slow, noted_rate_hz=0.27)
        assert ripple.settled
        assert (ripple.rate_hz.status, ripple.rate_hz.reason[:32]) == (
            "ok",
            "by the cadence on the session sh",
        )
        assert abs(ripple.count.value - planned.contractions) <= 1


@pytest.mark.parametrize(
    ("noted_hz", "status", "says"),
    [
        (0.35, "flagged", "and neither is the cadence on the session sheet, 0.35 Hz"),
        (0.75, "refused", "too slow for contractions at 0.75 Hz: 1.3 readings each, 2.5 needed"),
    ],
)
def test_a_cadence_on_the_session_sheet_that_the_ripple_does_not_show_is_never_ok(
    noted_hz, status, says
):
    _, ripple = counted(
        1, samples_per_contraction=4.0, contraction_s=4.0, cadences=FAST, noted_rate_hz=noted_hz
    )
    assert ripple.count.status == ripple.rate_hz.status == status
    assert says in ripple.rate_hz.reason


def test_noise_alone_holds_no_contractions():
    false_alarms = sum(
        counted(seed, samples_per_contraction=10.0, contraction_s=3.0, ripple_pct=0.0)[
            1
        ].count.usable
        for seed in range(40)
    )
    assert false_alarms <= 1


def test_a_long_gap_in_a_set_is_flagged():
    gap = SensorFault("missing", 68.0, 7.0)
    _, ripple = counted(
        2, samples_per_contraction=20.0, contraction_s=2.0, faults=[gap], min_usable_share=0.5
    )
    assert ripple.count.status == "flagged"
    assert "gap" in ripple.count.reason


def test_an_irregular_time_axis_changes_nothing():
    rng = np.random.default_rng(5)
    planned = SimulatedSet(60.0, 20, 3.0, 35.0)
    simulated = simulate_muscle_oxygen(
        rng, sampling_rate_hz=5.0, duration_s=180.0, sets=[planned], ripple_pct=4.0, axis_jitter=0.2
    )
    readings = simulated.readings
    ripple = find_contractions(readings["time_s"], readings["smo2_pct"], 60.0, 120.0, **SEARCH)
    assert ripple.count.value == 20


def test_local_ripple_follows_the_amplitude_beside_a_slope():
    time_s = np.arange(0.0, 60.0, 0.1)
    trace = 70.0 - 0.8 * time_s + 3.0 * np.cos(2 * np.pi * 0.4 * time_s)
    ripple = local_ripple(time_s, trace, np.arange(10.0, 50.0, 1.0), rate_hz=0.4, reach_s=5.0)
    assert ripple.amplitude_pct == pytest.approx(np.full(40, 3.0), abs=1e-6)
    cycles = ripple.phase_cycles[-1] - ripple.phase_cycles[0]
    assert cycles == pytest.approx(0.4 * 39.0, abs=1e-6)


def test_local_ripple_is_unknown_inside_a_gap_and_right_beside_it():
    time_s = np.arange(0.0, 60.0, 0.2)
    trace = 60.0 + 3.0 * np.cos(2 * np.pi * 0.5 * time_s)
    trace[(time_s > 20) & (time_s < 35)] = np.nan
    ripple = local_ripple(time_s, trace, np.array([10.0, 27.0, 45.0]), rate_hz=0.5, reach_s=4.0)
    assert np.isnan(ripple.amplitude_pct[1])
    assert ripple.amplitude_pct[[0, 2]] == pytest.approx([3.0, 3.0], abs=1e-6)


CHANCE = {"cadences": CADENCES, "window_s": 20.0}


@pytest.mark.parametrize("lost", [0, 3])
def test_the_chance_of_a_ripple_is_small_where_there_is_one(lost):
    """In a whole window, and in one with missing readings, which is fitted apart."""
    rng = np.random.default_rng(8)
    time_s = np.arange(0.0, 120.0, 0.5)
    trace = 60.0 + rng.normal(0.0, 1.0, len(time_s))
    trace = trace + np.where(time_s > 60, 2.0 * np.sin(2 * np.pi * 0.4 * time_s), 0.0)
    trace[180 : 180 + 3 * lost] = np.nan
    quiet, rippling = ripple_chance(time_s, trace, [30.0, 90.0], **CHANCE)
    assert quiet > 0.01
    assert rippling < 0.001


def test_noise_looks_like_a_ripple_no_more_often_than_its_chance_says():
    rng = np.random.default_rng(9)
    time_s = np.arange(0.0, 4000.0, 0.5)
    trace = 60.0 + rng.normal(0.0, 1.0, len(time_s))
    chance = ripple_chance(time_s, trace, np.arange(10.0, 3990.0, 20.0), **CHANCE)
    # 199 windows that share nothing: 10 expected below 0.05, 19 are three SDs more.
    assert np.sum(chance < 0.05) <= 19


def test_sampling_too_slow_for_any_ripple_leaves_all_to_chance():
    chance = ripple_chance(np.arange(0.0, 600.0, 10.0), np.zeros(60), [100.0], **CHANCE)
    assert chance.tolist() == [1.0]


def test_a_bent_course_leaves_least_at_its_bend():
    clock = np.arange(0.0, 40.0, 0.5)
    since = np.maximum(clock - 17.0, 0.0)
    level = 60.0 + 0.1 * clock - 0.9 * since + 0.02 * since**2
    places = np.arange(5.0, 35.0, 1.0)
    misfit = bent_misfit(clock, level[:, None], places)
    assert places[np.argmin(misfit)] == 17.0
    assert misfit.min() == pytest.approx(0.0, abs=1e-8)
    every = bent_misfit(clock, np.column_stack([level, 2 * level]), places, every_pair=True)
    assert every[:, 0] == pytest.approx(misfit, abs=1e-8)
    assert every[:, 1] == pytest.approx(4 * misfit, rel=1e-6, abs=1e-7)
