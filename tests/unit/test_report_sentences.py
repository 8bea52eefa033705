"""What the report may say of the heart."""

import pandas as pd
import pytest

from write_report import rate_in_sets_is_equal


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
