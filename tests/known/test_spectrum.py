"""Power of heart period against exact truth, closed laws and other programs."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import signal

from heart import spectrum
from unit.pulse_frequency import tone_power_ms2, tones

LF_HZ = (0.04, 0.15)
HF_HZ = (0.15, 0.40)
METHODS = ("multitaper", "welch", "autoregressive", "lomb_scargle")


def lf_and_hf(estimate):
    return spectrum.band_power(estimate, *LF_HZ), spectrum.band_power(estimate, *HF_HZ)


def beats_reading_off_intervals(mean_ms: float) -> tuple[np.ndarray, np.ndarray]:
    """Each interval read from m + 40 sin(0.1 Hz) + 30 sin(0.25 Hz) at its beginning, 600 s."""
    times, intervals = [0.0], []
    while times[-1] < 600.0:
        angle = 2 * np.pi * times[-1]
        intervals.append(mean_ms + 40 * np.sin(0.1 * angle) + 30 * np.sin(0.25 * angle))
        times.append(times[-1] + intervals[-1] / 1000.0)
    return np.array(times[1:]), np.array(intervals)


@pytest.mark.parametrize(("mean_ms", "least_hf"), [(1000.0, 0.94), (800.0, 0.97), (600.0, 0.98)])
@pytest.mark.parametrize("method", METHODS)
def test_two_known_oscillations_have_their_power(method, mean_ms, least_hf):
    # Truth A^2 / 2: LF 800, HF 450 ms2. At 60 per minute the cubic spline takes 3 % of HF.
    estimate = spectrum.interval_spectrum(*beats_reading_off_intervals(mean_ms), method=method)
    low, high = lf_and_hf(estimate)
    assert low == pytest.approx(800.0, rel=0.02)
    assert least_hf <= high / 450.0 <= 1.02


def test_the_two_oscillations_in_normalised_units_and_ratio():
    # Task Force 1996: LF n.u. = LF / (total - VLF), here (LF + HF); 800 and 450 give 64, 36, 1.778.
    low, high = (spectrum.normalised_units_pct(band, 800.0 + 450.0) for band in (800.0, 450.0))
    assert (low, high) == pytest.approx((64.0, 36.0))
    assert spectrum.lf_hf_ratio(800.0, 450.0) == pytest.approx(1.778, abs=5e-4)


@pytest.mark.parametrize("duration_s", [120.0, 300.0])
@pytest.mark.parametrize("hr_bpm", [60.0, 75.0, 100.0, 140.0, 180.0])
@pytest.mark.parametrize("method", METHODS)
def test_every_estimator_finds_the_modulation_of_the_rate(method, hr_bpm, duration_s):
    # Integral pulse frequency model, power T0^2 A^2 / 2 x sinc^2(f T0), within 3 % on average
    # over the phase at which the window happens to begin.
    shares = []
    for phase in (0.0, 1.6, 3.2, 4.8):
        parts = ((0.10, 0.03, phase), (0.25, 0.03, 2.1 * phase))
        beats = tones(duration_s, hr_bpm, *parts)
        estimate = spectrum.interval_spectrum(beats[1:], 1000.0 * np.diff(beats), method=method)
        truth = [tone_power_ms2(f, a, hr_bpm) for f, a, _ in parts]
        shares.append(np.divide(lf_and_hf(estimate), truth))
    assert np.mean(shares, axis=0) == pytest.approx([1.0, 1.0], abs=0.03)
    assert np.abs(np.array(shares) - 1.0).max() < 0.04


@pytest.mark.parametrize("hr_bpm", [60.0, 90.0, 150.0])
@pytest.mark.parametrize("method", METHODS)
def test_one_minute_is_read_within_eight_percent(method, hr_bpm):
    for phase in (0.3, 2.0, 4.4):
        parts = ((0.10, 0.03, phase), (0.25, 0.03, 2.1 * phase))
        beats = tones(60.0, hr_bpm, *parts)
        estimate = spectrum.interval_spectrum(beats[1:], 1000.0 * np.diff(beats), method=method)
        truth = [tone_power_ms2(f, a, hr_bpm) for f, a, _ in parts]
        assert np.divide(lf_and_hf(estimate), truth) == pytest.approx([1.0, 1.0], abs=0.08)


def test_linear_interpolation_would_lose_a_third_of_respiratory_power():
    # sinc^4(f / heart rate) = 0.657 at 0.25 Hz and 60 per minute; the cubic spline keeps 0.97.
    beats = tones(300.0, 60.0, (0.25, 0.02, 0.0))
    times, nn_ms = beats[1:], 1000.0 * np.diff(beats)
    grid, cubic = spectrum.resample_intervals(times, nn_ms)
    powers = []
    for even in (cubic, np.interp(grid, times, nn_ms)):
        estimate = spectrum.power_spectrum(even - even.mean(), 4.0)
        powers.append(spectrum.band_power(estimate, *HF_HZ))
    assert np.array(powers) / tone_power_ms2(0.25, 0.02, 60.0) == pytest.approx(
        [0.97, 0.657], abs=0.012
    )


@pytest.mark.parametrize(
    ("frequency_hz", "gain"),
    [(0.02, 0.196), (0.028, 0.483), (0.0355, 0.707), (0.04, 0.796), (0.06, 0.952), (0.10, 0.993)],
)
def test_smoothness_priors_have_the_gain_of_their_law(frequency_hz, gain):
    # Tarvainen, Ranta-aho & Karjalainen 2002, IEEE Trans Biomed Eng 49:172; lambda 500 at 4 Hz,
    # values computed from L^2 w^4 / (1 + L^2 w^4): -3 dB at 0.0355 Hz.
    penalty = (500.0 * (2.0 * np.sin(np.pi * frequency_hz / 4.0)) ** 2) ** 2
    assert penalty / (1.0 + penalty) == pytest.approx(gain, abs=6e-4)
    time = np.arange(0.0, 2000.0, 0.25)
    wave = np.sin(2 * np.pi * frequency_hz * time)
    rest = wave - spectrum.smoothness_priors_trend(wave, regularisation=500.0)
    middle = slice(2000, 6000)
    assert float(rest[middle] @ wave[middle] / (wave[middle] @ wave[middle])) == pytest.approx(
        gain, abs=2e-3
    )


def test_the_banded_trend_is_the_dense_solution_of_the_full_matrix():
    rng = np.random.default_rng(1)
    series = 800 + np.cumsum(rng.normal(0, 3, 240))
    second = np.diff(np.eye(240), n=2, axis=0)
    dense = np.linalg.solve(np.eye(240) + 500.0**2 * second.T @ second, series)
    banded = spectrum.smoothness_priors_trend(series, regularisation=500.0)
    assert banded == pytest.approx(dense, abs=1e-5)


def test_a_straight_line_is_all_trend_up_to_both_ends():
    line = 1000.0 - 0.7 * np.arange(300)
    rest = line - spectrum.smoothness_priors_trend(line, regularisation=500.0)
    assert np.abs(rest).max() < 1e-5


def test_a_drift_of_eighty_beats_per_minute_in_a_minute_adds_little_lf():
    from unit.pulse_frequency import beats_at, grid_s

    time = grid_s(60.0)
    modulation = 0.03 * np.cos(2 * np.pi * 0.1 * time) + 0.03 * np.cos(2 * np.pi * 0.25 * time)
    drifting = beats_at(time, (70.0 + 80.0 * time / 60.0) / 60.0 * (1 + modulation))
    # Power goes with the squared interval, so the truth is the mean over the drift.
    mean_s = 60.0 / (70.0 + 80.0 * time / 60.0)
    truth = np.mean((1000 * mean_s * 0.03) ** 2 / 2 * np.sinc(0.1 * mean_s) ** 2)
    estimate = spectrum.interval_spectrum(drifting[1:], 1000.0 * np.diff(drifting))
    assert spectrum.band_power(estimate, *LF_HZ) == pytest.approx(truth, rel=0.10)


def test_welch_is_scipys_where_segments_fit():
    rng = np.random.default_rng(6)
    series = rng.normal(0, 20, 1200)
    ours = spectrum.power_spectrum(series, 4.0, method="welch", segment_s=100.0)
    length = 2 * (ours.frequency_hz.size - 1)
    frequency, density = signal.welch(
        series, 4.0, "hann", 400, noverlap=200, nfft=length, detrend=False
    )
    assert ours.frequency_hz == pytest.approx(frequency)
    assert ours.density_ms2_per_hz == pytest.approx(density)


def test_lomb_scargle_on_even_times_is_the_multitaper_spectrum():
    rng = np.random.default_rng(9)
    series = rng.normal(0, 20, 512)
    series -= series.mean()
    even = spectrum.power_spectrum(series, 4.0)
    lomb = spectrum.power_spectrum(series, method="lomb_scargle", time_s=np.arange(512) / 4.0)
    assert lomb.frequency_hz == pytest.approx(even.frequency_hz[:-1])
    inner = slice(8, -8)
    assert lomb.density_ms2_per_hz[inner] == pytest.approx(
        even.density_ms2_per_hz[:-1][inner], rel=0.05, abs=1.0
    )


def test_lomb_scargle_with_one_taper_is_scipys_periodogram_of_the_tapered_series():
    rng = np.random.default_rng(10)
    times = np.cumsum(rng.uniform(0.7, 0.9, 200))
    series = rng.normal(0, 20, 200)
    series -= series.mean()
    ours = spectrum.power_spectrum(
        series, method="lomb_scargle", time_s=times, time_bandwidth=1.0, taper_count=1
    )
    taper = signal.windows.dpss(200, 1.0)
    step = (times[-1] - times[0]) / 199
    taper = np.interp(times - times[0], np.arange(200) * step, taper)
    taper /= np.sqrt((taper**2).sum())
    raw = signal.lombscargle(times, series * taper, 2 * np.pi * ours.frequency_hz[1:])
    assert ours.density_ms2_per_hz[1:] == pytest.approx(2 * step * 200 * raw)


@pytest.mark.parametrize("hr_bpm", [70.0, 120.0])
def test_we_are_nearer_the_truth_than_neurokit2_and_agree_where_it_is_right(hr_bpm):
    # normalize=False and five minutes: there it is right to a few percent.
    import neurokit2

    parts = ((0.10, 0.03, 0.4), (0.25, 0.03, 1.1))
    beats = tones(300.0, hr_bpm, *parts)
    truth = np.array([tone_power_ms2(f, a, hr_bpm) for f, a, _ in parts])
    peaks = np.round(1000.0 * beats).astype(int)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = neurokit2.hrv_frequency(peaks, sampling_rate=1000, normalize=False).iloc[0]
    other = np.array([theirs["HRV_LF"], theirs["HRV_HF"]])
    ours = np.array(lf_and_hf(spectrum.interval_spectrum(beats[1:], 1000.0 * np.diff(beats))))
    assert ours == pytest.approx(other, rel=0.04)
    assert np.abs(ours / truth - 1).max() < 0.03
