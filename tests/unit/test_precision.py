"""A value from one window carries the error that such a window has."""

import numpy as np
import pytest

from heart.precision import precise_band_power_ms2, precise_rmssd_ms, precise_sdnn_ms
from heart.spectrum import interval_spectrum


def resting_intervals(generator, beats):
    """Intervals with breathing and slow oscillation of random size and phase, mean 850 ms."""
    slow, fast = (generator.standard_normal(beats + 60) for _ in range(2))
    slow = np.convolve(slow, np.cos(2 * np.pi * 0.085 * np.arange(40)) * np.hanning(40), "valid")
    fast = np.convolve(fast, np.cos(2 * np.pi * 0.22 * np.arange(20)) * np.hanning(20), "valid")
    slow, fast = slow[:beats] / 2.7, fast[:beats] / 2.0
    return 850 + 20 * slow + 20 * fast


@pytest.mark.parametrize(
    ("measure", "index"),
    [(precise_rmssd_ms, lambda nn: np.diff(nn)), (precise_sdnn_ms, lambda nn: nn)],
)
def test_the_stated_error_is_the_spread_between_windows_of_one_state(measure, index):
    generator = np.random.default_rng(4)
    estimates = [measure(index(resting_intervals(generator, 70))) for _ in range(300)]
    spread = np.std(np.log([one.value for one in estimates]))
    stated = np.median([one.se / one.value for one in estimates])
    assert stated == pytest.approx(spread, rel=0.25)


def test_a_longer_window_is_more_precise():
    generator = np.random.default_rng(5)
    nn = resting_intervals(generator, 400)
    short, long = precise_rmssd_ms(np.diff(nn[:60])), precise_rmssd_ms(np.diff(nn))
    assert long.se / long.value < 0.6 * short.se / short.value


def test_a_window_too_short_for_an_error_says_so_by_having_none():
    estimate = precise_rmssd_ms([10.0, -20.0, 30.0, -5.0])
    assert estimate.value == pytest.approx(np.sqrt(np.mean(np.square([10, 20, 30, 5]))))
    assert np.isnan(estimate.se)


def test_the_interval_of_a_power_holds_its_value_and_narrows_with_time():
    generator = np.random.default_rng(6)
    widths = []
    for beats in (80, 350):
        nn = resting_intervals(generator, beats)
        spectrum = interval_spectrum(np.cumsum(nn) / 1000, nn)
        power = precise_band_power_ms2(spectrum, 0.15, 0.40)
        assert power.ci_low < power.value < power.ci_high
        widths.append(power.ci_high / power.ci_low)
    assert widths[1] < widths[0]


def test_the_stated_error_of_a_power_is_the_spread_between_windows_of_one_state():
    generator = np.random.default_rng(7)
    powers = []
    for _ in range(300):
        nn = resting_intervals(generator, 140)
        spectrum = interval_spectrum(np.cumsum(nn) / 1000, nn)
        powers.append(precise_band_power_ms2(spectrum, 0.15, 0.40))
    values = np.array([power.value for power in powers])
    stated = np.sqrt(np.mean(np.square([power.se for power in powers])))
    assert stated == pytest.approx(values.std(), rel=0.15)
