"""Rows of failure.tsv: how saturation and failure go together, and how often sets failed.

A set counts where outcomes.tsv says whether it was to failure; a marker is judged on those of them
that have it.
"""

from itertools import combinations

import numpy as np

from comparison.failure import (
    area_under_curve,
    best_threshold_with_interval,
    exact_mcnemar,
    hazard_ratio,
    label_codes,
    share,
    threshold_of_others,
)
from comparison.jackknife import FEWEST_PEOPLE, why_no_interval
from comparison.paired import sign_flip
from muscle.desaturation import reached_band
from results.words import counted, in_words

FAILED = "to_failure"

NADIR = "smo2_nadir_pct"

# markers of failure, and whether a lower value is said to mark it
MARKERS = {NADIR: True, "smo2_end_pct": True, "time_in_failure_band_s": False}

SET = ["participant_id", "session_id", "event_id"]

ALL_SETS = "all sets"

WITHIN_CONDITION = "within condition"

WITHIN_PERSON = "within person"

WITHIN_PERSON_AND_CONDITION = "within person and condition"

WITHIN_EXERCISE = "within person and exercise"

# labels within which sets are compared
STRATA = {
    WITHIN_CONDITION: ["condition"],
    WITHIN_PERSON: ["participant_id"],
    WITHIN_PERSON_AND_CONDITION: ["participant_id", "condition"],
    ALL_SETS: [],
}

AREA = "area under the curve"

HAZARD = "hazard ratio per percentage point"

BEST_THRESHOLD = "best threshold"

BAND = "the declared band"

BEST_OF_OTHER_PEOPLE = "the best threshold of other people"

SHARE = "share of sets to failure"

DIFFERENCE = "difference of shares"

CANNOT_BE_TOLD = "cannot be told: "


def sets_with_markers(outcomes):
    """A row for each set: markers, failure and repetitions in columns of their names."""
    wanted = [*MARKERS, FAILED, "reps_done"]
    of_sets = outcomes[(outcomes["window"] == "set") & outcomes["outcome"].isin(wanted)]
    labels = of_sets[[*SET, "exercise", "condition", "bout"]].drop_duplicates(SET)
    measured = of_sets.pivot(index=SET, columns="outcome", values="value").reindex(columns=wanted)
    return labels.merge(measured.reset_index(), on=SET)


def failure_rows(outcomes, *, conditions, band_pct, seed):
    """Rows of failure.tsv; `outcomes` has the columns of outcomes.tsv."""
    sets = sets_with_markers(outcomes)
    known = sets[sets[FAILED].notna()]
    for marker in MARKERS:
        of_marker = known[known[marker].notna()]
        reason = why_nothing(sets, known, of_marker)
        if reason:
            row = {"marker": marker, "measure": AREA, "stratum": ALL_SETS}
            yield row | set_counts(of_marker) | {"note": CANNOT_BE_TOLD + reason}
            continue
        without = len(known) - len(of_marker)
        left_out = f"left out for want of the marker: {counted(without, 'set')}" if without else ""
        yield from marker_rows(of_marker, marker, conditions, left_out, seed)
        if marker == NADIR:
            yield from band_rows(of_marker, conditions, band_pct, seed)
    yield from rate_rows(known, conditions, seed)


def why_nothing(sets, known, of_marker):
    """Why a marker cannot be judged; empty where it can."""
    if sets.empty:
        return "the study has no set"
    if known.empty:
        return "whether sets were to failure was not noted"
    if of_marker.empty:
        return "no set with a note on failure has the marker"
    if not of_marker[FAILED].any():
        return "no set with the marker was to failure"
    if of_marker[FAILED].all():
        return "every set with the marker was to failure"
    return ""


def set_counts(sets):
    """Sets, sets to failure and people."""
    failed = sets[FAILED] == 1
    return {
        "n_sets": len(sets),
        "n_failed": int(failed.sum()),
        "n_participants": sets["participant_id"].nunique(),
    }


def told(interval, *notes):
    """Columns value, ci_low, ci_high and note of a row."""
    limits = {"value": interval.value, "ci_low": interval.low, "ci_high": interval.high}
    return limits | {"note": joined_notes(*notes)}


def arrays_of(sets, labels):
    """Whether each set failed, its person, and the stratum that its labels name."""
    strata = [sets[label] for label in labels] or [np.zeros(len(sets))]
    failed = (sets[FAILED] == 1).to_numpy()
    return failed, label_codes(sets["participant_id"]), label_codes(*strata)


def joined_notes(*parts):
    """Notes that are not empty, as one text."""
    return "; ".join(part for part in parts if part)


def why_none(interval, n_people):
    """Why a number has no interval; empty where it has one, or where there is no number."""
    few = why_no_interval(n_people)
    if few or np.isfinite(interval.low) or not np.isfinite(interval.value):
        return few
    return "no interval: too few people have sets to failure beside others"


def why_no_interval_of_share(interval, n_people):
    """As `why_none`, of a share that is 0 or 1 as well."""
    if interval.value in (0, 1):
        return "all sets are alike: resampling gives no interval"
    return why_none(interval, n_people)


def sets_of_mixed_strata(sets, labels):
    """Sets of strata in which some sets failed and others did not."""
    if not labels:
        return sets
    of_stratum = sets.groupby(labels)[FAILED]
    return sets[of_stratum.transform("max") > of_stratum.transform("min")]


def marker_rows(sets, marker, conditions, left_out, seed):
    """Areas under the curve within every stratum, and hazards within people."""
    failing = set(sets.loc[sets[FAILED] == 1, "condition"])
    unfailed = [c for c in conditions if c not in failing and (sets["condition"] == c).any()]
    nobody = f"no set failed with {in_words(unfailed, 'or')}" if unfailed else ""
    helps = f"{nobody}, which helps any marker that differs between conditions" if nobody else ""
    caution = {ALL_SETS: helps, WITHIN_PERSON: helps, WITHIN_CONDITION: nobody}
    for stratum, labels in STRATA.items():
        used = sets_of_mixed_strata(sets, labels)
        row = {"marker": marker, "measure": AREA, "stratum": stratum} | set_counts(used)
        if used.empty:
            yield row | {"note": f"{CANNOT_BE_TOLD}no failed set {stratum} beside another"}
            continue
        sign = 1.0 if MARKERS[marker] else -1.0
        low_first = sign * used[marker].to_numpy(float)
        area = area_under_curve(low_first, *arrays_of(used, labels), seed)
        why = why_none(area, row["n_participants"])
        yield row | told(area, caution.get(stratum), left_out, why)
    if marker.endswith("_pct"):
        yield from hazard_rows(sets, marker, joined_notes(helps, left_out), seed)


def hazard_rows(sets, marker, remark, seed):
    """How the hazard of failing at the next repetition changes with the marker."""
    known = sets[sets["reps_done"].notna()]
    for stratum, labels in {
        WITHIN_PERSON: ["participant_id"],
        WITHIN_EXERCISE: ["participant_id", "exercise"],
    }.items():
        used = sets_of_mixed_strata(known, labels)
        row = {"marker": marker, "measure": HAZARD, "stratum": stratum} | set_counts(used)
        if used.empty:
            yield row | {
                "note": f"{CANNOT_BE_TOLD}no failed set {stratum} beside another with its "
                "repetitions noted"
            }
            continue
        measured = (used[name].to_numpy(float) for name in (marker, "reps_done"))
        hazard = hazard_ratio(*measured, *arrays_of(used, labels), seed)
        separated = "" if np.isfinite(hazard.value) else "no finite ratio, the sets are separate"
        why = why_none(hazard, row["n_participants"])
        censored = "sets not to failure are censored at their repetitions"
        yield row | told(hazard, censored, separated, remark, why)


def band_rows(sets, conditions, band_pct, seed):
    """What the declared band and the best threshold catch, over all and in every condition.

    One person has no threshold of others.
    """
    low, high = band_pct
    saturation, failed = sets[NADIR].to_numpy(float), (sets[FAILED] == 1).to_numpy()
    people = sets["participant_id"].to_numpy()
    in_band, everywhere = (
        reached_band(saturation, low_pct=low, high_pct=high),
        np.isfinite(saturation),
    )
    hits = {BAND: (in_band, everywhere, "with the marker")}
    chosen_in = "the one person"
    if len(np.unique(people)) > 1:
        thresholds = threshold_of_others(saturation, failed, people)
        of_others = (saturation < thresholds, np.isfinite(thresholds), "with a threshold of others")
        hits[BEST_OF_OTHER_PEOPLE] = of_others
        chosen_in = "all people"
    person = label_codes(people)
    row = {"marker": NADIR, "measure": BEST_THRESHOLD, "stratum": ALL_SETS} | set_counts(sets)
    threshold = best_threshold_with_interval(saturation, failed, person, seed)
    chosen = f"chosen from the sets of {chosen_in}, which it would judge"
    why = why_none(threshold, row["n_participants"])
    yield row | told(threshold, chosen, why)
    for stratum in (ALL_SETS, *conditions):
        of_stratum = everywhere
        if stratum != ALL_SETS:
            of_stratum = (sets["condition"] == stratum).to_numpy()
        if not of_stratum.any():
            continue
        for name, (hit, judged, where) in hits.items():
            for measure, kind, among, reached in (
                ("sensitivity", "to failure", failed, hit),
                ("specificity", "short of failure", ~failed, ~hit),
            ):
                chosen = of_stratum & among & judged
                row = {"marker": NADIR, "measure": f"{measure} of {name}", "stratum": stratum}
                row |= set_counts(sets[of_stratum & judged])
                if not chosen.any():
                    yield row | {"note": f"{CANNOT_BE_TOLD}no set {kind} {where}"}
                    continue
                with_any = len(np.unique(person[chosen]))
                interval = share(reached, chosen, person, seed)
                yield row | told(interval, why_no_interval_of_share(interval, with_any))


def rate_rows(known, conditions, seed):
    """Share of sets to failure in every condition, and differences between conditions."""
    for condition in conditions:
        sets = known[known["condition"] == condition]
        row = {"measure": SHARE, "stratum": condition} | set_counts(sets)
        if sets.empty:
            yield row | {"note": f"{CANNOT_BE_TOLD}no set with a note on failure"}
            continue
        failed, person, _ = arrays_of(sets, [])
        interval = share(failed, np.ones(len(sets), bool), person, seed)
        yield row | told(interval, why_no_interval_of_share(interval, row["n_participants"]))
    for reference, condition in combinations(conditions, 2):
        yield difference_row(known, reference, condition, seed)


def difference_row(known, reference, condition, seed):
    """Sets of two conditions matched by person, exercise and bout; repeats in their order."""
    key = ["participant_id", "exercise", "bout", "repeat"]
    in_order = known.assign(bout=known["bout"].fillna(0))
    repeat = in_order.groupby([*key[:3], "condition"]).cumcount()
    in_order = in_order.assign(repeat=repeat)
    first, second = (in_order[in_order["condition"] == name] for name in (condition, reference))
    pairs = first.merge(second, on=key, suffixes=("", "_reference"))
    row = {"measure": DIFFERENCE, "stratum": f"{condition} - {reference}", "n_sets": len(pairs)}
    if pairs.empty:
        nobody = {"n_failed": 0, "n_participants": 0}
        return row | nobody | {"note": f"{CANNOT_BE_TOLD}no matched sets"}
    failed, failed_reference = pairs[FAILED] == 1, pairs[f"{FAILED}_reference"] == 1
    only, only_reference, p = exact_mcnemar(failed.to_numpy(), failed_reference.to_numpy())
    difference = failed.astype(float) - failed_reference.astype(float)
    of_people = difference.groupby(pairs["participant_id"]).mean()
    enough = len(of_people) >= FEWEST_PEOPLE
    flipped = sign_flip(of_people.tolist(), rng=np.random.default_rng(seed)).p if enough else np.nan
    return row | {
        "n_failed": int((failed | failed_reference).sum()),
        "n_participants": len(of_people),
        "value": float(difference.mean()),
        "p": p if enough else np.nan,
        "p_people": flipped,
        "note": joined_notes(
            f"{counted(only, 'pair')} failed in {condition} only, {only_reference} in "
            f"{reference} only",
            why_no_interval(len(of_people), "p"),
        ),
    }
