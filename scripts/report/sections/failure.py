"""Whether saturation marks failure, how often sets failed, and what went with the pressure."""

import pandas as pd

from comparison.failure_table import (
    ALL_SETS,
    AREA,
    BAND,
    BEST_OF_OTHER_PEOPLE,
    BEST_THRESHOLD,
    CANNOT_BE_TOLD,
    DIFFERENCE,
    HAZARD,
    NADIR,
    SHARE,
    WITHIN_CONDITION,
    WITHIN_EXERCISE,
    WITHIN_PERSON_AND_CONDITION,
)
from comparison.jackknife import why_no_interval
from muscle.desaturation import reached_band
from report.origins import Origin, Told
from report.page import shown_table
from report.words import source_of, with_limits
from results.format import p_in_words
from results.words import counted, in_words

ORDER = 15

TITLE = "Did the muscle desaturate to failure?"

NEEDS = ("outcomes", "failure")


NOT_RECORDED = "No muscle oxygen saturation was recorded, so that this cannot be answered."


def section(results):
    settings = results.settings
    if not (results.events["trial_type"] == "set").any():
        return None
    if "muscle_oxygen" not in set(results.recordings["signal"]):
        told = rates(results.failure, settings.study.conditions)
        return {"absent": NOT_RECORDED, "depth": [], "marks": [], "rates": told, "failure": None}
    return {
        "absent": "",
        "depth": depth(results.outcomes, settings, results.default_settings),
        "marks": marks(results.failure, settings.protocol.failure_band_pct),
        "rates": rates(results.failure, settings.study.conditions),
        "failure": shown_table(
            with_limits(results.failure),
            "Saturation as a marker of failure",
            Origin.of_each("failure", results.failure),
        ),
    }


def depth(outcomes, settings, default_settings):
    """How far the muscle desaturated in each condition, and whether that reached the band."""
    low, high = settings.protocol.failure_band_pct
    conditions = settings.study.conditions
    source = source_of("protocol", "failure_band_pct", settings, default_settings)
    nadirs = outcomes[
        (outcomes["window"] == "set") & (outcomes["outcome"] == NADIR) & outcomes["value"].notna()
    ]
    by_condition = {c: nadirs.loc[nadirs["condition"] == c, "value"] for c in conditions}
    by_condition = {c: of_sets for c, of_sets in by_condition.items() if len(of_sets)}
    if not by_condition:
        return []
    reached = {
        c: int(reached_band(of_sets, low_pct=low, high_pct=high).sum())
        for c, of_sets in by_condition.items()
    }
    band = f"the band of {low:g} to {high:g} % that is said to mark failure ({source})"
    n_sets = sum(map(len, by_condition.values()))
    if any(reached.values()):
        each = in_words([f"{reached[c]} of {len(v)} with {c}" for c, v in by_condition.items()])
        whole = f"{sum(reached.values())} of {counted(n_sets, 'set')} reached {band}"
        first = f"{whole}: {each}." if len(by_condition) > 1 else f"{whole}."
    else:
        none = "The only set did not reach" if n_sets == 1 else f"None of {n_sets} sets reached"
        first = f"{none} {band}."
    if n_sets == 1:
        ((condition, of_sets),) = by_condition.items()
        deepest = f"Its nadir was {of_sets.min():.0f} %, with {condition}."
    else:
        lowest = [
            f"{of_sets.min():.0f} % with {c} (median {of_sets.median():.0f} %)"
            for c, of_sets in by_condition.items()
        ]
        deepest = f"The lowest nadir of any set was {in_words(lowest)}."
    origin = Origin("outcomes", 0, NADIR, "set")
    return [
        Told(first, origin),
        Told(deepest, origin),
        "A set reached the band when its nadir lay in it. Time in the band is an outcome of its "
        "own: it counts single readings, of which some may lie in the band where the nadir does "
        "not.",
    ]


def marks(failure, band_pct):
    """How well the nadir tells sets to failure from others: within condition first, then over all.

    failure : rows of failure.tsv
    """
    of_nadir = failure[failure["marker"] == NADIR]
    areas = of_nadir[of_nadir["measure"] == AREA]
    over_all = areas[areas["stratum"] == ALL_SETS]
    refused = over_all[over_all["value"].isna()]
    if len(refused):
        reason = refused["note"].iloc[0].removeprefix(CANNOT_BE_TOLD)
        return [f"Whether saturation marks failure cannot be told from this study: {reason}."]
    sentences = [
        *area_sentences(areas),
        *hazard_sentences(of_nadir[of_nadir["measure"] == HAZARD]),
        *threshold_sentences(of_nadir, band_pct),
    ]
    few = why_no_interval(over_all["n_participants"].iloc[0])
    if few:
        sentences.append(f"{few.capitalize()}; these are values of the sets seen.")
    return sentences


def area_sentences(areas):
    by_stratum = areas.assign(number=areas.index + 2).set_index("stratum")
    begins = {
        WITHIN_CONDITION: "Of two sets of one condition",
        WITHIN_PERSON_AND_CONDITION: "Of two sets of one person and condition",
        ALL_SETS: "Of two sets of any person and condition",
    }
    if by_stratum.loc[ALL_SETS, "n_participants"] == 1:
        # of one person the sets of a condition are those of the person in it
        begins = {
            WITHIN_CONDITION: "Of two sets of one condition",
            ALL_SETS: "Of two sets of any condition",
        }
    for stratum, begin in begins.items():
        row = by_stratum.loc[stratum]
        if pd.isna(row["value"]):
            yield f"{begin}: {row['note']}."
            continue
        yield Told(
            f"{begin}, one to failure and one not, the one to failure had the lower nadir in "
            f"{in_percent(row)} of pairs ({people_and_sets(row)}).",
            Origin("failure", row["number"], NADIR, "set"),
        )
        if stratum == ALL_SETS and "which helps any marker" in str(row["note"]):
            yield (
                f"This number over all does not measure the marker: {row['note'].split(';')[0]}."
            )


def hazard_sentences(hazards):
    of_exercise = hazards[hazards["stratum"] == WITHIN_EXERCISE]
    for number, row in with_numbers(of_exercise[of_exercise["value"].notna()]):
        yield Told(
            "Within a person and exercise, one percentage point more of the nadir multiplied the "
            f"hazard of failing at the next repetition by {row['value']:.2f}"
            f"{limits(row, '{:.2f}')}; sets that did not fail are censored at their repetitions.",
            Origin("failure", number, NADIR, "set"),
        )


def with_numbers(failure):
    """Each row with its number in failure.tsv."""
    return zip(failure.index + 2, failure.to_dict("records"), strict=True)


def threshold_sentences(of_nadir, band_pct):
    """What the band and the threshold catch in each condition in which sets failed."""
    low, high = band_pct
    best = of_nadir.loc[of_nadir["measure"] == BEST_THRESHOLD, "value"].iloc[0]
    by_place = of_nadir.assign(number=of_nadir.index + 2).set_index(["stratum", "measure"])
    judged = of_nadir.loc[of_nadir["measure"] == f"sensitivity of {BAND}", "stratum"]
    for stratum in judged[judged != ALL_SETS]:
        for name, begin in (
            (BAND, f"The band of {low:g} to {high:g} %"),
            (BEST_OF_OTHER_PEOPLE, "The threshold that was best in other people"),
        ):
            if (stratum, f"sensitivity of {name}") not in by_place.index:
                continue
            caught = by_place.loc[(stratum, f"sensitivity of {name}")]
            spared = by_place.loc[(stratum, f"specificity of {name}")]
            if pd.isna(caught["value"]):
                continue
            of_other_people = (
                f"and spared {in_percent(spared)} of the others"
                if pd.notna(spared["value"])
                else "and no other set was there to be spared"
            )
            yield Told(
                f"Condition {stratum}: {begin[0].lower()}{begin[1:]} caught {in_percent(caught)} "
                f"of {counted(int(caught['n_failed']), 'set')} to failure {of_other_people}.",
                *(Origin("failure", row["number"], NADIR, "set") for row in (caught, spared)),
            )
    if pd.notna(best):
        whole = of_nadir[of_nadir["measure"] == BEST_THRESHOLD].iloc[0]
        if whole["n_participants"] == 1:
            said = (
                f"The best threshold of this person is {best:.0f} %, chosen from the sets that "
                "it would judge."
            )
        else:
            said = (
                f"Chosen over all people, the best threshold is {best:.0f} %"
                f"{limits(whole, '{:.0f}')}; above, each person is judged by the threshold of the "
                "others."
            )
        yield Told(said, Origin("failure", whole.name + 2, NADIR, "set"))


def rates(failure, conditions):
    """How often sets failed, and how conditions differ in it."""
    shares = failure[failure["measure"] == SHARE].set_index("stratum")
    known = [c for c in conditions if c in shares.index and pd.notna(shares.loc[c, "value"])]
    if not known or not shares["n_failed"].sum():
        return []
    told = [
        f"{shares.loc[c, 'n_failed']:.0f} of {shares.loc[c, 'n_sets']:.0f} with {c}" for c in known
    ]
    counts = Origin("outcomes", 0, "to_failure", "set")
    sentences = [Told(f"Sets to failure: {in_words(told)}.", counts)]
    differences = failure[(failure["measure"] == DIFFERENCE) & failure["value"].notna()]
    for number, row in with_numbers(differences):
        told, test = row["note"].split(";")[0], ""
        if told.startswith("0 pairs") and ", 0 in " in told:
            told = "every pair ended alike, which leaves nothing to test"
        elif pd.notna(row["p"]):
            test = (
                f"; {p_in_words(row['p_people'])} by flipping the signs of each person's "
                f"difference, {p_in_words(row['p'])} by McNemar's exact test, which takes sets as "
                "independent"
            )
        contrast = row["stratum"].replace(" - ", " against ")
        said = (
            f"{contrast[0].upper()}{contrast[1:]}, "
            f"{counted(int(row['n_sets']), 'matched pair')} of sets: {told}{test}."
        )
        sentences.append(Told(said, Origin("failure", number, "to_failure", "set")))
    return sentences


def in_percent(row):
    """`92 % (84 to 97 %)`."""
    return f"{100 * row['value']:.0f} %" + limits(row, "{:.0f}", 100, " %")


def limits(row, shape, times=1, unit=""):
    """The interval of a row in brackets; empty where it has none."""
    if pd.isna(row["ci_low"]):
        return ""
    low, high = (shape.format(times * row[end]) for end in ("ci_low", "ci_high"))
    return f" ({low} to {high}{unit})"


def people_and_sets(row):
    people = counted(int(row["n_participants"]), "person", "people")
    return f"{row['n_failed']:.0f} of {row['n_sets']:.0f} sets to failure, {people}"
