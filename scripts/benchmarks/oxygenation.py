"""How far muscle oxygenation results lie from the truth, by sampling rate, noise and ripple.

Settings are the default ones. Prints one TSV: sampling_rate_hz, noise_pct, ripple_pct, quantity,
unit, n, refused, bias, sd, largest (absolute) error, target, whether it is met (root mean square
error within it) and, for ends of sets, limit: about the least root mean square error that any
method can reach.
Run it as `python3.11 scripts/launch.py benchmark oxygenation [repeats]`.
"""

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from math import erfc, sqrt

import numpy as np
import pandas as pd

from benchmarks.defaults import (
    BASELINE_S,
    CADENCES,
    CLEANING,
    COURSE,
    LEAST_USABLE,
    NADIR_S,
    RECOVERY_FIT,
    SLOPE_S,
)
from demo.muscle_oxygen import SimulatedCuff, SimulatedOxygen, SimulatedSet, simulate_muscle_oxygen
from muscle import boundaries, cleaning, desaturation, levels, recovery
from muscle.contractions import find_contractions
from muscle.readings import Readings
from recordings.boundaries import compare_boundaries

RATES_HZ = (0.5, 1.0, 2.0, 10.0, 50.0)

# Accuracy that the project asks for; none is stated for the rest.
TARGETS = {
    "nadir": 1.0,
    "half_time": 1.0,
    "slope": 5.0,
    "set_start": 1.0,
    "set_end": 1.0,
    "contraction_count": 0.5,
}

UNITS = {
    "nadir": "pct",
    "half_time": "s",
    "tau": "s",
    "slope": "% of truth",
    "set_start": "s",
    "set_end": "s",
    "contraction_count": "contractions",
}


def simulated_session(
    rng: np.random.Generator, *, sampling_rate_hz: float, noise_pct: float, ripple_pct: float
) -> SimulatedOxygen:
    """Three sets of different depth and cadence under one cuff, full recovery after the last."""
    shift_s = rng.uniform(0.0, 3.0)
    sets = [
        SimulatedSet(120.0 + shift_s, 20, 3.0, 35.0),
        SimulatedSet(260.0 + shift_s, 15, 4.0, 30.0),
        SimulatedSet(400.0 + shift_s, 30, 2.0, 15.0),
    ]
    return simulate_muscle_oxygen(
        rng,
        sampling_rate_hz=sampling_rate_hz,
        duration_s=620.0,
        sets=sets,
        cuffs=[SimulatedCuff(390.0 + shift_s, 470.0 + shift_s)],
        # Circulation answers with a delay that no method knows.
        recovery_delay_s=rng.uniform(1.0, 7.0),
        ripple_pct=ripple_pct,
        noise_pct=noise_pct,
    )


def errors_of(simulated: SimulatedOxygen) -> Iterator[tuple[str, float]]:
    """Every quantity's error against the truth; NaN where it was refused or not found."""
    readings = simulated.readings
    cleaned = cleaning.clean_saturation(readings["time_s"], readings["smo2_pct"], **CLEANING)
    trace = Readings(cleaned["time_s"], cleaned["smo2_pct"], LEAST_USABLE)
    sampled = trace.time, trace.reading
    first_s = simulated.sets["onset_s"].iloc[0]
    base = levels.baseline(trace, first_s, window_s=BASELINE_S)
    for truth in simulated.sets.itertuples():
        window = (truth.onset_s, truth.offset_s)
        cadence_hz = truth.contractions / (truth.offset_s - truth.onset_s)
        contractions = find_contractions(
            *(*sampled, *window),
            noted_rate_hz=cadence_hz,
            min_usable_share=LEAST_USABLE,
            **CADENCES,
        )
        yield "contraction_count", contractions.count.value - truth.contractions
        rippling = replace(trace, ripple_hz=contractions.rate_hz.value)
        lowest = levels.nadir(rippling, *window, window_s=NADIR_S)
        yield "nadir", lowest.value - truth.nadir_pct
        slope = desaturation.desaturation_slope(rippling, window[0], window_s=SLOPE_S)
        yield "slope", 100 * (slope.value / truth.slope_pct_per_s - 1)
        after = (truth.release_s, truth.release_s + 70.0)
        half = recovery.half_time(
            trace, *after, nadir_pct=lowest, target_pct=base, window_s=NADIR_S
        )
        yield "half_time", half.value - truth.half_time_s
        tau = recovery.exponential_tau(trace, *after, **RECOVERY_FIT)
        yield "tau", tau.value - truth.tau_s
    proposals = boundaries.propose_boundaries(*sampled, **CADENCES, **COURSE)
    of_sets = simulated.boundaries[simulated.boundaries["boundary"].str.startswith("set")]
    compared = pd.DataFrame(
        compare_boundaries(of_sets, proposals, tolerance_s=1.0, farthest_s=15.0)
    )
    for row in compared[compared["log_s"].notna()].itertuples():
        yield row.boundary, row.difference_s


def error_table(repeats: int) -> pd.DataFrame:
    """Bias, scatter and largest error of every quantity in every setting."""
    settings = [(rate_hz, noise_pct, 2.0) for rate_hz in RATES_HZ for noise_pct in (0.5, 1.0, 2.0)]
    settings += [(rate_hz, 1.0, 4.0) for rate_hz in RATES_HZ]
    summaries = []
    for rate_hz, noise_pct, ripple_pct in settings:
        errors = defaultdict(list)
        for seed in range(repeats):
            simulated = simulated_session(
                np.random.default_rng(seed),
                sampling_rate_hz=rate_hz,
                noise_pct=noise_pct,
                ripple_pct=ripple_pct,
            )
            for quantity, error in errors_of(simulated):
                errors[quantity].append(error)
        for quantity, of_quantity in errors.items():
            summaries.append(
                {
                    "sampling_rate_hz": rate_hz,
                    "noise_pct": noise_pct,
                    "ripple_pct": ripple_pct,
                    "quantity": quantity,
                    "unit": UNITS[quantity],
                    **summary(np.array(of_quantity), TARGETS.get(quantity)),
                    "limit": least_error_of_set_end_s(rate_hz, noise_pct, ripple_pct)
                    if quantity == "set_end"
                    else float("nan"),
                }
            )
    return pd.DataFrame(summaries)


def least_error_of_set_end_s(rate_hz: float, noise_pct: float, ripple_pct: float) -> float:
    """About the least root mean square error of the end of a set that any method can reach.

    An end that is one contraction off differs in the readings of that contraction only, so that the
    best test takes it for the right one with a chance of Q(d/2), d the root of its summed squares
    over the noise, on either side. With fewer than 2.5 readings per contraction no ripple is to be
    seen, and the delay of circulation (uniform over 6 s here) is all that is left.
    """
    squares = []
    for contraction_s in (2.0, 3.0, 4.0):
        readings = rate_hz * contraction_s
        if readings < CADENCES["min_samples_per_contraction"]:
            squares.append(6.0**2 / 12)
            continue
        apart = ripple_pct / noise_pct * sqrt(readings / 2)
        squares.append(min(erfc(apart / 2 / sqrt(2)) * contraction_s**2, 6.0**2 / 12))
    return sqrt(sum(squares) / 3)


def summary(error: np.ndarray, target: float | None) -> dict:
    """One row's numbers; a target is met when the root mean square error lies within it."""
    known = error[np.isfinite(error)]
    row = {"n": len(known), "refused": len(error) - len(known)}
    nothing = float("nan")
    if not len(known):
        numbers = {"bias": nothing, "sd": nothing, "largest": nothing}
        return row | numbers | {"target": target, "met": "refused"}
    rms = float(np.sqrt(np.mean(known**2)))
    met = "n/a" if target is None else "yes" if rms <= target else "no"
    numbers = {"bias": known.mean(), "sd": known.std(), "largest": np.abs(known).max()}
    return row | numbers | {"target": target, "met": met}


if __name__ == "__main__":
    table = error_table(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
    table.to_csv(sys.stdout, sep="\t", index=False, na_rep="n/a", float_format="%.3g")
