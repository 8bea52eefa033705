"""The stated error of the area below baseline holds, where sampling can show the contractions."""

import numpy as np
import pytest

from measuring.quality_rules import verdict
from muscle.desaturation import area_below
from muscle.readings import Readings
from project import settings_with
from results.estimate import Estimate

SET_S = 60.0
PERIOD_S = 2.0
BASELINE_PCT = 65.0


def standardised_errors(samples_per_contraction, studies=200):
    """Errors over their standard errors; a fall of 30 % with a ripple of 2 %, noise of 1 %."""
    rng = np.random.default_rng(3)
    step_s = PERIOD_S / samples_per_contraction
    errors = []
    for _ in range(studies):
        time_s = np.arange(-60.0, 90.0, step_s) + rng.uniform(0, step_s)
        fall = np.clip(time_s / SET_S, 0, 1) * 30.0
        ripple = np.where((time_s > 0) & (time_s < SET_S), np.cos(2 * np.pi * time_s / PERIOD_S), 0)
        readings = BASELINE_PCT - fall + 2.0 * ripple + rng.normal(size=len(time_s))
        level = Estimate(BASELINE_PCT, 0.0)
        area = area_below(Readings(time_s, readings, 0.8), 0.0, SET_S, level_pct=level)
        errors.append((area.value - 30.0 * SET_S / 2) / area.se)
    return np.array(errors)


def test_with_two_samples_a_contraction_and_more_nineteen_in_twenty_errors_are_within_two():
    for samples in (2.3, 4.3, 10.3):
        assert np.mean(np.abs(standardised_errors(samples)) > 2) < 0.08, samples


def test_with_one_sample_a_contraction_the_ripple_moves_the_area_beyond_its_error():
    assert np.mean(np.abs(standardised_errors(1.0)) > 2) > 0.5


@pytest.mark.parametrize(("samples", "status"), [(1.9, "flagged"), (2.1, "ok")])
def test_an_area_that_the_ripple_may_move_is_flagged(samples, status):
    name = "ripple_needs_samples"
    rule = {name: settings_with().quality_rules[name]}
    judged, reason = verdict(
        "area_below_baseline_pct_s", "saturation", "set", rule, lambda _: samples
    )
    assert judged == status
    assert ("its ripple may shift the level" in reason) == (status == "flagged")
