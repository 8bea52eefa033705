"""Concentrations of haemoglobin: change from rest and recovery of a course that is known."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from engine.listings import outcome_modules
from measuring.cutting import asked_in
from muscle.concentration import change, half_recovery, of_working_muscle
from windows._window import Window

TIME_S = np.arange(0.0, 400.0, 0.5)

# oxygenated haemoglobin falls by 20 umol/l over a set from 200 to 260 s and returns with 15 s
BACK = np.exp(-np.clip(TIME_S - 260, 0, None) / 15.0)
COURSE = np.where(TIME_S < 260, -20 * np.clip((TIME_S - 200) / 40, 0, 1), -20 * BACK)

AFTER = SimpleNamespace(start_s=260.0, end_s=320.0)


REST_S = (10.0, 190.0)


def noisy(course):
    noise = np.random.default_rng(3).normal(0, 0.3, len(TIME_S))
    labels = {"file": "a.csv", "channel": None, "site": "vastus", "side": None, "unit": "umol_l"}
    trace = pd.DataFrame({"time_s": TIME_S, "value": course + noise} | labels)
    return of_working_muscle(trace, None, REST_S, 0.8)


def change_of(course):
    return change(noisy(course), REST_S[1], 260.0, baseline_window_s=60, end_window_s=5)


def half_of(signal, course):
    limits = {"baseline_window_s": 60, "end_window_s": 5, "smoothing_s": 4}
    return half_recovery(signal, noisy(course), AFTER, REST_S[1], 260.0, **limits)


def test_the_zero_of_the_sensor_does_not_matter():
    for zero in (0.0, -150.0, 80.0):
        change = change_of(COURSE + zero)
        assert change.value == pytest.approx(-20.0, abs=3 * change.se)
        assert change.se < 0.3


def test_half_recovery_is_that_of_the_exponential_for_a_fall_and_for_a_rise():
    expected_s = 15.0 * np.log(2)
    for signal, course in (("oxy_haemoglobin", COURSE), ("deoxy_haemoglobin", -COURSE)):
        measured = half_of(signal, course)
        assert measured.usable, measured.reason
        assert measured.value == pytest.approx(expected_s, abs=0.8)


def test_a_concentration_that_does_not_come_back_is_refused_in_its_own_unit():
    stays = np.where(TIME_S < 260, COURSE, -20.0)
    assert half_of("oxy_haemoglobin", stays).reason == (
        "half-way (-10.0 umol/l) was not reached by the window's end"
    )
    assert "10.0 umol/l" in half_of("deoxy_haemoglobin", -stays).reason


def traces(*sensors):
    rows = [
        {"file": file, "channel": None, "site": site, "side": None, "unit": unit}
        | {"time_s": 0.0, "value": 1.0 + number}
        for number, (file, site, unit) in enumerate(sensors)
    ]
    return pd.DataFrame(
        rows, columns=["file", "channel", "site", "side", "unit", "time_s", "value"]
    )


SEGMENT = {"status": "ok", "file": "a.csv", "site": "vastus"}


def test_the_sensor_is_that_of_the_working_muscle():
    both = traces(("b.csv", "calf", "umol_l"), ("c.csv", "vastus", "umol_l"))
    assert of_working_muscle(both, SEGMENT, REST_S, 0.8).reading.tolist() == [2.0]
    only = traces(("b.csv", None, "umol_l"))
    assert of_working_muscle(only, None, REST_S, 0.8).reading.tolist() == [1.0]
    assert "one is needed" in of_working_muscle(both, None, REST_S, 0.8)


def test_a_concentration_without_a_unit_of_concentration_is_no_change_in_umol():
    in_au = of_working_muscle(traces(("a.csv", "vastus", "au")), SEGMENT, REST_S, 0.8)
    assert in_au == "recorded in au, not in umol/l"
    refused = change(in_au, REST_S[1], 260.0, baseline_window_s=60, end_window_s=5)
    assert refused.reason.startswith("recorded in au")


def test_outcomes_of_haemoglobin_are_asked_only_where_it_was_recorded():
    window = Window("set", "set", 200.0, 260.0, "")
    module = outcome_modules()["oxy_haemoglobin_change_umol_l"]
    assert not asked_in(window, module, ["ecg", "muscle_oxygen"])
    assert asked_in(window, module, ["oxy_haemoglobin"])
    assert asked_in(window, outcome_modules()["smo2_nadir_pct"], ["ecg"])
