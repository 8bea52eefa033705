"""Saturation and heart across sets; contractions counted beside those noted."""

from itertools import product

from comparison.agreement import bland_altman, repeated_measures_correlation
from results.columns import columns_of

SATURATION = ("smo2_drop_pct", "area_below_baseline_pct_s", "reoxygenation_half_time_s")

HEART = ("mean_hr_bpm", "hrr_60_bpm", "hf_modulation", "rmssd_ms")

FEWEST_SETS = 10


def couplings(sets):
    """Repeated-measures correlation across sets for every pair (Bakdash & Marusich 2017)."""
    keys = ["participant_id", "session_id", "event_id"]
    for saturation, heart in product(SATURATION, HEART):
        pair = [sets.loc[sets["outcome"] == name, [*keys, "value"]] for name in (saturation, heart)]
        # the same outcome may be asked in the set and after it: the set counts
        both = pair[0].drop_duplicates(keys).merge(pair[1].drop_duplicates(keys), on=keys)
        several = both.groupby("participant_id")["value_x"].transform("size") > 1
        both = both[several]
        row = {
            "saturation": saturation,
            "heart": heart,
            "n_participants": both["participant_id"].nunique(),
            "n_sets": len(both),
        }
        try:
            result = repeated_measures_correlation(
                both["value_x"].to_list(),
                both["value_y"].to_list(),
                both["participant_id"].to_list(),
            )
        except ValueError as reason:
            yield row | {"note": str(reason)}
            continue
        yield row | {
            "r": result.r,
            "ci_low": result.ci_low,
            "ci_high": result.ci_high,
            "df": result.df,
            "p": result.p,
            "slope": result.slope,
            "note": "within participants, over conditions; association, not cause",
        }


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


def agreements(counted):
    """Bias and limits of agreement over the study, and the sets that differ by one or more."""
    unflagged = counted[counted["status"] == "ok"]
    for name, own in (("all counts", counted), ("counts without a flag", unflagged)):
        if len(own) < FEWEST_SETS:
            continue
        agreement = bland_altman(own["counted"].to_list(), own["noted"].to_list())
        yield {
            "of": name,
            "n_sets": len(own),
            "bias": agreement.bias,
            "sd": agreement.sd,
            "lower_limit": agreement.lower_limit,
            "upper_limit": agreement.upper_limit,
            "differing_sets": int((own["difference"].abs() >= 1).sum()),
        }
