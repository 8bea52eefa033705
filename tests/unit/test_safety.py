"""Pressures that the session sheet puts on the wrong limb."""

import pandas as pd
import pytest

from check_safety import misplaced

SET = {
    "onset_s": 100.0,
    "duration_s": 60.0,
    "exercise": "calf raise",
    "limb": "leg",
    "side": "right",
    "cuff_pressure_mmhg": 90.0,
}


def cuff(limb, side, *, onset_s=90.0, pressure_mmhg=90.0):
    return {
        "onset_s": onset_s,
        "duration_s": 80.0,
        "limb": limb,
        "side": side,
        "cuff_pressure_mmhg": pressure_mmhg,
    }


@pytest.mark.parametrize(
    ("noted", "found"),
    [
        ([cuff("leg", "left")], ["calf raise, cuff on the left leg"]),
        ([cuff("arm", "right")], ["calf raise, cuff on the right arm"]),
        ([cuff("leg", "right")], []),
        ([cuff("leg", "left"), cuff("leg", "right")], []),
        ([cuff("leg", "left", pressure_mmhg=0.0)], []),
        ([cuff("leg", "left", onset_s=200.0)], []),
    ],
)
def test_a_cuff_on_another_limb_than_the_one_that_works_is_named(noted, found):
    assert list(misplaced(pd.DataFrame([SET]), pd.DataFrame(noted))) == found


def test_an_unknown_pressure_on_another_limb_counts_as_inflated():
    noted = pd.DataFrame([cuff("arm", "right", pressure_mmhg=float("nan"))])
    assert list(misplaced(pd.DataFrame([SET]), noted)) == ["calf raise, cuff on the right arm"]
