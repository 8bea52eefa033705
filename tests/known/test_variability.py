"""Time-domain numbers against worked series, published values and another program."""

from __future__ import annotations

import numpy as np
import pytest

from heart import variability

# Worked by hand from the definitions of the Task Force 1996, Eur Heart J 17:354.
WORKED_MS = np.array([800.0, 810.0, 790.0, 805.0, 795.0, 815.0, 785.0, 800.0])


def test_the_worked_series_gives_the_numbers_of_the_definitions():
    differences = variability.successive_differences_ms(WORKED_MS)
    assert differences.tolist() == [10, -20, 15, -10, 20, -30, 15]
    assert variability.mean_nn_ms(WORKED_MS) == pytest.approx(800.0)
    assert variability.mean_hr_bpm(WORKED_MS) == pytest.approx(75.0)
    assert variability.sdnn_ms(WORKED_MS) == pytest.approx(10.0)
    # sqrt((100 + 400 + 225 + 100 + 400 + 900 + 225) / 7)
    assert variability.rmssd_ms(differences) == pytest.approx(np.sqrt(2350.0 / 7.0))
    assert variability.sd1_ms(WORKED_MS) == pytest.approx(13.994046, abs=1e-6)
    # From the points; the asymptotic identity of Brennan et al. 2001 would say 2.04.
    assert variability.sd2_ms(WORKED_MS) == pytest.approx(6.123724, abs=1e-6)


def test_the_share_of_large_differences_is_of_all_intervals():
    # One difference in seven exceeds 50 ms; the Task Force divides by the eight intervals.
    differences = 2.5 * variability.successive_differences_ms(WORKED_MS)
    assert variability.pnn50_pct(differences, interval_count=8) == pytest.approx(12.5)
    assert variability.pnn50_pct([49.0, 50.0, -51.0], interval_count=4) == pytest.approx(25.0)


def test_mean_heart_rate_is_beats_over_time_and_not_the_mean_of_rates():
    # 600 and 1200 ms in turn: 66.7 per minute, where the mean of 60000/NN says 75.
    assert variability.mean_hr_bpm([600.0, 1200.0] * 10) == pytest.approx(200.0 / 3.0)


def test_one_missed_beat_in_a_minute_more_than_trebles_rmssd():
    # RMSSD 40 ms at 75 per minute; a beat lost makes one interval of 1600 ms:
    # sqrt(40^2 + 2 x 800^2 / 74) = 137.
    nn_ms = 800.0 + 20.0 * (-1.0) ** np.arange(75)
    clean = variability.rmssd_ms(variability.successive_differences_ms(nn_ms))
    lost = np.concatenate([nn_ms[:40], [nn_ms[40] + nn_ms[41]], nn_ms[42:]])
    spoilt = variability.rmssd_ms(variability.successive_differences_ms(lost))
    assert clean == pytest.approx(40.0)
    assert spoilt == pytest.approx(137.0, abs=3.0)


@pytest.mark.parametrize(("beats", "spread"), [(120, 0.084), (300, 0.050), (1000, 0.028)])
def test_white_noise_has_alpha1_of_058_at_scales_4_to_16(beats, spread):
    # Finite boxes raise it from 0.50: 0.579-0.582, spread 0.084, 0.050, 0.028 (own simulation by
    # another implementation; no publication found). 150 series know their mean to spread / 12.
    rng = np.random.default_rng(7)
    alpha = [variability.dfa_alpha1(800 + 20 * rng.normal(size=beats)) for _ in range(150)]
    assert np.mean(alpha) == pytest.approx(0.58, abs=3 * spread / np.sqrt(150))
    assert np.std(alpha) == pytest.approx(spread, rel=0.25)


def test_a_random_walk_has_alpha1_of_one_and_a_half():
    # Peng et al. 1995, Chaos 5:82: alpha 1.5 for the integral of white noise.
    rng = np.random.default_rng(8)
    walks = [variability.dfa_alpha1(5000 + np.cumsum(rng.normal(size=300))) for _ in range(150)]
    assert np.mean(walks) == pytest.approx(1.5, abs=0.02)


def test_intrinsic_rate_is_that_of_jose_and_collison():
    # 118.1 - 0.57 age, 14 % either side below 45 years (Jose & Collison 1970, Cardiovasc Res
    # 4:160; limits from memory).
    assert variability.highest_intrinsic_hr_bpm(25) == pytest.approx(118.389)
    assert variability.highest_intrinsic_hr_bpm(40) == pytest.approx(1.14 * 95.3)
    assert variability.highest_intrinsic_hr_bpm(50) == pytest.approx(1.18 * 89.6)


def test_time_domain_numbers_agree_with_neurokit2():
    import neurokit2

    rng = np.random.default_rng(4)
    nn_ms = np.round(850 + 40 * np.sin(np.arange(300) / 2.2) + rng.normal(0, 15, 300))
    peaks = np.concatenate([[0], np.cumsum(nn_ms)]).astype(int)
    theirs = neurokit2.hrv_time(peaks, sampling_rate=1000).iloc[0]
    differences = variability.successive_differences_ms(nn_ms)
    assert variability.mean_nn_ms(nn_ms) == pytest.approx(theirs["HRV_MeanNN"])
    assert variability.sdnn_ms(nn_ms) == pytest.approx(theirs["HRV_SDNN"])
    assert variability.rmssd_ms(differences) == pytest.approx(theirs["HRV_RMSSD"])
    assert variability.pnn50_pct(differences, interval_count=300) == pytest.approx(
        theirs["HRV_pNN50"]
    )
    alpha, _ = neurokit2.fractal_dfa(nn_ms, scale=np.arange(4, 17), overlap=False)
    assert variability.dfa_alpha1(nn_ms) == pytest.approx(alpha, abs=0.03)
