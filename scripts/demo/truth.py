"""What is true about the demo study: visits, sets, and the effects that were built in."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from demo import signals
from demo.sensors import muscle_sets
from demo.study import (
    BASELINE_DURATION_S,
    BASELINE_ONSET_S,
    CONDITIONS,
    MEAN_HR_EFFECT_BPM,
    MODULATION_RATIO,
    SMO2_NADIR_EFFECT_PCT,
    PlannedVisit,
)

RECOVERY_STEADY_AFTER_S = 60.0


def true_sets(visit: PlannedVisit, beats: pd.DataFrame) -> pd.DataFrame:
    """Return one row per set with what an analysis should find in it.

    Saturations are those of the noise-free course without contraction ripple; the mean heart rate
    is 60 / the mean interval between beats that lie both inside the set.
    """
    sets = []
    for planned in visit.sets:
        times_s = np.arange(planned.onset_s, planned.release_s + 60.0, 0.01)
        baseline_pct = visit.resting_smo2_pct[planned.exercise.muscle]
        course_pct = signals.saturation_course(
            times_s, baseline_pct=baseline_pct, sets=muscle_sets(visit, planned.exercise.muscle)
        )
        truth = signals.truth_of_set(
            times_s, course_pct, *planned.span_s, planned.release_s, baseline_pct=baseline_pct
        )
        inside_s = beats["time_s"][beats["time_s"].between(planned.onset_s, planned.end_s)]
        sets.append(
            {
                **visit.key,
                "event_onset_s": planned.onset_s,
                "duration_s": round(planned.end_s - planned.onset_s, 1),
                "condition": visit.condition,
                "exercise": planned.exercise.name,
                "bout": planned.bout,
                "muscle": planned.exercise.muscle,
                "reps_done": planned.reps_done,
                "smo2_baseline_pct": baseline_pct,
                "smo2_nadir_pct": round(truth["nadir_pct"], 2),
                "reoxygenation_half_time_s": round(truth["half_time_s"], 2),
                "overshoot_pct": round(truth["overshoot_pct"], 2),
                "mean_hr_bpm": round(60.0 / float(np.diff(inside_s).mean()), 2),
            }
        )
    return pd.DataFrame(sets)


def true_visit(
    visit: PlannedVisit, beats: pd.DataFrame, amplitudes_ms: Mapping[str, float]
) -> dict[str, object]:
    """Return what is true about one visit as a whole."""
    recovery_onset_s, recovery_end_s = visit.recovery_s
    windows_s = {
        "baseline": (BASELINE_ONSET_S, BASELINE_ONSET_S + BASELINE_DURATION_S),
        "recovery_steady": (recovery_onset_s + RECOVERY_STEADY_AFTER_S, recovery_end_s),
    }
    truth: dict[str, object] = {
        **visit.key,
        "condition": visit.condition,
        "respiration_rate_hz": round(visit.person.respiration_hz, 4),
        "lf_amplitude_ms": round(amplitudes_ms["lf"], 2),
        "hf_amplitude_ms": round(amplitudes_ms["hf"], 2),
    }
    for name, (start_s, stop_s) in windows_s.items():
        inside = beats[beats["time_s"].between(start_s, stop_s)]
        truth[f"mean_hr_{name}_bpm"] = round(60.0 / float(np.diff(inside["time_s"]).mean()), 2)
        truth[f"rmssd_{name}_ms"] = round(true_rmssd_ms(inside), 2)
    return truth


def true_rmssd_ms(beats: pd.DataFrame) -> float:
    """Return RMSSD over pairs of intervals whose three beats are all normal (Task Force 1996)."""
    differences_s = np.diff(beats["time_s"], n=2)
    normal = (beats["kind"] == "normal").to_numpy()
    usable = normal[:-2] & normal[1:-1] & normal[2:]
    return 1000.0 * float(np.sqrt(np.mean(differences_s[usable] ** 2)))


def effects_table() -> pd.DataFrame:
    """Return the condition effects that were built in, as contrasts.

    `scale` is `identity` (a difference) or `ratio`.
    """
    no_effect = dict.fromkeys(CONDITIONS, 0.0)
    no_change = dict.fromkeys(CONDITIONS, 1.0)
    built_in = [
        ("smo2_nadir_pct", "set", "identity", SMO2_NADIR_EFFECT_PCT, "percentage points"),
        ("mean_hr_bpm", "set", "identity", MEAN_HR_EFFECT_BPM, "bpm"),
        ("rmssd_ms", "recovery_steady", "ratio", MODULATION_RATIO, "1"),
        ("rmssd_ms", "baseline", "ratio", no_change, "1"),
        ("mean_hr_bpm", "baseline", "identity", no_effect, "bpm"),
        ("smo2_baseline_pct", "baseline", "identity", no_effect, "percentage points"),
    ]
    effects = []
    for outcome, window, scale, level, unit in built_in:
        for above, below in (("low", "none"), ("target", "none"), ("target", "low")):
            difference = level[above] - level[below]
            effects.append(
                {
                    "outcome": outcome,
                    "window": window,
                    "contrast": f"{above} - {below}",
                    "scale": scale,
                    "true_value": level[above] / level[below] if scale == "ratio" else difference,
                    "unit": unit,
                }
            )
    return pd.DataFrame(effects)
