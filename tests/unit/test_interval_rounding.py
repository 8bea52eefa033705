"""How intervals are written is found, and what was smoothed before is suspected."""

import numpy as np
import pytest

from heart.repair.rounding import interval_rounding
from unit.sinus_rhythm import sinus_beats


@pytest.mark.parametrize(
    ("step_ms", "name"),
    [
        (1.0, "1 ms"),
        (1000 / 1024, "1/1024 s"),
        (4.0, "4 ms"),
        (1000 / 128, "1/128 s"),
        (10.0, "10 ms"),
        (25.0, "25 ms"),
        (50.0, "50 ms"),
    ],
)
def test_the_rounding_of_intervals_is_found(step_ms, name):
    intervals_ms = 1000 * np.diff(sinus_beats())
    rounding = interval_rounding(np.round(np.round(intervals_ms / step_ms) * step_ms, 3))
    assert rounding.step_ms == pytest.approx(step_ms)
    assert name in rounding.sentence
    assert "no sign of filtering" in rounding.sentence


def test_intervals_in_128ths_of_a_second_are_known_even_when_printed_in_whole_ms():
    intervals_ms = 1000 * np.diff(sinus_beats())
    printed = np.round(np.round(intervals_ms * 0.128) / 0.128)
    assert interval_rounding(printed).step_ms == pytest.approx(1000 / 128)


def test_unrounded_intervals_have_no_step():
    rounding = interval_rounding(1000 * np.diff(sinus_beats()))
    assert np.isnan(rounding.step_ms)
    assert "rounding alone" not in rounding.sentence
    assert "no rounding step" in rounding.sentence


def test_smoothed_and_interpolated_intervals_look_filtered():
    intervals_ms = 1000 * np.diff(sinus_beats())
    smoothed = np.convolve(intervals_ms, [0.25, 0.5, 0.25], mode="valid")
    assert "look filtered" in interval_rounding(smoothed).sentence
    filled = intervals_ms.copy()
    for start in range(10, 200, 30):
        filled[start : start + 8] = np.linspace(filled[start], filled[start + 7], 8)
    assert "straight lines" in interval_rounding(filled).sentence
    assert "no heart does that" in interval_rounding(np.full(50, 800.0)).sentence


def test_too_few_intervals_have_no_rounding():
    with pytest.raises(ValueError, match="30"):
        interval_rounding(np.full(10, 800.0))
