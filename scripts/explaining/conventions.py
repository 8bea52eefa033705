"""The same window under other published conventions: why another program gives another number.

A convention is said in a few words. It is a dictionary of what the outcome's own `measure` is given
instead, by name, with all that is made from it; or a function that makes the value itself.
Parameters of functions name what is asked for, as in measuring/inputs.py; `here` is the value of
this run.
"""

from dataclasses import replace

import numpy as np

from engine.listings import outcome_modules
from heart import spectrum, variability
from heart.repair.series import SAME_BEAT_S
from heart.spectrum import band_power, smoothness_priors_trend
from heart.variability import NotEnough
from measuring.inputs import noted_number
from recordings.time_axis import centred_mean
from results.estimate import Estimate

COMMON = "common practice, no source"
TASK_FORCE = "Task Force 1996"

# a convention that is not named here is common practice
SOURCES = {
    "between normal beats only": TASK_FORCE,
    "standard deviation of the differences (SDSD)": TASK_FORCE,
    "in % of LF + HF (normalised units)": TASK_FORCE,
    "in % of total power less power below LF": TASK_FORCE,
    "trend removed by smoothness priors": "Tarvainen et al. 2002",
    "from SDNN and SDSD": "Brennan et al. 2001, for long series",
    "scales 4 to 11": "Peng et al. 1995, other limits",
    "multitaper": "Thomson 1982",
    "welch": "Welch 1967",
    "autoregressive": "Burg, order 16",
    "lomb-scargle": "Scargle 1982",
}


def recorded_ms(beats, window):
    """Intervals as the recording has them, before any repair, that lie whole in the window."""
    time_s, rr_ms = (beats[name].to_numpy(float) for name in ("time_s", "rr_ms"))
    inside = (time_s - rr_ms / 1000 >= window.start_s - SAME_BEAT_S) & (
        time_s <= window.end_s + SAME_BEAT_S
    )
    chosen = rr_ms[inside & np.isfinite(rr_ms)]
    if chosen.size < 2:
        raise NotEnough("fewer than two intervals as recorded")
    return chosen


def recorded_differences_ms(beats, window):
    return np.diff(recorded_ms(beats, window))


def sdnn_without_trend_ms(nn_time_s, nn_ms, normal, detrending_regularisation):
    """SDNN about the slow trend of the evenly resampled series."""
    grid_s, even_ms = spectrum.resample_intervals(nn_time_s, nn_ms)
    trend_ms = smoothness_priors_trend(even_ms, regularisation=detrending_regularisation)
    return (nn_ms - np.interp(nn_time_s, grid_s, trend_ms))[normal].std(ddof=1)


def sd2_from_sdnn_ms(normal_nn_ms, differences_ms):
    return np.sqrt(max(2 * normal_nn_ms.var(ddof=1) - differences_ms.var(ddof=1) / 2, 0.0))


NORMALISED = "in % of LF + HF (normalised units)"


def normalised(band):
    """Power in a band, named as its setting, in % of LF and HF power."""

    def of_both(interval_spectrum, low_frequency_hz, high_frequency_hz):
        power = {
            "low_frequency_hz": band_power(interval_spectrum, *low_frequency_hz),
            "high_frequency_hz": band_power(interval_spectrum, *high_frequency_hz),
        }
        return 100 * power[band] / sum(power.values())

    return of_both


def hf_of_total_pct(interval_spectrum, low_frequency_hz, high_frequency_hz):
    total = band_power(interval_spectrum, low_frequency_hz[0], high_frequency_hz[1])
    return 100 * band_power(interval_spectrum, *high_frequency_hz) / total


def at_rate(rate_hz):
    """Another rate of resampling; the cut-off of the trend goes with its square."""

    def same_cut_off(resampling_hz, detrending_regularisation):
        return detrending_regularisation * (rate_hz / resampling_hz) ** 2

    return {"resampling_hz": rate_hz, "detrending_regularisation": same_cut_off}


SPECTRA = {
    **{
        name.replace("_", "-"): {"spectrum_method": name}
        for name in ("multitaper", "welch", "autoregressive", "lomb_scargle")
    },
    "trend not removed, mean only": {"detrending_regularisation": None},
    **{
        f"resampled at {rate_hz:g} Hz, same cut-off of the trend": at_rate(rate_hz)
        for rate_hz in (2.0, 8.0)
    },
}

RATE_RECOVERY = {
    **{
        f"means over {s:g} and {s:g} s": {"end_rate_window_s": s, "recovery_rate_window_s": s}
        for s in (5.0, 10.0, 15.0)
    },
    "counted from the end of the set, whatever the cuff does": {
        "window": lambda window, set_end_s: replace(window, start_s=set_end_s)
    },
}


def usable(time_s, smo2_pct, start_s, end_s):
    """Times (s) and usable readings of saturation (%) between two moments."""
    inside = (time_s >= start_s) & (time_s <= end_s) & np.isfinite(smo2_pct)
    if not inside.any():
        raise NotEnough("no usable reading")
    return time_s[inside], smo2_pct[inside]


def trailing_nadir_pct(time_s, smo2_pct, set_start_s, set_end_s, nadir_window_s):
    """Lowest mean over the time before each moment of the set."""
    mean_pct = centred_mean(time_s, smo2_pct, nadir_window_s)
    return usable(time_s + nadir_window_s / 2, mean_pct, set_start_s, set_end_s)[1].min()


def median_rest_pct(time_s, smo2_pct, baseline_end_s, saturation_baseline_s):
    start_s = baseline_end_s - saturation_baseline_s
    return np.median(usable(time_s, smo2_pct, start_s, baseline_end_s)[1])


def lowest_reading_pct(time_s, smo2_pct, set_start_s, set_end_s):
    return usable(time_s, smo2_pct, set_start_s, set_end_s)[1].min()


def drop_to_lowest_reading_pct(smo2_baseline, time_s, smo2_pct, set_start_s, set_end_s):
    return smo2_baseline.value - lowest_reading_pct(time_s, smo2_pct, set_start_s, set_end_s)


def last_reading_pct(time_s, smo2_pct, set_start_s, set_end_s):
    return usable(time_s, smo2_pct, set_start_s, set_end_s)[1][-1]


def slope_to_nadir_pct_per_s(time_s, smo2_pct, set_start_s, smo2_nadir):
    first_pct = usable(time_s, smo2_pct, set_start_s, smo2_nadir.at_s)[1][0]
    return (smo2_nadir.value - first_pct) / (smo2_nadir.at_s - set_start_s)


def area_of_readings_pct_s(time_s, smo2_pct, set_start_s, set_end_s, smo2_baseline):
    time_s, smo2_pct = usable(time_s, smo2_pct, set_start_s, set_end_s)
    below_pct = np.maximum(smo2_baseline.value - smo2_pct, 0.0)
    return below_pct.sum() * np.median(np.diff(time_s))


def readings_in_band_s(time_s, smo2_pct, set_start_s, set_end_s, failure_band_pct):
    time_s, smo2_pct = usable(time_s, smo2_pct, set_start_s, set_end_s)
    inside = (smo2_pct >= failure_band_pct[0]) & (smo2_pct <= failure_band_pct[1])
    return inside.sum() * np.median(np.diff(time_s))


def half_time_from_set_end_s(here, window, set_end_s):
    return replace(here, value=here.value + window.start_s - set_end_s)


def highest_reading_less_rest_pct(time_s, smo2_pct, window, smo2_baseline):
    return usable(time_s, smo2_pct, window.start_s, window.end_s)[1].max() - smo2_baseline.value


def means(words, setting, lengths_s, **also):
    """The same mean or line over other lengths, which stand in the words."""
    return {words.format(s): {setting: s} | also for s in lengths_s}


RECORDED = "as recorded, nothing repaired"

ALONE = {"ripple_hz": None}

# by outcome
CONVENTIONS = {
    "mean_hr_bpm": {
        "mean of 60,000 / interval": lambda nn_ms: np.mean(60_000 / nn_ms),
        "beats in the window divided by its length": lambda nn_ms, window: (
            60 * (nn_ms.size + 1) / window.duration_s
        ),
        RECORDED: {"nn_ms": recorded_ms},
    },
    "mean_nn_ms": {
        "between normal beats only": {"nn_ms": lambda normal_nn_ms: normal_nn_ms},
        "median": lambda nn_ms: np.median(nn_ms),
        RECORDED: {"nn_ms": recorded_ms},
    },
    "sdnn_ms": {
        "divided by n": lambda normal_nn_ms: normal_nn_ms.std(),
        "repaired intervals as well": {"normal_nn_ms": lambda nn_ms: nn_ms},
        "trend removed by smoothness priors": sdnn_without_trend_ms,
        RECORDED: {"normal_nn_ms": recorded_ms},
    },
    "rmssd_ms": {
        "across repaired beats as well": {"differences_ms": lambda nn_ms: np.diff(nn_ms)},
        "standard deviation of the differences (SDSD)": lambda differences_ms: differences_ms.std(
            ddof=1
        ),
        RECORDED: {"differences_ms": recorded_differences_ms},
    },
    "pnn50_pct": {
        "over the number of differences": {
            "normal_beats": lambda differences_ms: len(differences_ms)
        },
        f"{RECORDED}, over the number of differences": {
            "differences_ms": recorded_differences_ms,
            "normal_beats": lambda beats, window: len(recorded_differences_ms(beats, window)),
        },
    },
    "sd1_ms": {
        "RMSSD over the square root of 2": lambda differences_ms: (
            variability.rmssd_ms(differences_ms) / np.sqrt(2)
        )
    },
    "sd2_ms": {"from SDNN and SDSD": sd2_from_sdnn_ms},
    "dfa_alpha1": {"scales 4 to 11": lambda nn_ms: variability.dfa_alpha1(nn_ms, longest_scale=11)},
    "lf_power_ms2": SPECTRA | {NORMALISED: normalised("low_frequency_hz")},
    "hf_power_ms2": SPECTRA | {NORMALISED: normalised("high_frequency_hz")},
    "total_power_ms2": SPECTRA,
    "hf_nu_pct": SPECTRA | {"in % of total power less power below LF": hf_of_total_pct},
    "lf_hf_ratio": SPECTRA,
    "peak_hr_bpm": {
        "shortest interval": lambda nn_ms: 60_000 / nn_ms.min(),
        **means("fastest {:g} s", "peak_window_s", (3.0, 5.0, 10.0, 30.0)),
    },
    "hrr_30_bpm": RATE_RECOVERY,
    "hrr_60_bpm": RATE_RECOVERY,
    "smo2_nadir_pct": {
        "lowest single reading": lowest_reading_pct,
        **means("centred mean over {:g} s", "nadir_window_s", (3.0, 5.0, 10.0), **ALONE),
        "trailing mean, which lags": trailing_nadir_pct,
    },
    "smo2_baseline_pct": {
        **means("last {:g} s", "saturation_baseline_s", (30.0, 60.0, 120.0)),
        "median of the readings": median_rest_pct,
    },
    "smo2_drop_pct": {
        "in % of the resting level": lambda here, smo2_baseline: (
            100 * here.value / smo2_baseline.value
        ),
        "rest less the lowest single reading": drop_to_lowest_reading_pct,
    },
    "smo2_end_pct": {
        "last single reading": last_reading_pct,
        **means("last {:g} s", "end_window_s", (3.0, 5.0, 10.0), **ALONE),
    },
    "desaturation_slope_pct_per_s": {
        **means("line over {:g} s alone", "slope_window_s", (10.0, 15.0, 20.0), **ALONE),
        "from the first reading to the nadir": slope_to_nadir_pct_per_s,
    },
    "area_below_baseline_pct_s": {
        "readings below the level times the sampling step": area_of_readings_pct_s
    },
    "time_in_failure_band_s": {
        "without hysteresis": {"failure_band_hysteresis_pct": 0.0},
        "readings in the band times the sampling step": readings_in_band_s,
    },
    "reoxygenation_half_time_s": {
        "half-way to the baseline": {"half_time_to": "baseline"},
        "half-way to the peak": {"half_time_to": "peak"},
        "counted from the end of the set, whatever the cuff does": half_time_from_set_end_s,
    },
    "reoxygenation_tau_s": {
        "with hardly any delay (0.1 s)": {"longest_recovery_delay_s": 0.1},
    },
    "overshoot_pct": {"highest single reading less rest": highest_reading_less_rest_pct},
    "contraction_count": {
        "as noted on the session sheet": lambda event: noted_number(event, "reps_done")
    },
}


def other_conventions(outcome, window, inputs):
    """(convention, source, value or the reason why there is none) of an outcome in its window.

    The first is that of the run.
    """
    if outcome not in CONVENTIONS:
        return
    measure = outcome_modules()[outcome].measure
    try:
        here = inputs.call(measure)
    except NotEnough as reason:
        yield "every convention", "", str(reason)
        return
    yield "as here", "the definition above", _number_or_reason(here)
    for says, convention in CONVENTIONS[outcome].items():
        try:
            if callable(convention):
                measured = inputs.under({"here": here}).call(convention)
            else:
                measured = inputs.under(convention).call(measure)
            shown = _number_or_reason(measured)
        except NotEnough as reason:
            shown = str(reason)
        yield says, SOURCES.get(says, COMMON), shown


def _number_or_reason(measured):
    if isinstance(measured, Estimate):
        return measured.value if measured.usable else measured.reason
    return float(measured)
