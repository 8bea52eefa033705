"""Saturation and heart across sets; contractions counted beside those noted."""

from itertools import product

import numpy as np

from comparison.correlation_by_level import WITHIN_CONDITION, WITHIN_SESSION, by_level
from comparison.failure import label_codes
from comparison.jackknife import why_no_interval
from results.columns import columns_of

SATURATION = ("smo2_drop_pct", "area_below_baseline_pct_s", "reoxygenation_half_time_s")

HEART = ("mean_hr_bpm", "hrr_60_bpm", "hf_modulation", "rmssd_ms")

FEWEST_SETS = 10

SESSION = ["participant_id", "session_id"]

CONDITION = ["participant_id", "condition"]

ONE_BY_DESIGN = (
    f"each session has one condition, each condition one session: the same as {WITHIN_SESSION}"
)


def couplings(sets):
    """Rows of coupling.tsv: correlation of every pair of outcomes at every level.

    sets : values of outcomes.tsv that belong to sets
    """
    keys = [*SESSION, "event_id"]
    for saturation, heart in product(SATURATION, HEART):
        pair = [
            sets.loc[sets["outcome"] == name, [*keys, "condition", "value"]]
            for name in (saturation, heart)
        ]
        # the same outcome may be asked in the set and after it: the set counts
        first, second = (of_sets.drop_duplicates(keys) for of_sets in pair)
        both = first.merge(second.drop(columns="condition"), on=keys, suffixes=("_x", "_y"))
        for row in level_rows(both):
            yield {"saturation": saturation, "heart": heart} | row


def level_rows(both):
    """A row for each level; `both` has a row for each set, its values value_x and value_y."""
    if both.empty:
        yield {"n_participants": 0, "n_sets": 0, "note": "no set has both values"}
        return
    session, condition = (
        label_codes(*(both[name] for name in label)) for label in (SESSION, CONDITION)
    )
    alike = same_groups(session, condition)
    correlations = by_level(
        both["value_x"].to_numpy(float),
        both["value_y"].to_numpy(float),
        person=label_codes(both["participant_id"]),
        session=session,
        condition=condition,
    )
    for name, level in correlations.items():
        one_by_design = name == WITHIN_CONDITION and alike
        yield {
            "level": name,
            "n_participants": level.n_people,
            "n_sets": level.n_values,
        } | correlation_numbers(name, level, ONE_BY_DESIGN if one_by_design else "")


def same_groups(first, second):
    """Whether two ways of numbering groups put the same sets together."""
    pairs = len(set(zip(first, second, strict=True)))
    return pairs == len(set(first)) == len(set(second))


def correlation_numbers(name, level, note):
    """Columns r to note of a row of coupling.tsv, from a `Level`."""
    correlation = level.correlation
    if not level.n_values:
        return {"note": f"no two values {name}"}
    if not np.isfinite(correlation.value):
        return {"note": "one of the two does not vary"}
    remarks = filter(None, [note, why_no_interval(level.n_people)])
    return correlation.columns("r") | {"note": "; ".join(remarks)}


def counts_beside_log(sets):
    """Contractions counted from the trace beside the repetitions noted, per set."""
    keys = ["participant_id", "session_id", "event_id"]
    labels = ["event_onset_s", "exercise", "condition", "bout"]
    counted = sets.loc[sets["outcome"] == "contraction_count", [*keys, *labels, "value", "status"]]
    noted = sets.loc[sets["outcome"] == "reps_done", [*keys, "value"]]
    both = counted.merge(noted, on=keys, suffixes=("", "_noted"))
    return both.assign(
        counted=both["value"],
        noted=both["value_noted"],
        difference=both["value"] - both["value_noted"],
    )[columns_of("repetitions")]


def agreement_rows(counted):
    """Bias and limits of agreement over the study, and the sets that differ by one or more."""
    unflagged = counted[counted["status"] == "ok"]
    for name, counts in (("all counts", counted), ("counts without a flag", unflagged)):
        if len(counts) < FEWEST_SETS:
            continue
        yield {
            "of": name,
            "n_sets": len(counts),
            **limits_of_agreement(counts["difference"].to_numpy()),
            "differing_sets": int((counts["difference"].abs() >= 1).sum()),
        }


def limits_of_agreement(differences, *, sds=1.96):
    """Bias, SD and bias -+ `sds` SD of differences (Bland and Altman 1986, Lancet i:307)."""
    bias, sd = float(differences.mean()), float(differences.std(ddof=1))
    limits = {"lower_limit": bias - sds * sd, "upper_limit": bias + sds * sd}
    return {"bias": bias, "sd": sd} | limits
