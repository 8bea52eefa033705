"""Other published conventions of outcomes of the heart, from the beats of the same window."""

import numpy as np

from heart import spectrum, variability
from heart.repair.series import SAME_BEAT_S
from heart.spectrum import band_power, smoothness_priors_trend
from heart.variability import NotEnough

TASK_FORCE = "Task Force 1996"

COMMON = "common practice, no source"


def _as_recorded_ms(window, inputs):
    """Intervals as the recording has them, before any repair, that lie whole in the window."""
    beats = inputs["beats"]
    time_s, rr_ms = (beats[name].to_numpy(float) for name in ("time_s", "rr_ms"))
    inside = (time_s - rr_ms / 1000 >= window.start_s - SAME_BEAT_S) & (
        time_s <= window.end_s + SAME_BEAT_S
    )
    chosen = rr_ms[inside & np.isfinite(rr_ms)]
    if chosen.size < 2:
        raise NotEnough("fewer than two intervals as recorded")
    return chosen


def _mean_hr(window, inputs):
    return (
        ("60,000 / mean interval, as here", TASK_FORCE, lambda: 60_000 / inputs["nn_ms"].mean()),
        ("mean of 60,000 / interval", COMMON, lambda: np.mean(60_000 / inputs["nn_ms"])),
        (
            "beats in the window divided by its length",
            COMMON,
            lambda: 60 * (inputs["nn_ms"].size + 1) / window.duration_s,
        ),
        (
            "as recorded, nothing repaired",
            COMMON,
            lambda: 60_000 / _as_recorded_ms(window, inputs).mean(),
        ),
    )


def _mean_nn(window, inputs):
    return (
        (
            "all intervals of the repaired series, as here",
            TASK_FORCE,
            lambda: inputs["nn_ms"].mean(),
        ),
        ("between normal beats only", TASK_FORCE, lambda: inputs["normal_nn_ms"].mean()),
        ("median", COMMON, lambda: np.median(inputs["nn_ms"])),
        (
            "as recorded, nothing repaired",
            COMMON,
            lambda: _as_recorded_ms(window, inputs).mean(),
        ),
    )


def _sdnn(window, inputs):
    def without_trend():
        grid, even = spectrum.resample_intervals(inputs["nn_time_s"], inputs["nn_ms"])
        regularisation = inputs["detrending_regularisation"]
        trend = smoothness_priors_trend(even, regularisation=regularisation)
        rest = inputs["nn_ms"] - np.interp(inputs["nn_time_s"], grid, trend)
        return rest[inputs["normal"]].std(ddof=1)

    return (
        (
            "normal intervals, n - 1, as here",
            TASK_FORCE,
            lambda: inputs["normal_nn_ms"].std(ddof=1),
        ),
        ("divided by n", COMMON, lambda: inputs["normal_nn_ms"].std()),
        ("repaired intervals as well", COMMON, lambda: inputs["nn_ms"].std(ddof=1)),
        ("trend removed by smoothness priors", "Tarvainen et al. 2002", without_trend),
        (
            "as recorded, nothing repaired",
            COMMON,
            lambda: _as_recorded_ms(window, inputs).std(ddof=1),
        ),
    )


def _root_mean_square(differences):
    if differences.size < 1:
        raise NotEnough("no difference in this window")
    return float(np.sqrt(np.mean(differences**2)))


def _rmssd(window, inputs):
    return (
        (
            "between normal beats, over the number of differences, as here",
            TASK_FORCE,
            lambda: _root_mean_square(inputs["differences_ms"]),
        ),
        (
            "across repaired beats as well",
            COMMON,
            lambda: _root_mean_square(np.diff(inputs["nn_ms"])),
        ),
        (
            "standard deviation of the differences (SDSD)",
            TASK_FORCE,
            lambda: inputs["differences_ms"].std(ddof=1),
        ),
        (
            "as recorded, nothing repaired",
            COMMON,
            lambda: _root_mean_square(np.diff(_as_recorded_ms(window, inputs))),
        ),
    )


def _pnn50(window, inputs):
    def share(differences, n):
        if not n:
            raise NotEnough("no difference in this window")
        return 100 * float((np.abs(differences) > 50).sum()) / n

    return (
        (
            "over the number of normal intervals, as here",
            TASK_FORCE,
            lambda: share(inputs["differences_ms"], int(inputs["normal"].sum())),
        ),
        (
            "over the number of differences",
            COMMON,
            lambda: share(inputs["differences_ms"], inputs["differences_ms"].size),
        ),
        (
            "as recorded, nothing repaired, over the number of differences",
            COMMON,
            lambda: share(
                np.diff(_as_recorded_ms(window, inputs)),
                _as_recorded_ms(window, inputs).size - 1,
            ),
        ),
    )


def _sd1(window, inputs):
    return (
        (
            "from the points, n - 1, as here",
            "Brennan et al. 2001",
            lambda: variability.sd1_ms(inputs["nn_ms"], inputs["follows"]),
        ),
        (
            "RMSSD over the square root of 2",
            COMMON,
            lambda: _root_mean_square(inputs["differences_ms"]) / np.sqrt(2),
        ),
    )


def _sd2(window, inputs):
    def from_identity():
        sdnn, differences = inputs["normal_nn_ms"].std(ddof=1), inputs["differences_ms"]
        return np.sqrt(max(2 * sdnn**2 - differences.var(ddof=1) / 2, 0.0))

    return (
        (
            "from the points, n - 1, as here",
            "Brennan et al. 2001",
            lambda: variability.sd2_ms(inputs["nn_ms"], inputs["follows"]),
        ),
        ("from SDNN and SDSD", "Brennan et al. 2001, for long series", from_identity),
    )


def _dfa(window, inputs):
    return (
        (
            "scales 4 to 16, as here",
            "Peng et al. 1995",
            lambda: variability.dfa_alpha1(inputs["nn_ms"]),
        ),
        (
            "scales 4 to 11",
            "Peng et al. 1995, other limits",
            lambda: variability.dfa_alpha1(inputs["nn_ms"], longest_scale=11),
        ),
    )


def _spectra(window, inputs):
    """Spectra of the window by the chain of the run and by others, each with its words."""
    chosen = {
        "method": inputs["spectrum_method"],
        "rate_hz": inputs["resampling_hz"],
        "regularisation": inputs["detrending_regularisation"],
    }

    def by(**changes):
        return lambda: spectrum.interval_spectrum(
            inputs["nn_time_s"], inputs["nn_ms"], **(chosen | changes)
        )

    yield "as here", TASK_FORCE, by()
    for method, source in (
        ("multitaper", "Thomson 1982"),
        ("welch", "Welch 1967"),
        ("autoregressive", "Burg, order 16"),
        ("lomb_scargle", "Scargle 1982"),
    ):
        if method != chosen["method"]:
            yield method.replace("_", "-"), source, by(method=method)
    yield "trend not removed, mean only", COMMON, by(regularisation=None)
    for rate_hz in (2.0, 8.0):
        if rate_hz != chosen["rate_hz"]:
            # the cut-off of the trend goes with the square of the rate
            same_cut = chosen["regularisation"] * (rate_hz / chosen["rate_hz"]) ** 2
            yield (
                f"resampled at {rate_hz:g} Hz, same cut-off of the trend",
                COMMON,
                by(rate_hz=rate_hz, regularisation=same_cut),
            )


def _power(band, *, from_zero=False):
    """Conventions of the power in a band, which is a setting, or from zero to its upper limit."""

    def listed(window, inputs):
        low, high = inputs[band]
        low = 0.0 if from_zero else low
        for says, source, made in _spectra(window, inputs):
            yield says, source, lambda made=made: band_power(made(), low, high)
        if low > 0:

            def normalised():
                made = spectrum.interval_spectrum(
                    inputs["nn_time_s"],
                    inputs["nn_ms"],
                    method=inputs["spectrum_method"],
                    rate_hz=inputs["resampling_hz"],
                    regularisation=inputs["detrending_regularisation"],
                )
                lf, hf = _lf_and_hf(made, inputs)
                return 100 * band_power(made, low, high) / (lf + hf)

            yield "in % of LF + HF (normalised units)", TASK_FORCE, normalised

    return listed


def _lf_and_hf(made, inputs):
    return (
        band_power(made, *inputs["low_frequency_hz"]),
        band_power(made, *inputs["high_frequency_hz"]),
    )


def _hf_nu(window, inputs):
    for says, source, made in _spectra(window, inputs):

        def share(made=made):
            lf, hf = _lf_and_hf(made(), inputs)
            return 100 * hf / (lf + hf)

        yield says, source, share
    _, _, made = next(iter(_spectra(window, inputs)))

    def of_total():
        power = made()
        low, high = inputs["low_frequency_hz"][0], inputs["high_frequency_hz"][1]
        total = band_power(power, 0.0, high) - band_power(power, 0.0, low)
        return 100 * band_power(power, *inputs["high_frequency_hz"]) / total

    yield "in % of total power less power below LF", TASK_FORCE, of_total


def _lf_hf(window, inputs):
    for says, source, made in _spectra(window, inputs):

        def ratio(made=made):
            lf, hf = _lf_and_hf(made(), inputs)
            return lf / hf

        yield says, source, ratio


def _peak_hr(window, inputs):
    def over(seconds):
        return lambda: variability.peak_hr_bpm(
            inputs["nn_time_s"], inputs["nn_ms"], window_s=seconds
        )

    here_s = inputs["peak_window_s"]
    yield f"fastest {here_s:g} s, as here", COMMON, over(here_s)
    yield "shortest interval", COMMON, lambda: 60_000 / inputs["nn_ms"].min()
    for seconds in (3.0, 10.0, 30.0):
        if seconds != here_s:
            yield f"fastest {seconds:g} s", COMMON, over(seconds)


def _fall(after_s):
    def listed(window, inputs):
        def by(end_s, later_s):
            def fall():
                beat_time_s, nn_ms = inputs["session_nn"]
                moment_s, until_s = window.start_s + after_s, inputs["set_end_s"]
                return variability.window_hr_bpm(
                    beat_time_s, nn_ms, start_s=until_s - end_s, end_s=until_s
                ) - variability.window_hr_bpm(
                    beat_time_s, nn_ms, start_s=moment_s - later_s / 2, end_s=moment_s + later_s / 2
                )

            return fall

        here = (inputs["end_rate_window_s"], inputs["recovery_rate_window_s"])
        yield f"means over {here[0]:g} and {here[1]:g} s, as here", "Cole et al. 1999", by(*here)
        for widths in ((10.0, 10.0), (15.0, 15.0), (5.0, 5.0)):
            if widths != here:
                yield f"means over {widths[0]:g} and {widths[1]:g} s", COMMON, by(*widths)

        def from_set_end():
            beat_time_s, nn_ms = inputs["session_nn"]
            until_s, half_s = inputs["set_end_s"], here[1] / 2
            moment_s = until_s + after_s
            return variability.window_hr_bpm(
                beat_time_s, nn_ms, start_s=until_s - here[0], end_s=until_s
            ) - variability.window_hr_bpm(
                beat_time_s, nn_ms, start_s=moment_s - half_s, end_s=moment_s + half_s
            )

        yield "counted from the end of the set, whatever the cuff does", COMMON, from_set_end

    return listed


OF_HEART = {
    "mean_hr_bpm": _mean_hr,
    "mean_nn_ms": _mean_nn,
    "sdnn_ms": _sdnn,
    "rmssd_ms": _rmssd,
    "pnn50_pct": _pnn50,
    "sd1_ms": _sd1,
    "sd2_ms": _sd2,
    "dfa_alpha1": _dfa,
    "lf_power_ms2": _power("low_frequency_hz"),
    "hf_power_ms2": _power("high_frequency_hz"),
    "total_power_ms2": _power("high_frequency_hz", from_zero=True),
    "hf_nu_pct": _hf_nu,
    "lf_hf_ratio": _lf_hf,
    "peak_hr_bpm": _peak_hr,
    "hrr_30_bpm": _fall(30.0),
    "hrr_60_bpm": _fall(60.0),
}
