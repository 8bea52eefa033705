"""Rows of dose.tsv: outcomes of sets against the pressure applied.

The dose of a set is the pressure that was recorded under its cuff, where it was not recorded the
one noted, as a share of the occlusion pressure that was measured for its limb, side and posture. No
cuff pressure is a dose of nought. An estimated occlusion pressure gives no dose.
"""

from collections import Counter

import numpy as np
import pandas as pd

from comparison.dose import STEP_PCT, dose_at, dose_slope, dose_trend
from comparison.failure import label_codes
from comparison.jackknife import why_no_interval
from comparison.outcome_tables import declared
from cuff.noted_pressures import planned_pressure, with_recorded
from cuff.occlusion import ESTIMATED
from results.words import counted, in_words

SLOPE = f"change for {STEP_PCT:g} % of the occlusion pressure"

RATIO = f"ratio for {STEP_PCT:g} % of the occlusion pressure"

TAU = "Kendall's tau"

# what is said first of an outcome; steps of a rating are no equal steps, so that it has no slope
MEASURES = {"identity": SLOPE, "ratio": RATIO, "ordinal": TAU}

NADIR = ("smo2_nadir_pct", "set")

# what stands beside the primary outcomes
BESIDE_PRIMARY = (
    NADIR,
    ("smo2_drop_pct", "set"),
    ("mean_hr_bpm", "set"),
    ("reoxygenation_half_time_s", "recovery_first_60_s"),
    ("rmssd_ms", "recovery_first_60_s"),
)

OF_SET = ["participant_id", "session_id", "event_id"]


def doses_of(events, safety, cuff_checks, protocol):
    """Dose of every set in % of the occlusion pressure, or the reason why it has none.

    events : rows of the session sheet
    safety, cuff_checks : result tables of these names
    protocol : the section of the settings
    """
    sets = events[(events["trial_type"] == "set") & events["excluded"].isna()]
    sets = sets.assign(noted_mmhg=planned_pressure(sets, protocol.no_cuff_condition))
    sets = with_recorded(sets, cuff_checks)
    known = safety.loc[
        safety["scope"] == "set",
        [*OF_SET, "occlusion_pressure_mmhg", "occlusion_method", "share_reason"],
    ]
    sets = sets.merge(known, on=OF_SET, how="left")
    doses = [dose_and_reason(row, protocol.pressure_tolerance_mmhg) for row in sets.itertuples()]
    return sets[["participant_id", "session_id", "event_id", "condition", "exercise"]].assign(
        dose_pct=[dose for dose, _ in doses], reason=[reason for _, reason in doses]
    )


def dose_and_reason(row, tolerance_mmhg):
    """Share of the occlusion pressure in % and why there is none, of one set."""
    pressure = row.noted_mmhg if np.isnan(row.recorded_mmhg) else row.recorded_mmhg
    if np.isnan(pressure):
        return np.nan, "no cuff pressure was noted or recorded"
    if row.noted_mmhg == 0 and pressure > tolerance_mmhg:
        return np.nan, "a cuff pressure was recorded where none was noted"
    if row.noted_mmhg == 0:
        return 0.0, ""
    if str(row.occlusion_method) == ESTIMATED:
        return np.nan, "the occlusion pressure was estimated, not measured"
    if pd.isna(row.occlusion_pressure_mmhg):
        return np.nan, str(row.share_reason) if pd.notna(row.share_reason) else "no measurement"
    return 100 * pressure / row.occlusion_pressure_mmhg, ""


def dose_rows(outcomes, doses, *, primary, band_pct):
    """Rows of dose.tsv; `outcomes` has the columns of outcomes.tsv, `doses` those of doses_of."""
    scales = declared("SCALE")
    for outcome, window in dict.fromkeys([*primary, *BESIDE_PRIMARY]):
        asked = (outcomes["outcome"] == outcome) & (outcomes["window"] == window)
        given = outcomes[asked & outcomes["value"].notna()]
        row = {"outcome": outcome, "window": window, "scale": scales[outcome]}
        yield from outcome_dose_rows(row, given, doses, band_pct)


def outcome_dose_rows(row, given, doses, band_pct):
    """Rows of one outcome in one window, or one that says why there is nothing.

    `row` holds its labels, `given` its rows of outcomes.tsv with a value.
    """
    sets, remarks = with_doses(given, doses)
    if sets.empty:
        why = "no value was given in a set, nor in a recovery"
        yield row | {"measure": MEASURES[row["scale"]], "n_values": 0, "note": why}
        return
    if row["scale"] == "ratio":
        sets = sets[sets["value"] > 0]
        sets = sets.assign(value=np.log(sets["value"]))
    dosed = sets[sets["dose_pct"].notna()]
    by_group = dosed.groupby(["participant_id", "exercise"])["dose_pct"]
    used = dosed[by_group.transform("max") > by_group.transform("min")]
    left_out = [*remarks, *left_out_in_words(sets, len(dosed) - len(used))]
    row |= {"n_values": len(used), "n_participants": used["participant_id"].nunique()}
    if used.empty:
        why = "nobody did an exercise at two known doses"
        yield row | {"measure": MEASURES[row["scale"]], "note": "; ".join([why, *left_out])}
        return
    yield from measure_rows(row, used, left_out, band_pct)


def with_doses(given, doses):
    """Values with the dose of their set; those of a recovery with the mean dose of its visit."""
    key = ["participant_id", "session_id", "event_id"]
    of_sets = given[given["trial_type"] == "set"]
    if len(of_sets):
        return of_sets[[*key, "value"]].merge(doses, on=key), []
    of_recovery = given[given["trial_type"] == "recovery"]
    visits = doses.groupby(key[:2])["dose_pct"].agg(lambda dose: dose.mean(skipna=False))
    merged = of_recovery[[*key, "value"]].merge(visits.reset_index(), on=key[:2], how="left")
    merged = merged.assign(exercise="all", reason="a set of the visit has no known dose")
    return merged, ["the dose of a visit is the mean over its sets"]


def left_out_in_words(sets, n_alone):
    """How many sets give nothing, by reason."""
    reasons = Counter(sets.loc[sets["dose_pct"].isna(), "reason"])
    if n_alone:
        reasons["the person did the exercise at one dose only"] = n_alone
    listed = [f"{counted(n, 'value')} ({reason})" for reason, n in sorted(reasons.items())]
    return [f"left out: {in_words(listed)}"] if listed else []


def measure_rows(row, used, left_out, band_pct):
    """Slope or ratio, Kendall's tau, and of the nadir the dose at the edge of the failure band."""
    dose_pct, y = used["dose_pct"].to_numpy(float), used["value"].to_numpy(float)
    group = label_codes(used["participant_id"], used["exercise"])
    person = label_codes(used["participant_id"])
    notes = [*filter(None, [why_no_interval(row["n_participants"])]), *left_out]
    if row["scale"] != "ordinal":
        per_step = dose_slope(dose_pct, y, group, person)
        per_step = per_step.columns("value", np.exp if row["scale"] == "ratio" else float)
        yield row | per_step | {"measure": MEASURES[row["scale"]], "note": "; ".join(notes)}
    tau = dose_trend(dose_pct, y, group, person).columns("value")
    # the interval of a mean of signs may reach beyond what a tau can be
    tau |= {end: float(np.clip(tau[end], -1, 1)) for end in ("ci_low", "ci_high")}
    yield row | tau | {"measure": TAU, "note": "; ".join(notes)}
    if (row["outcome"], row["window"]) == NADIR:
        edge = band_pct[1]
        reached = dose_at(edge, dose_pct, y, group, person)
        if not np.isfinite(reached.value):
            notes = [f"the mean line does not reach {edge:g} % within the doses applied", *notes]
        told = {"measure": f"dose at which the mean reaches {edge:g} %", "note": "; ".join(notes)}
        yield row | reached.columns("value") | told | {"p": np.nan}
