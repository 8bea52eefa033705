"""Numbers of one person and one window with the sampling error that such a window has.

An interval is that of the person's long-run value, of which the window is one sample; error and
interval are NaN where the window is too short to tell.
"""

from math import exp, sqrt

import numpy as np
from numpy.typing import ArrayLike

from heart.spectrum import Spectrum, band_degrees_of_freedom, band_power, band_power_interval
from heart.variability import NotEnough, rmssd_ms, rmssd_sampling_error, sdnn_ms
from results.estimate import NORMAL_QUANTILE, Estimate


def precise_rmssd_ms(differences_ms: ArrayLike) -> Estimate:
    """RMSSD with the error of a window of this length, from the spread of ln RMSSD.

    `differences_ms` as from `variability.successive_differences_ms`. See
    `variability.rmssd_sampling_error` for the method.
    """
    return _on_log_scale(rmssd_ms(differences_ms), differences_ms)


def precise_sdnn_ms(nn_ms: ArrayLike) -> Estimate:
    """SDNN with the error of a window of this length, from the spread of ln SDNN.

    `nn_ms`: intervals between normal beats. The method is that of `rmssd_sampling_error`, applied
    to the intervals about their mean; slow oscillation leaves few degrees of freedom.
    """
    statistic = sdnn_ms(nn_ms)
    centred = np.asarray(nn_ms, dtype=float) - np.mean(nn_ms)
    return _on_log_scale(statistic, centred)


def _on_log_scale(statistic, series):
    try:
        error = rmssd_sampling_error(series)
    except NotEnough:
        return Estimate(statistic)
    spread = exp(NORMAL_QUANTILE * error)
    low, high = statistic / spread, statistic * spread
    return Estimate(statistic, statistic * error, ci_low=low, ci_high=high)


def precise_band_power_ms2(spectrum: Spectrum, low_hz: float, high_hz: float) -> Estimate:
    """Power in a band with its chi-square interval; the standard error is value sqrt(2 / nu).

    See `spectrum.band_power_interval` for the degrees of freedom nu.
    """
    power = float(band_power(spectrum, low_hz, high_hz))
    freedom = float(band_degrees_of_freedom(spectrum, low_hz, high_hz))
    low, high = band_power_interval(spectrum, low_hz, high_hz)
    return Estimate(power, power * sqrt(2 / freedom), ci_low=float(low), ci_high=float(high))
