"""Filters without delay against scipy's, and the second detector against its own library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from heart.detection.other_detectors import detect_with
from heart.filters import band_pass, low_pass, without_delay


@pytest.mark.parametrize("rate_hz", [100.0, 130.0, 250.0, 1000.0, 2000.0])
@pytest.mark.parametrize("band_hz", [(3.0, 40.0), (5.0, 30.0)])
def test_a_band_pass_without_delay_is_scipys(band_hz, rate_hz):
    series = np.cumsum(np.random.default_rng(1).normal(size=20_000))
    theirs = signal.sosfiltfilt(
        signal.butter(2, band_hz, "bandpass", fs=rate_hz, output="sos"), series
    )
    ours = without_delay(band_pass(*band_hz, rate_hz), series, margin=15)
    np.testing.assert_allclose(ours, theirs, atol=1e-8 * np.abs(theirs).max())


def test_a_low_pass_without_delay_is_scipys_up_to_both_ends():
    series = 5.0 + np.random.default_rng(2).normal(size=700)
    theirs = signal.sosfiltfilt(signal.butter(2, 0.05, fs=4.0, output="sos"), series, padlen=80)
    ours = without_delay(low_pass(0.05, 4.0), series, margin=80)
    np.testing.assert_allclose(ours, theirs, rtol=1e-10)


def test_a_band_that_the_samples_cannot_show_is_refused():
    with pytest.raises(ValueError, match="more than 60 samples a second"):
        band_pass(5.0, 30.0, 50.0)
    with pytest.raises(ValueError, match="margin of 15 samples needs more than 10 samples"):
        without_delay(low_pass(1.0, 10.0), np.ones(10), margin=15)


@pytest.mark.parametrize("rate_hz", [130, 250, 1000])
def test_the_second_detector_finds_what_its_library_finds(rate_hz):
    import sleepecg

    from demo.exercise_ecg import exercise_ecg

    generator = np.random.default_rng(5)
    beats = np.cumsum(generator.uniform(0.5, 0.9, 80))
    time_s, ecg_mv = exercise_ecg(beats, rate_hz=rate_hz, snr_db=6.0, generator=generator)
    for begun_flat in (0, 200):
        lead = ecg_mv.copy()
        lead[:begun_flat] = lead[begun_flat]
        theirs = time_s[0] + sleepecg.detect_heartbeats(lead, rate_hz) / rate_hz
        np.testing.assert_allclose(detect_with("sleepecg", time_s, lead), theirs, atol=1e-6)
