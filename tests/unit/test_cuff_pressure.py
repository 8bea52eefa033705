"""Cuff pressure as recorded: inflations found, and what was held against what was planned."""

import numpy as np
import pandas as pd
import pytest

from cuff.checks import check_table
from cuff.noted_pressures import noted_course
from cuff.pressure import (
    PressureLimits,
    check_cuff_pressure,
    find_inflations,
    held_pressure,
    propose_cuff_boundaries,
)
from demo.muscle_oxygen import SimulatedCuff
from project import settings_with
from recordings.limbs import same_limb

PRESSURE_LIMITS = PressureLimits(tolerance_mmhg=10.0, inflated_mmhg=15.0, settle_s=5.0)


def pressure_of(cuffs, seed, *, duration_s=300.0, leak_mmhg_per_s=0.0, inflation_s=3.0):
    """Times and pressure at 10 Hz of cuffs that may leak, with noise of 1 mmHg."""
    time_s = np.arange(int(duration_s * 10)) / 10
    pressure_mmhg = np.zeros(len(time_s))
    for cuff in cuffs:
        held_s = np.maximum(time_s - cuff.start_s, 0.0)
        held_mmhg = np.maximum(cuff.pressure_mmhg - leak_mmhg_per_s * held_s, 0.0)
        rising = np.clip(held_s / inflation_s, 0.0, 1.0)
        pressure_mmhg += held_mmhg * rising * np.clip(cuff.end_s + 1.0 - time_s, 0.0, 1.0)
    noise_mmhg = np.random.default_rng(seed).normal(0.0, 1.0, len(time_s))
    return pd.Series(time_s), pd.Series(pressure_mmhg + noise_mmhg)


def pressure_verdict(planned_mmhg, held_mmhg, leak_mmhg_per_s=0.0):
    cuffs = [SimulatedCuff(50.0, 150.0, pressure_mmhg=held_mmhg)] if held_mmhg else []
    trace = pressure_of(cuffs, 1, duration_s=200.0, leak_mmhg_per_s=leak_mmhg_per_s)
    held = held_pressure(*trace, smooth_s=4.0)
    return check_cuff_pressure(held, 50.0, 100.0, planned_mmhg, PRESSURE_LIMITS)


def test_a_cuff_that_holds_its_plan_is_in_order():
    row = pressure_verdict(120.0, 120.0)
    assert row["status"] == "ok"
    assert row["actual_mmhg"] == pytest.approx(120.0, abs=1.0)


def test_a_leak_is_found_and_dated():
    row = pressure_verdict(120.0, 120.0, leak_mmhg_per_s=0.5)
    assert row["status"] == "flagged"
    assert "leaked" in row["reason"]
    # 10 mmHg are lost at 0.5 mmHg/s after 20 s.
    assert row["leak_from_s"] == pytest.approx(70.0, abs=3.0)


@pytest.mark.parametrize(
    ("planned_mmhg", "held_mmhg", "said"),
    [
        (0.0, 90.0, "where no cuff is planned"),
        (120.0, 0.0, "not inflated"),
        (100.0, 125.0, "planned 100"),
        (140.0, 90.0, "never above"),
    ],
)
def test_a_pressure_against_its_plan_is_flagged(planned_mmhg, held_mmhg, said):
    row = pressure_verdict(planned_mmhg, held_mmhg)
    assert row["status"] == "flagged"
    assert said in row["reason"]


def test_no_cuff_where_none_is_planned_is_in_order():
    assert pressure_verdict(0.0, 0.0)["status"] == "ok"


def test_a_pressure_that_nobody_noted_stays_unknown():
    row = pressure_verdict(np.nan, 120.0)
    assert row["status"] == "missing"
    assert "no pressure was noted" in row["reason"]
    assert row["actual_mmhg"] == pytest.approx(120.0, abs=1.0)


def test_a_cuff_that_fails_at_once_is_told_from_one_that_was_never_inflated():
    time_s = np.arange(0.0, 200.0, 0.5)
    pressure = np.where((time_s > 44) & (time_s < 54), 120.0, 5.0)
    held = held_pressure(time_s, pressure, smooth_s=4.0)
    row = check_cuff_pressure(held, 50.0, 100.0, 120.0, PRESSURE_LIMITS)
    assert (row["status"], row["reason"]) == ("flagged", "leaked: lost at once, 5 mmHg at the end")
    assert row["leak_from_s"] == pytest.approx(55.0, abs=1.0)


def test_a_span_shorter_than_it_takes_to_settle_is_not_judged():
    time_s = np.arange(0.0, 100.0, 0.5)
    held = held_pressure(time_s, np.full(200, 120.0), smooth_s=4.0)
    row = check_cuff_pressure(held, 50.0, 8.0, 120.0, PRESSURE_LIMITS)
    assert (row["status"], row["reason"]) == (
        "missing",
        "8 s are too short: the first and last 5 s settle",
    )


def test_a_set_outside_the_recording_of_pressure_is_missing_and_not_ok():
    time_s = np.arange(0.0, 100.0, 0.5)
    held = held_pressure(time_s, np.zeros(200), smooth_s=4.0)
    row = check_cuff_pressure(held, 500.0, 60.0, 0.0, PRESSURE_LIMITS)
    assert row["status"] == "missing"
    assert np.isnan(row["actual_mmhg"])


def inflations(cuffs, **changes):
    limits = {"inflated_mmhg": 15.0, "shortest_s": 10.0}
    return *pressure_of(cuffs, 3, **changes), limits


def test_inflation_and_release_are_proposed_where_the_ramps_begin():
    *trace, limits = inflations([SimulatedCuff(60.0, 120.0), SimulatedCuff(180.0, 250.0)])
    proposals = propose_cuff_boundaries(*trace, **limits)
    assert proposals["boundary"].tolist() == ["cuff_on", "cuff_off"] * 2
    assert proposals["time_s"].to_numpy() == pytest.approx([60, 120, 180, 250], abs=0.15)


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 10.0])
def test_the_limits_of_an_inflation_lie_within_their_stated_error(rate_hz):
    rng = np.random.default_rng(4)
    missed = []
    for _ in range(40):
        # a slow ramp up and an exponential release, with the ripple of contractions
        on_s, off_s, held = 50 + rng.uniform(), 120 + rng.uniform(), rng.uniform(40, 160)
        time_s = np.arange(0.0, 180.0, 1 / rate_hz)
        pressure = held * np.clip((time_s - on_s) / 4.0, 0, 1)
        pressure *= np.exp(-np.maximum(time_s - off_s, 0) / 0.7)
        working = (time_s > on_s + 10) & (time_s < off_s - 2)
        pressure += 0.02 * held * working * np.sin(2 * np.pi * time_s / 3.3)
        pressure += rng.normal(0, 0.3, len(time_s))
        offered = propose_cuff_boundaries(time_s, pressure, inflated_mmhg=15.0, shortest_s=10.0)
        missed += list((offered["time_s"] - [on_s, off_s]).abs() > 2 * offered["se_s"])
    assert np.mean(missed) < 0.08


def test_a_cuff_inflated_throughout_has_no_limits_to_propose():
    *trace, limits = inflations([SimulatedCuff(-20.0, 400.0)])
    assert propose_cuff_boundaries(*trace, **limits).empty
    proposed = find_inflations(*trace, **limits)
    assert proposed["pressure_mmhg"].tolist() == pytest.approx([120.0], abs=1.0)
    assert proposed[["start_s", "end_s"]].isna().all(axis=None)


def test_an_empty_recording_of_pressure_holds_no_inflation():
    assert find_inflations([], [], inflated_mmhg=15.0, shortest_s=10.0).empty
    assert find_inflations([0.0], [np.nan], inflated_mmhg=15.0, shortest_s=10.0).empty


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (("leg", "right"), ("leg", "right"), True),
        (("leg", "right"), ("leg", "left"), False),
        (("leg", "right"), ("arm", "right"), False),
        (("leg", "both"), ("leg", "left"), True),
        (("leg", "both"), ("arm", None), False),
        (("leg", "right"), ("leg", None), True),
        (("leg", None), (None, None), None),
        ((None, "left"), ("arm", "right"), False),
    ],
)
def test_a_limb_is_told_by_limb_and_side_where_they_are_named(one, other, same):
    assert same_limb(*one, *other) is same
    assert same_limb(*other, *one) is same


def sheet(*events):
    columns = ("trial_type", "onset_s", "duration_s", "limb", "condition", "cuff_pressure_mmhg")
    return pd.DataFrame(events, columns=columns).assign(side=None)


def pressure_at(course, moment_s):
    time_s, value, _ = course
    return value[np.searchsorted(time_s, moment_s) - 1]


def test_an_unknown_pressure_is_a_gap_and_never_zero():
    course = noted_course(
        sheet(
            ("cuff", 100.0, 50.0, "leg", "low", 80.0),
            ("cuff", 300.0, 50.0, "leg", "low", None),
            ("set", 110.0, 30.0, "leg", "low", 80.0),
            ("set", 310.0, 30.0, "leg", "low", None),
        ),
        "none",
    )
    assert pressure_at(course, 120.0) == 80.0
    assert pressure_at(course, 200.0) == 0.0
    assert np.isnan(pressure_at(course, 320.0))
    assert course[2] == [(300.0, 350.0)]


def test_sets_without_cuff_rows_and_without_pressure_leave_the_whole_course_unknown():
    sets = sheet(
        ("set", 110.0, 30.0, "leg", "control", None), ("set", 310.0, 30.0, "arm", "control", None)
    )
    assert np.isnan(noted_course(sets, "none")[1]).all()
    time_s, value, unknown = noted_course(sets, "control")
    assert (value == 0.0).all() and unknown == []


def test_a_pressure_noted_on_a_set_alone_is_drawn_over_the_set():
    course = noted_course(sheet(("set", 110.0, 30.0, "leg", "low", 90.0)), "none")
    assert [pressure_at(course, t) for t in (50.0, 120.0, 150.0)] == [0.0, 90.0, 0.0]


def test_a_cuff_on_the_arm_says_nothing_of_a_set_of_the_leg():
    course = noted_course(
        sheet(("cuff", 100.0, 50.0, "arm", "low", 60.0), ("set", 110.0, 30.0, "leg", "low", None)),
        "none",
    )
    assert course[2] == [(110.0, 140.0)]


def test_a_session_without_sets_or_cuffs_has_no_pressure():
    time_s, value, unknown = noted_course(sheet(("baseline", 0.0, 300.0, None, None, None)), "none")
    assert (list(time_s), list(value), unknown) == ([0.0], [0.0], [])


def checks_of_a_set(*cuffs):
    """Rows of cuff_checks.tsv of a set of the right leg at 120 mmHg, 50 to 150 s.

    `cuffs`: limb, side and pressure in mmHg of each recording.
    """
    time_s = np.arange(0.0, 200.0, 0.5)
    recorded = [
        {
            **{"session_id": "ses-1", "file": f"{n}.csv", "limb": limb, "side": side},
            "trace": (time_s, np.where((time_s > 40) & (time_s < 160), pressure_mmhg, 0.0)),
        }
        for n, (limb, side, pressure_mmhg) in enumerate(cuffs)
    ]
    worked = pd.DataFrame(
        [
            {
                **{"session_id": "ses-1", "trial_type": "set", "exercise": "squat", "bout": 1},
                **{"condition": "target", "limb": "leg", "side": "right"},
                **{"onset_s": 50.0, "duration_s": 100.0, "cuff_pressure_mmhg": 120.0},
            }
        ]
    )
    settings = settings_with()
    table = check_table(worked, worked, recorded, settings.segment_oxygenation, settings.protocol)
    return table.to_dict("records")


def test_a_recording_that_names_no_limb_is_that_of_the_set_where_it_is_the_only_one():
    (row,) = checks_of_a_set((None, None, 121.0))
    assert (row["status"], row["file"]) == ("ok", "0.csv")
    assert row["actual_mmhg"] == pytest.approx(121.0, abs=0.1)
    (row,) = checks_of_a_set((None, None, 60.0), ("leg", "right", 120.0))
    assert (row["status"], row["file"]) == ("ok", "1.csv")


def test_of_several_recordings_that_name_no_limb_none_is_taken():
    (row,) = checks_of_a_set((None, None, 120.0), (None, None, 60.0))
    assert row["status"] == "missing"
    assert row["reason"] == "several pressures were recorded and none names its limb or side"


def test_a_set_whose_own_limb_was_not_recorded_says_where_pressure_was():
    (row,) = checks_of_a_set(("arm", "left", 0.0))
    assert (row["status"], row["reason"]) == (
        *("missing", "pressure was recorded on the left arm only"),
    )
