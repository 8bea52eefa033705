"""How far muscle oxygenation results lie from the truth, and whether their stated errors hold.

Prints one TSV: sampling_rate_hz, noise_pct and ripple_pct of simulated sessions, n/a for the visits
of the demo study, which have the noise and the slow wander of a sensor; quantity, unit, n, refused,
bias, sd, largest (absolute) error, target, whether it is met (root mean square error within it),
for ends of sets limit (about the least root mean square error that any method can reach), and of
stated errors beyond_two (share of values farther than twice theirs from the truth) and
rms_of_stated (root mean square of error over stated error, 1 where errors are true). The truth is
the course without noise, ripple and slow wander at its lowest moment, so that the few seconds over
which a nadir is averaged count as error. Settings are the default ones.
Run it as `python3.11 scripts/launch.py benchmark oxygenation [repeats]`.
"""

import sys
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import replace
from math import erfc, sqrt

import numpy as np
import pandas as pd

from cuff.pressure import propose_cuff_boundaries
from demo import sensors, signals, study
from demo.muscle_oxygen import SimulatedCuff, SimulatedOxygen, SimulatedSet, simulate_muscle_oxygen
from muscle import boundaries, cleaning, desaturation, levels, recovery
from muscle.contractions import Cadences, find_contractions
from muscle.readings import Readings
from muscle.resting_variation import resting_variation
from results.estimate import Estimate
from study.settings_files import default_settings

SETTINGS = default_settings()
MEASURING, PROTOCOL = SETTINGS.measure_outcomes, SETTINGS.protocol
LEAST_USABLE = MEASURING.smallest_usable_pct / 100
CADENCES = Cadences(
    PROTOCOL.slowest_cadence_hz, PROTOCOL.fastest_cadence_hz, PROTOCOL.samples_per_contraction
)
COURSE, CLEANING = (
    {name: getattr(SETTINGS.segment_oxygenation, name) for name in names}
    for names in (
        ("ripple_window_s", "shortest_phase_s", "bend_reach_s", "steep_pct_per_s"),
        ("stuck_s", "slip_pct_per_s", "dropout_jump_pct", "leak_longest_s"),
    )
)

RATES_HZ = (0.5, 1.0, 2.0, 10.0, 50.0)

# farther from a limit lies the limit of something else
FARTHEST_S = 20.0

# accuracy that the project asks for; none is stated for the rest
TARGETS = {
    "nadir": 1.0,
    "half_time": 1.0,
    "slope": 5.0,
    "set_start": 1.0,
    "set_end": 1.0,
    "contraction_count": 0.5,
}

UNITS = {
    **dict.fromkeys(("baseline", "nadir", "drop", "overshoot"), "pct"),
    **dict.fromkeys(("half_time", "tau", "time_in_band", "set_start", "set_end"), "s"),
    **dict.fromkeys(("cuff_on", "cuff_off"), "s"),
    "area_below_baseline": "pct s",
    "slope": "% of truth",
    "contraction_count": "contractions",
}

Judged = tuple[str, Estimate, float]


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


def of_session(simulated: SimulatedOxygen) -> Iterator[Judged]:
    """Everything measured in a simulated session."""
    readings = simulated.readings
    cleaned = cleaning.clean_saturation(readings["time_s"], readings["smo2_pct"], **CLEANING)
    trace = Readings(cleaned["time_s"], cleaned["smo2_pct"], LEAST_USABLE)
    first_s = simulated.sets["onset_s"].iloc[0]
    rest = levels.baseline(trace, first_s, window_s=MEASURING.saturation_baseline_s)
    yield "baseline", rest, simulated.course_pct[0]
    for of_set in simulated.sets.itertuples():
        yield from judged_set(
            trace,
            rest,
            (simulated.course_s, simulated.course_pct),
            (of_set.onset_s, of_set.offset_s, of_set.release_s),
            of_set.contractions,
        )
        tau = recovery.exponential_tau(
            trace,
            *(of_set.release_s, of_set.release_s + 60.0),
            longest_delay_s=MEASURING.longest_recovery_delay_s,
            min_r2=MEASURING.smallest_recovery_r2,
            largest_se_share=MEASURING.largest_tau_error,
        )
        yield "tau", tau, of_set.tau_s
    limits = simulated.boundaries[simulated.boundaries["boundary"].str.startswith("set")]
    true_s = limits.groupby("boundary")["time_s"].apply(list).to_dict()
    proposals = boundaries.propose_boundaries(trace.time, trace.reading, CADENCES, **COURSE)
    yield from of_limits(proposals, true_s)


def judged_set(trace: Readings, rest, course, moments_s, repetitions) -> Iterator[Judged]:
    """Quantity, estimate and truth of one set and of what follows it.

    `rest`: the level before; `course`: times (s) and saturation (%) without noise; `moments_s`:
    onset, end and release.
    """
    onset_s, end_s, release_s = moments_s
    window, after = (onset_s, end_s), (release_s, release_s + 60.0)
    resting_pct = float(course[1][0])
    course_s, course_pct = (each[course[0] <= after[1]] for each in course)
    truth = signals.truth_of_set(course_s, course_pct, *moments_s, baseline_pct=resting_pct)
    band_pct, points = PROTOCOL.failure_band_pct, MEASURING.failure_band_hysteresis_pct
    contractions = find_contractions(
        *(trace.time, trace.reading, *window),
        noted_rate_hz=repetitions / (end_s - onset_s),
        min_usable_share=LEAST_USABLE,
        cadences=CADENCES,
    )
    yield "contraction_count", contractions.count, repetitions
    rate_hz = contractions.rate_hz
    rippling = replace(trace, ripple_hz=rate_hz.value if rate_hz.usable else None)
    smoothed = {"window_s": MEASURING.nadir_window_s}
    nadir = levels.nadir(rippling, *window, **smoothed)
    yield "nadir", nadir, truth["nadir_pct"]
    yield "drop", levels.drop(rest, nadir), resting_pct - truth["nadir_pct"]
    area = desaturation.area_below(trace, *window, level_pct=rest)
    yield "area_below_baseline", area, truth["area_below_pct_s"]
    if truth["nadir_pct"] < band_pct[1] + points:
        limits = {"band_pct": band_pct, "hysteresis_pct": points}
        in_band = desaturation.time_in_band_s(trace, *window, **limits)
        working_pct = course_pct[(course_s >= onset_s) & (course_s <= end_s)]
        inside = (working_pct >= band_pct[0]) & (working_pct <= band_pct[1])
        yield "time_in_band", in_band, float(inside.sum() * (course_s[1] - course_s[0]))
    slope = desaturation.desaturation_slope(rippling, onset_s, window_s=MEASURING.slope_window_s)
    yield "slope", slope, truth["slope_pct_per_s"]
    half = recovery.half_time(trace, *after, nadir_pct=nadir, target_pct=rest, **smoothed)
    yield "half_time", half, truth["half_time_s"]
    peak = levels.overshoot(trace, *after, baseline_pct=rest, **smoothed)
    yield "overshoot", peak, truth["overshoot_pct"]


def of_limits(proposals: pd.DataFrame, true_s: dict[str, list[float]]) -> Iterator[Judged]:
    """Every true limit beside the nearest one proposed, refused where none is near."""
    for boundary, times_s in true_s.items():
        offered = proposals[proposals["boundary"] == boundary]
        for time_s in times_s:
            apart_s = (offered["time_s"] - time_s).abs()
            estimate = Estimate.refused("none is near")
            if (apart_s <= FARTHEST_S).any():
                nearest = offered.loc[apart_s.idxmin()]
                estimate = Estimate(nearest["time_s"], nearest["se_s"])
            yield boundary, estimate, time_s


def of_visit(visit: study.PlannedVisit, rng: np.random.Generator) -> Iterator[Judged]:
    """Everything measured in one visit of the demo study, with new noise."""
    equipment, clock = study.EQUIPMENT[visit.participant_id], visit.oxygen_clock
    time_s, cuff_s = (
        clock.to_session_s(sensors.sample_times_s(visit, clock, rate_hz))
        for rate_hz in (equipment.oxygen_rate_hz, sensors.CUFF_CHANNEL_RATE_HZ)
    )
    end_s = study.BASELINE_ONSET_S + study.BASELINE_DURATION_S
    resting = (time_s >= study.BASELINE_ONSET_S) & (time_s <= end_s)
    for muscle in dict.fromkeys(planned.exercise.muscle for planned in visit.sets):
        smo2_pct = sensors.recorded_saturation(visit, muscle, time_s, rng)
        # a silent sensor is another matter
        smo2_pct = np.where(smo2_pct == 0, np.nan, smo2_pct)
        at_rest = resting_variation(time_s[resting], smo2_pct[resting])
        trace = Readings(time_s, smo2_pct, LEAST_USABLE, at_rest)
        rest = levels.baseline(trace, end_s, window_s=MEASURING.saturation_baseline_s)
        yield "baseline", rest, visit.resting_smo2_pct[muscle]
        of_muscle = [planned for planned in visit.sets if planned.exercise.muscle == muscle]
        course_s = np.arange(0.0, visit.end_s, 0.01)
        course_pct = signals.saturation_course(
            course_s,
            baseline_pct=visit.resting_smo2_pct[muscle],
            sets=sensors.muscle_sets(visit, muscle),
        )
        for planned in of_muscle:
            yield from judged_set(
                trace,
                rest,
                (course_s, course_pct),
                (*planned.span_s, planned.release_s),
                planned.reps_done,
            )
        yield from of_limits(
            boundaries.propose_boundaries(time_s, smo2_pct, CADENCES, **COURSE),
            {"set_start": [p.onset_s for p in of_muscle], "set_end": [p.end_s for p in of_muscle]},
        )
    pressure_mmhg = sensors.recorded_cuff_pressure(visit, cuff_s, rng)
    cuffed = [planned for planned in visit.sets if planned.cuff_pressure_mmhg]
    yield from of_limits(
        propose_cuff_boundaries(cuff_s, pressure_mmhg, inflated_mmhg=15.0, shortest_s=10.0),
        {
            "cuff_on": [planned.inflation_s for planned in cuffed],
            "cuff_off": [planned.release_s for planned in cuffed],
        },
    )


def error_table(repeats: int) -> pd.DataFrame:
    """Bias, scatter, largest error and stated errors of every quantity in every setting."""
    settings = [(rate_hz, noise_pct, 2.0) for rate_hz in RATES_HZ for noise_pct in (0.5, 1.0, 2.0)]
    settings += [(rate_hz, 1.0, 4.0) for rate_hz in RATES_HZ]
    names = ("sampling_rate_hz", "noise_pct", "ripple_pct")
    summaries = []
    for setting in settings:
        simulated = dict(zip(names, setting, strict=True))
        sessions = (
            simulated_session(np.random.default_rng(seed), **simulated) for seed in range(repeats)
        )
        judged = (each for session in sessions for each in of_session(session))
        for row in summaries_of(judged):
            limit = least_error_of_set_end_s(*setting) if row["quantity"] == "set_end" else None
            summaries.append(simulated | row | {"limit": limit})
    visits = (
        judged
        for seed in range(max(1, repeats // 4))
        for number, visit in enumerate(study.plan_study())
        for judged in of_visit(visit, np.random.default_rng([seed, number]))
    )
    return pd.DataFrame([*summaries, *summaries_of(visits)])


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
        if readings < CADENCES.readings_each:
            squares.append(6.0**2 / 12)
            continue
        apart = ripple_pct / noise_pct * sqrt(readings / 2)
        squares.append(min(erfc(apart / 2 / sqrt(2)) * contraction_s**2, 6.0**2 / 12))
    return sqrt(sum(squares) / 3)


def summaries_of(judged: Iterable[Judged]) -> Iterator[dict[str, object]]:
    """A row for each quantity; a target is met when the root mean square error lies within it."""
    errors, stated = defaultdict(list), defaultdict(list)
    for quantity, estimate, truth in judged:
        error = estimate.value - truth
        errors[quantity].append(100 * error / truth if quantity == "slope" else error)
        if estimate.usable:
            stated[quantity].append(np.divide(error, estimate.se) if error else 0.0)
    for quantity, of_quantity in errors.items():
        known = np.array(of_quantity)[np.isfinite(of_quantity)]
        of_stated, target = np.array(stated[quantity]), TARGETS.get(quantity)
        row = {"quantity": quantity, "unit": UNITS[quantity], "n": known.size}
        row |= {"refused": len(of_quantity) - known.size, "target": target}
        if known.size:
            within = target is not None and sqrt(np.mean(known**2)) <= target
            row |= {"bias": known.mean(), "sd": known.std(), "largest": np.abs(known).max()}
            row["met"] = "n/a" if target is None else "yes" if within else "no"
            row["beyond_two"] = np.mean(np.abs(of_stated) > 2)
            row["rms_of_stated"] = sqrt(np.mean(of_stated**2))
        yield row


if __name__ == "__main__":
    table = error_table(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
    table.to_csv(sys.stdout, sep="\t", index=False, na_rep="n/a", float_format="%.3g")
