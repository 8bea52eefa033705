"""Whether stated errors of saturation and of limits hold in invented visits of known truth.

Prints one TSV: quantity, n, beyond_two (share of values farther than twice their stated error from
the truth) and rms (root mean square of error over stated error, 1 where errors are true). The truth
is the course without noise, ripple and slow wander at its lowest moment, so that the few seconds
over which a nadir is averaged count as error. Settings are the default ones. Run it as
`python3.11 scripts/launch.py benchmark value_errors [repeats]`.

    2 repeats            n  beyond_two  rms
    baseline           232       0.000  0.58
    nadir              462       0.026  0.84
    drop               462       0.015  0.78
    area               462       0.002  0.53
    time in band        78       0.038  0.94
    slope              464       0.022  0.87
    half-time          462       0.045  0.98
    overshoot          464       0.024  0.83
    set_start          455       0.000  0.52
    set_end            453       0.038  0.97
    cuff_on            304       0.000  0.25
    cuff_off           304       0.030  1.20
"""

import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pandas as pd

from benchmarks.defaults import (
    BAND_PCT,
    BASELINE_S,
    CADENCES,
    COURSE,
    HYSTERESIS_PCT,
    LEAST_USABLE,
    NADIR_S,
    SLOPE_S,
)
from cuff.pressure import propose_cuff_boundaries
from demo import sensors, signals, study
from muscle import desaturation, levels, recovery
from muscle.boundaries import propose_boundaries
from muscle.contractions import find_contractions
from muscle.readings import Readings
from muscle.resting_variation import resting_variation
from results.estimate import Estimate

# farther from a limit lies the limit of something else
FARTHEST_S = 20.0

Judged = tuple[str, Estimate, float]


def of_sets(visit, muscle: str, time_s: np.ndarray, smo2_pct: np.ndarray) -> Iterator[Judged]:
    """Quantity, estimate and truth of the baseline and of every set of one muscle."""
    begin_s, end_s = study.BASELINE_ONSET_S, study.BASELINE_ONSET_S + study.BASELINE_DURATION_S
    resting = (time_s >= begin_s) & (time_s <= end_s)
    at_rest = resting_variation(time_s[resting], smo2_pct[resting])
    trace = Readings(time_s, smo2_pct, LEAST_USABLE, at_rest)
    rest = levels.baseline(trace, end_s, window_s=BASELINE_S)
    resting_pct = visit.resting_smo2_pct[muscle]
    yield "baseline", rest, resting_pct
    for planned in visit.sets:
        if planned.exercise.muscle != muscle:
            continue
        fine_s = np.arange(planned.onset_s, planned.release_s + 60.0, 0.01)
        course_pct = signals.saturation_course(
            fine_s, baseline_pct=resting_pct, sets=sensors.muscle_sets(visit, muscle)
        )
        working = fine_s <= planned.end_s
        window = planned.onset_s, planned.end_s
        cadence_hz = planned.reps_done / (planned.end_s - planned.onset_s)
        ripple = find_contractions(
            *(time_s, smo2_pct, *window),
            noted_rate_hz=cadence_hz,
            min_usable_share=LEAST_USABLE,
            **CADENCES,
        )
        rippling = replace(trace, ripple_hz=ripple.rate_hz.value if ripple.rate_hz.usable else None)
        nadir = levels.nadir(rippling, *window, window_s=NADIR_S)
        nadir_pct = float(course_pct[working].min())
        yield "nadir", nadir, nadir_pct
        yield "drop", levels.drop(rest, nadir), resting_pct - nadir_pct
        below_pct_s = float(np.maximum(resting_pct - course_pct[working], 0.0).sum() * 0.01)
        area = desaturation.area_below(trace, *window, level_pct=rest)
        yield "area below baseline", area, below_pct_s
        if nadir_pct < BAND_PCT[1] + HYSTERESIS_PCT:
            in_band = desaturation.time_in_band_s(
                trace, *window, band_pct=BAND_PCT, hysteresis_pct=HYSTERESIS_PCT
            )
            inside = (course_pct[working] >= BAND_PCT[0]) & (course_pct[working] <= BAND_PCT[1])
            yield "time in band", in_band, float(inside.sum() * 0.01)
        slope = desaturation.desaturation_slope(rippling, window[0], window_s=SLOPE_S)
        first = fine_s <= window[0] + SLOPE_S
        yield "slope", slope, float(np.polyfit(fine_s[first], course_pct[first], 1)[0])
        after = planned.release_s, planned.release_s + 60.0
        half = recovery.half_time(trace, *after, nadir_pct=nadir, target_pct=rest, window_s=NADIR_S)
        half_time_s = signals.half_time_s(
            fine_s,
            course_pct,
            start_s=planned.release_s,
            nadir_pct=nadir_pct,
            baseline_pct=resting_pct,
        )
        yield "half-time", half, half_time_s
        peak = levels.overshoot(trace, *after, baseline_pct=rest, window_s=NADIR_S)
        yield "overshoot", peak, float(course_pct[~working].max()) - resting_pct


def of_limits(proposals: pd.DataFrame, true_s: dict[str, list[float]]) -> Iterator[Judged]:
    """Every true limit beside the nearest one proposed."""
    for boundary, times_s in true_s.items():
        offered = proposals[proposals["boundary"] == boundary]
        for time_s in times_s:
            apart_s = (offered["time_s"] - time_s).abs()
            if (apart_s <= FARTHEST_S).any():
                nearest = offered.loc[apart_s.idxmin()]
                yield boundary, Estimate(nearest["time_s"], nearest["se_s"]), time_s


def of_visit(visit, rng: np.random.Generator) -> Iterator[Judged]:
    """Everything measured in one visit, with new noise."""
    equipment = study.EQUIPMENT[visit.participant_id]
    times_s = [
        visit.oxygen_clock.to_session_s(sensors.sample_times_s(visit, visit.oxygen_clock, rate_hz))
        for rate_hz in (equipment.oxygen_rate_hz, sensors.CUFF_CHANNEL_RATE_HZ)
    ]
    for muscle in {planned.exercise.muscle: None for planned in visit.sets}:
        smo2_pct = sensors.recorded_saturation(visit, muscle, times_s[0], rng)
        # a silent sensor is another matter
        smo2_pct = np.where(smo2_pct == 0, np.nan, smo2_pct)
        yield from of_sets(visit, muscle, times_s[0], smo2_pct)
        of_muscle = [planned for planned in visit.sets if planned.exercise.muscle == muscle]
        yield from of_limits(
            propose_boundaries(times_s[0], smo2_pct, **CADENCES, **COURSE),
            {"set_start": [p.onset_s for p in of_muscle], "set_end": [p.end_s for p in of_muscle]},
        )
    pressure_mmhg = sensors.recorded_cuff_pressure(visit, times_s[1], rng)
    yield from of_limits(
        propose_cuff_boundaries(times_s[1], pressure_mmhg, inflated_mmhg=15.0, shortest_s=10.0),
        {
            "cuff_on": [planned.inflation_s for planned in visit.sets],
            "cuff_off": [planned.release_s for planned in visit.sets],
        },
    )


def main(repeats: int) -> None:
    z = defaultdict(list)
    for seed in range(repeats):
        for number, visit in enumerate(study.plan_study()):
            for quantity, estimate, truth in of_visit(visit, np.random.default_rng([seed, number])):
                if estimate.usable:
                    error = abs(estimate.value - truth)
                    z[quantity].append(np.divide(error, estimate.se) if error else 0.0)
    errors = [
        {
            "quantity": quantity,
            "n": len(scores),
            "beyond_two": round(float(np.mean(np.abs(scores) > 2)), 3),
            "rms": round(float(np.sqrt(np.mean(np.square(scores)))), 2),
        }
        for quantity, scores in z.items()
    ]
    print(pd.DataFrame(errors).to_csv(sep="\t", index=False, lineterminator="\n"), end="")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
