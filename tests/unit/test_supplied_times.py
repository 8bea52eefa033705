"""Times that the session sheet lacks are supplied only where the recording leaves no doubt."""

import numpy as np
import pandas as pd
import pytest

from muscle.supplied_times import supply_times

SHOWN = ((100.0, 160.0), (300.0, 345.0), (500.0, 560.0))


def proposals(shown=SHOWN, confidence=0.95):
    limits = [
        (at_s, boundary)
        for span in shown
        for at_s, boundary in zip(span, ("set_start", "set_end"), strict=True)
    ]
    table = pd.DataFrame(limits, columns=["time_s", "boundary"])
    return table.assign(se_s=0.4, confidence=confidence, source="ripple")


def supplied(rows, wanted=True, **changes):
    sets = pd.DataFrame(rows, columns=["onset_s", "duration_s"], dtype=float).assign(wanted=wanted)
    limits = {"smallest_confidence": 0.8, "tolerance_s": 3.0}
    return supply_times(sets, changes.pop("offered", proposals()), **limits)


def test_a_missing_end_is_taken_from_the_set_that_begins_at_the_noted_start():
    sets = supplied([(100, 60), (301, np.nan), (500, 60)])
    assert sets["supplied"].tolist() == ["", "end", ""]
    assert sets.loc[1, "onset_s"] == 301.0
    assert sets.loc[1, "onset_s"] + sets.loc[1, "duration_s"] == 345.0
    assert sets.loc[1, "se_s"] == 0.4


def test_sets_without_any_time_are_taken_in_the_order_of_the_sheet():
    sets = supplied([(100, 60), (np.nan, np.nan), (np.nan, np.nan)])
    assert sets["onset_s"].tolist() == [100.0, 300.0, 500.0]
    assert sets["duration_s"].tolist() == [60.0, 45.0, 60.0]
    assert sets["supplied"].tolist() == ["", "start and end", "start and end"]


def test_nothing_is_supplied_when_the_recording_shows_more_sets_than_the_sheet_names():
    sets = supplied([(np.nan, np.nan), (np.nan, np.nan)])
    assert sets["onset_s"].isna().all()
    assert sets["reason"].str.contains("shows 3 whole sets").all()


def test_nothing_is_supplied_from_limits_that_are_not_sure():
    sets = supplied([(100, np.nan)], offered=proposals(confidence=0.6))
    assert sets["duration_s"].isna().all()
    assert "chance of 0.60 only" in sets.loc[0, "reason"]


def test_nothing_is_supplied_against_the_order_of_the_sheet():
    sets = supplied([(520, 30), (np.nan, np.nan)], offered=proposals([(100.0, 160.0)]))
    assert np.isnan(sets.loc[1, "onset_s"])
    assert "order of the sheet" in sets.loc[1, "reason"]


def test_a_noted_duration_must_agree_with_what_is_shown():
    sets = supplied([(100, 60), (np.nan, 90), (500, 60)])
    assert "lasts 45 s, the sheet says 90 s" in sets.loc[1, "reason"]
    agreeing = supplied([(100, 60), (np.nan, 44), (500, 60)])
    assert (agreeing.loc[1, "onset_s"], agreeing.loc[1, "duration_s"]) == (300.0, 44.0)


def test_a_noted_set_is_never_changed_and_an_unwanted_one_never_filled():
    noted = [(103, 55), (np.nan, np.nan)]
    sets = supplied(noted, wanted=[True, False])
    assert sets["onset_s"].tolist()[0] == 103.0
    assert sets["duration_s"].tolist()[0] == 55.0
    assert sets.loc[1].isna()["onset_s"]


@pytest.mark.parametrize("offered", [proposals([]), proposals([]).iloc[:0]])
def test_an_empty_recording_supplies_nothing_and_says_so(offered):
    sets = supplied([(100, np.nan), (np.nan, np.nan)], offered=offered)
    assert (sets["reason"] != "").all()
    assert (sets["supplied"] == "").all()
