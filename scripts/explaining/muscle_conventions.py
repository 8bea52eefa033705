"""Other published conventions of outcomes of the muscle, from the same readings of saturation."""

import numpy as np

from heart.variability import NotEnough
from muscle import desaturation, levels, recovery
from recordings.time_axis import centred_mean

COMMON = "common practice, no source"


def _readings(inputs, start_s, end_s):
    """Usable readings of saturation between two moments."""
    time_s, smo2_pct = inputs["time_s"], inputs["smo2_pct"]
    inside = (time_s >= start_s) & (time_s <= end_s) & np.isfinite(smo2_pct)
    if not inside.any():
        raise NotEnough("no usable reading")
    return time_s[inside], smo2_pct[inside]


def _set_readings(inputs):
    return _readings(inputs, inputs["set_start_s"], inputs["set_end_s"])[1]


def _nadir(window, inputs):
    limits = (inputs["set_start_s"], inputs["set_end_s"])

    def centred(seconds, *, whole):
        return lambda: levels.nadir(
            inputs["time_s"],
            inputs["smo2_pct"],
            *limits,
            window_s=seconds,
            min_usable_share=inputs["usable_share"],
            contraction_rate_hz=inputs["ripple_hz"] if whole else None,
        )

    def trailing():
        time_s, smo2_pct = inputs["time_s"], inputs["smo2_pct"]
        seconds = inputs["nadir_window_s"]
        mean = centred_mean(time_s, smo2_pct, seconds)
        ends_s = time_s + seconds / 2
        inside = (ends_s >= limits[0]) & (ends_s <= limits[1]) & np.isfinite(mean)
        if not inside.any():
            raise NotEnough("no mean without a gap")
        return mean[inside].min()

    here_s = inputs["nadir_window_s"]
    yield f"{here_s:g} s and whole contractions, as here", COMMON, centred(here_s, whole=True)
    yield "lowest single reading", COMMON, lambda: _set_readings(inputs).min()
    for seconds in dict.fromkeys((3.0, 5.0, 10.0, here_s)):
        yield f"centred mean over {seconds:g} s", COMMON, centred(seconds, whole=False)
    yield f"trailing mean over {here_s:g} s, which lags", COMMON, trailing


def _rest(window, inputs):
    end_s = inputs["baseline_end_s"]

    def over(seconds):
        return lambda: levels.baseline(
            inputs["time_s"],
            inputs["smo2_pct"],
            end_s,
            window_s=seconds,
            min_usable_share=inputs["usable_share"],
        )

    here_s = inputs["saturation_baseline_s"]
    yield f"last {here_s:g} s, as here", COMMON, over(here_s)
    for seconds in (30.0, 60.0, 120.0):
        if seconds != here_s:
            yield f"last {seconds:g} s", COMMON, over(seconds)
    yield (
        f"median of the readings of the last {here_s:g} s",
        COMMON,
        lambda: np.median(_readings(inputs, end_s - here_s, end_s)[1]),
    )


def _drop(window, inputs):
    def relative():
        rest, nadir = inputs["smo2_baseline"], inputs["smo2_nadir"]
        return levels.drop(rest, nadir).value / rest.value * 100

    return (
        (
            "rest less nadir, in points, as here",
            COMMON,
            lambda: levels.drop(inputs["smo2_baseline"], inputs["smo2_nadir"]),
        ),
        ("in % of the resting level", COMMON, relative),
        (
            "rest less the lowest single reading",
            COMMON,
            lambda: inputs["smo2_baseline"].value - _set_readings(inputs).min(),
        ),
    )


def _end(window, inputs):
    def over(seconds, *, whole):
        return lambda: levels.end_level(
            inputs["time_s"],
            inputs["smo2_pct"],
            inputs["set_end_s"],
            window_s=seconds,
            min_usable_share=inputs["usable_share"],
            contraction_rate_hz=inputs["ripple_hz"] if whole else None,
        )

    here_s = inputs["end_window_s"]
    yield f"{here_s:g} s and whole contractions, as here", COMMON, over(here_s, whole=True)
    yield "last single reading", COMMON, lambda: _set_readings(inputs)[-1]
    for seconds in dict.fromkeys((3.0, 5.0, 10.0, here_s)):
        yield f"last {seconds:g} s", COMMON, over(seconds, whole=False)


def _slope(window, inputs):
    def over(seconds, *, beside_ripple):
        return lambda: desaturation.desaturation_slope(
            inputs["time_s"],
            inputs["smo2_pct"],
            inputs["set_start_s"],
            window_s=seconds,
            min_usable_share=inputs["usable_share"],
            contraction_rate_hz=inputs["ripple_hz"] if beside_ripple else None,
        )

    def to_nadir():
        nadir = inputs["smo2_nadir"]
        first = _readings(inputs, inputs["set_start_s"], nadir.at_s)[1][0]
        return (nadir.value - first) / (nadir.at_s - inputs["set_start_s"])

    here_s = inputs["slope_window_s"]
    yield (
        f"line over {here_s:g} s beside the ripple, as here",
        COMMON,
        over(here_s, beside_ripple=True),
    )
    for seconds in dict.fromkeys((10.0, 15.0, 20.0, here_s)):
        yield f"line over {seconds:g} s alone", COMMON, over(seconds, beside_ripple=False)
    yield "from the first reading to the nadir", COMMON, to_nadir


def _area(window, inputs):
    def of_readings():
        time_s, smo2_pct = _readings(inputs, inputs["set_start_s"], inputs["set_end_s"])
        below = np.maximum(inputs["smo2_baseline"].value - smo2_pct, 0.0)
        return below.sum() * np.median(np.diff(time_s))

    yield (
        "under straight lines, as here",
        COMMON,
        lambda: desaturation.area_below(
            inputs["time_s"],
            inputs["smo2_pct"],
            inputs["set_start_s"],
            inputs["set_end_s"],
            level_pct=inputs["smo2_baseline"],
            min_usable_share=inputs["usable_share"],
        ),
    )
    yield "readings below the level times the sampling step", COMMON, of_readings


def _band(window, inputs):
    low, high = inputs["failure_band_pct"]

    def with_hysteresis(points):
        return lambda: desaturation.time_in_band_s(
            inputs["time_s"],
            inputs["smo2_pct"],
            inputs["set_start_s"],
            inputs["set_end_s"],
            low_pct=low,
            high_pct=high,
            hysteresis_pct=points,
            min_usable_share=inputs["usable_share"],
        )

    def of_readings():
        time_s, smo2_pct = _readings(inputs, inputs["set_start_s"], inputs["set_end_s"])
        inside = (smo2_pct >= low) & (smo2_pct <= high)
        return inside.sum() * np.median(np.diff(time_s))

    here = inputs["failure_band_hysteresis_pct"]
    yield f"hysteresis of {here:g} points, as here", COMMON, with_hysteresis(here)
    yield "without hysteresis", COMMON, with_hysteresis(0.0)
    yield "readings in the band times the sampling step", COMMON, of_readings


def _half_time(window, inputs):
    def to(target):
        return lambda: recovery.half_time(
            inputs["time_s"],
            inputs["smo2_pct"],
            window.start_s,
            window.end_s,
            nadir_pct=inputs["smo2_nadir"],
            target_pct=target(),
            window_s=inputs["nadir_window_s"],
            min_usable_share=inputs["usable_share"],
        )

    def peak():
        return recovery.peak_level(
            inputs["time_s"],
            inputs["smo2_pct"],
            window.start_s,
            window.end_s,
            window_s=inputs["nadir_window_s"],
            min_usable_share=inputs["usable_share"],
        )

    def from_set_end():
        half_time = to(lambda: inputs["recovery_target"])()
        if not half_time.usable:
            raise NotEnough(half_time.reason)
        return half_time.value + window.start_s - inputs["set_end_s"]

    levels_to = {"baseline": lambda: inputs["smo2_baseline"], "peak": peak}
    here = inputs["half_time_to"]
    yield f"half-way to the {here}, as here", COMMON, to(levels_to.pop(here))
    for name, level in levels_to.items():
        yield f"half-way to the {name}", COMMON, to(level)
    yield "counted from the end of the set, whatever the cuff does", COMMON, from_set_end


def _tau(window, inputs):
    def fitted(longest_delay_s):
        return lambda: (
            recovery.exponential_recovery(
                inputs["time_s"],
                inputs["smo2_pct"],
                window.start_s,
                window.end_s,
                longest_delay_s=longest_delay_s,
                min_r2=inputs["smallest_recovery_r2"],
                largest_tau_se_share=inputs["largest_tau_error"],
                min_usable_share=inputs["usable_share"],
                at_rest=inputs["at_rest"],
            ).tau
        )

    here_s = inputs["longest_recovery_delay_s"]
    yield f"with a delay of up to {here_s:g} s, as here", COMMON, fitted(here_s)
    yield "with hardly any delay (0.1 s)", COMMON, fitted(0.1)


def _overshoot(window, inputs):
    def of_readings():
        highest = _readings(inputs, window.start_s, window.end_s)[1].max()
        return highest - inputs["smo2_baseline"].value

    yield (
        f"centred mean over {inputs['nadir_window_s']:g} s less rest, as here",
        COMMON,
        lambda: levels.overshoot(
            inputs["time_s"],
            inputs["smo2_pct"],
            window.start_s,
            window.end_s,
            baseline_pct=inputs["smo2_baseline"],
            window_s=inputs["nadir_window_s"],
            min_usable_share=inputs["usable_share"],
        ),
    )
    yield "highest single reading less rest", COMMON, of_readings


def _count(window, inputs):
    def noted():
        reps = inputs["event"].reps_done
        if reps is None or np.isnan(float(reps)):
            raise NotEnough("not noted on the session sheet")
        return float(reps)

    yield "from the ripple of saturation, as here", COMMON, lambda: inputs["contractions"].count
    yield "as noted on the session sheet", COMMON, noted


OF_MUSCLE = {
    "smo2_nadir_pct": _nadir,
    "smo2_baseline_pct": _rest,
    "smo2_drop_pct": _drop,
    "smo2_end_pct": _end,
    "desaturation_slope_pct_per_s": _slope,
    "area_below_baseline_pct_s": _area,
    "time_in_failure_band_s": _band,
    "reoxygenation_half_time_s": _half_time,
    "reoxygenation_tau_s": _tau,
    "overshoot_pct": _overshoot,
    "contraction_count": _count,
}
