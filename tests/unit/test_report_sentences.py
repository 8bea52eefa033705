"""What the report may say of the heart."""

import pandas as pd
import pytest

from write_report import rate_in_sets_is_equal, without_exercises


@pytest.mark.parametrize(
    ("reading", "equal"), [("different", False), ("inconclusive", False), ("equivalent", True)]
)
def test_falls_of_heart_rate_are_compared_only_from_rates_shown_to_be_equal(reading, equal):
    """A fall from a higher rate is larger (Cole et al. 1999); no difference shown is not enough."""
    rate = {
        "outcome": "mean_hr_bpm",
        "window": "set",
        "exercise": "all",
        "contrast": "low - none",
        "reading": reading,
    }
    assert rate_in_sets_is_equal(pd.DataFrame([rate]), "low - none") is equal


def test_a_contrast_says_which_exercises_it_leaves_out():
    """A contrast over all exercises must not silently be one over some of them."""
    found = pd.DataFrame(
        [
            {"exercise": exercise, "condition": condition, "value": value}
            for exercise, none, low in (("squat", 40.0, float("nan")), ("calf_raise", 45.0, 40.0))
            for condition, value in (("none", none), ("low", low))
        ]
    ).assign(outcome="smo2_nadir_pct", window="set")
    primary = {"outcome": "smo2_nadir_pct", "window": "set"}
    said = without_exercises(found, primary, "low - none")
    assert said == " Left out: squat (no values in both conditions)."
    assert without_exercises(found[found["exercise"] == "calf_raise"], primary, "low - none") == ""
