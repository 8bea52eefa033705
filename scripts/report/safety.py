"""Safety in sentences and small tables: findings, verdicts, checks, harms, blood pressure."""

import pandas as pd

from cuff.occlusion import ESTIMATED
from cuff.signs import CHECKS, CUFF_TIMES
from cuff.verdicts import ABOVE_LIMIT, AT_OCCLUSION, COUNTING, GRAVEST_FIRST, OTHER, UNKNOWN
from results.words import counted, in_words, words_of

NOTHING = ("none", "none noted")

# how a finding of safety.tsv begins or goes on, and what it is called in short
FINDINGS = {
    r"at or above occlusion pressure:": "a pressure at or above an occlusion pressure of its limb",
    r"may be at or above occlusion": "a pressure that may be at or above occlusion",
    r"share above [\d.]+ %": "a share above the largest of the study",
    r"blood pressure .* the study stops at": "blood pressure at a stop limit of the study",
    r"is no passed step of the titration": "a pressure that is no passed step of the titration",
    r"mmHg .* in condition": "pressure in the condition without cuff",
    r"cuff noted on another limb": "a cuff on another limb than the working one",
    r"above the pressure noted for the sets": "a cuff with more pressure than noted for its sets",
    r"recorded pressure:": "a recorded pressure that departs from the one noted",
    r"min without release": "a cuff inflated for longer than the limit without release",
}

SYMPTOMS = {
    r"marked numbness": "marked numbness",
    r"no distal flow": "no flow distal to the cuff",
    r"skin (?:pale|blue|mottled)": "pale, blue or mottled skin",
    r"refill [\d.]+ s": "slow capillary refill",
    r"pain [\d.]+ of 10": "severe pain",
}

MOST_PLACES = 4

# verdicts that say nothing by themselves; the share is that of the occlusion pressure
VERDICTS_IN_WORDS = {
    UNKNOWN: "with an unknown share",
    ESTIMATED: "with an estimated share",
    **{verdict: f"with a share from an{verdict}" for verdict in OTHER.values()},
}


def safety_findings(safety, harms):
    """What a person must look at before any result, one short sentence each, or nothing.

    safety, harms : result tables of these names
    """
    of_visits = safety[safety["scope"] != "set"]
    said = short_findings(of_visits)
    stopped = int(of_visits["stopped_early"].fillna(0).sum())
    if stopped:
        said.append(f"{counted(stopped, 'set')} stopped early")
    if not_counting(safety):
        said.append(not_counting(safety))
    of_conditions = harms[(harms["what"] == "all") & (harms["harms"].fillna(0) > 0)]
    said += [
        f"{counted(int(row.harms), 'harm')} with {row.condition}"
        for row in of_conditions.itertuples()
    ]
    return said


def short_findings(of_visits):
    """Findings and symptoms of some visits in short, each with where, or nothing."""
    said = [
        f"{words} ({places_of(told)})"
        for column, kinds in (("findings", FINDINGS), ("symptoms", SYMPTOMS))
        for pattern, words in kinds.items()
        if len(told := of_visits[of_visits[column].fillna("").str.contains(pattern)])
    ]
    unnamed = other_findings(of_visits)
    return [*said, f"a finding of another kind ({places_of(unnamed)})"] if len(unnamed) else said


def other_findings(of_visits):
    """Rows with a finding that has no short name; what a visit without sets says is none."""
    told = of_visits["findings"].fillna("none")
    without_sets = of_visits["scope"].eq("visit") & of_visits["sets"].isna()
    named = told.isin(NOTHING) | told.str.contains("|".join(FINDINGS))
    return of_visits[~without_sets & ~named]


def places_of(table):
    """Participant and visit of some rows; of many the first and how many more."""
    visits = list(
        dict.fromkeys(
            f"{p} {s}" for p, s in zip(table["participant_id"], table["session_id"], strict=True)
        )
    )
    more = f" and {len(visits) - MOST_PLACES} more visits" if len(visits) > MOST_PLACES else ""
    return ", ".join(visits[:MOST_PLACES]) + more


def sets_with_pressure(safety):
    """Sets that have a verdict: those under a cuff, and those of which no pressure is known."""
    return safety[(safety["scope"] == "set") & safety["verdict"].notna()]


def not_counting(safety):
    """How many sets do not count as the pressure of their condition, by verdict; or nothing."""
    sets = sets_with_pressure(safety)
    outside = sets[~sets["verdict"].isin(COUNTING)]
    if outside.empty:
        return ""
    by_verdict = ", ".join(
        f"{(outside['verdict'] == verdict).sum()} {VERDICTS_IN_WORDS.get(verdict, verdict)}"
        for verdict in GRAVEST_FIRST
        if (outside["verdict"] == verdict).any()
    )
    return (
        f"{len(outside)} of {counted(len(sets), 'set')} with a cuff not counted as at the pressure "
        f"of the condition ({by_verdict})"
    )


def findings_table(safety):
    """Every finding and symptom in full, a row for each visit and limb, the gravest first."""
    told = safety[
        (safety["scope"] != "set")
        & safety["sets"].where(safety["scope"] == "visit", 1).notna()
        & ~(
            safety["findings"].fillna("none").isin(NOTHING)
            & safety["symptoms"].fillna("none noted").isin(NOTHING)
        )
    ]
    grave = told["findings"].str.contains("at or above occlusion")
    told = told.assign(order=~grave).sort_values("order", kind="stable")
    table = told[
        ["participant_id", "session_id", "condition", "limb", "findings", "symptoms"]
    ].astype(object)
    return table.where(~table.isin(NOTHING), None).dropna(axis=1, how="all")


def outside_table(safety):
    """Sets whose pressure does not count with the reason, a row for alike sets of a visit."""
    sets = sets_with_pressure(safety)
    outside = sets[~sets["verdict"].isin(COUNTING)]
    labels = ["participant_id", "session_id", "condition", "limb", "verdict", "verdict_reason"]
    columns = [*labels, "highest_pressure_mmhg"]
    counts = outside.groupby(columns, sort=False, dropna=False).size().rename("sets")
    table = counts.reset_index().rename(columns={"verdict_reason": "why"})
    return table.rename(columns={"highest_pressure_mmhg": "pressure, mmHg"})


def verdicts_in_words(safety, highest_share_pct, *, by_study):
    """What the verdicts rest on, and how many sets count; nothing without a set under a cuff."""
    sets = sets_with_pressure(safety)
    if sets.empty:
        return []
    counting = int(sets["verdict"].isin(COUNTING).sum())
    whose = "set by this study" if by_study else "the default, which this study did not change"
    said = [
        f"{counting} of {counted(len(sets), 'set')} with a cuff were at a pressure that counts as "
        f"that of the condition. The largest share of the protocol is {highest_share_pct:g} % of "
        f"the occlusion pressure ({whose}); it is a limit of the study, not a pressure that is "
        "safe."
    ]
    if counting < len(sets):
        said.append("The contrasts without the other sets stand among the alternative analyses.")
    for verdict, words in (
        (AT_OCCLUSION, "at or above an occlusion pressure of the limb"),
        (ABOVE_LIMIT, "above that limit"),
    ):
        there = sets[sets["verdict"] == verdict]
        if len(there):
            said.append(
                f"{counted(len(there), 'set was', 'sets were')} {words} ({places_of(there)})."
            )
    return said


def missing_in_words(safety):
    """Checks that were not noted at sets with a cuff, counted; or that none lacks."""
    sets = sets_with_pressure(safety)
    if sets.empty:
        return ""
    every = counted(len(sets), "set")
    if lacking := lacking_checks(sets):
        return f"Not noted in the {every} with a cuff: {lacking}."
    return f"Every check was noted in all {every} with a cuff."


def lacking_checks(sets):
    """Checks that were not noted, each with in how many sets; empty where none lacks."""
    noted = sets["missing_checks"].fillna("none").str.split("; ")
    lacking = {
        check: int(noted.map(lambda names, c=check: c in names).sum())
        for check in (*CHECKS, CUFF_TIMES)
    }
    told = [f"{words_of(check.removesuffix('_s'))} in {n}" for check, n in lacking.items() if n]
    return in_words(told) if told else ""


def blood_pressure_in_words(events, settings):
    """How often blood pressure was noted and what it was held against; nothing where never.

    `settings`: the section check_safety.
    """
    systolic, diastolic = events["systolic_mmhg"], events["diastolic_mmhg"]
    noted = int((systolic.notna() | diastolic.notna()).sum())
    if not noted:
        return ""
    limits = {"systolic": settings.stop_systolic_mmhg, "diastolic": settings.stop_diastolic_mmhg}
    stated = {name: limit for name, limit in limits.items() if limit is not None}
    begin = f"Blood pressure was noted {counted(noted, 'time')}"
    if not stated:
        return (
            f"{begin} and held against nothing: the study states no limit at which it stops "
            "(stop_systolic_mmhg, stop_diastolic_mmhg)."
        )
    reached = pd.Series(False, index=events.index)
    for name, limit in stated.items():
        reached |= events[f"{name}_mmhg"] >= limit
    at = in_words([f"{name} {limit:g} mmHg" for name, limit in stated.items()])
    unchecked = [name for name in limits if name not in stated]
    rest = f" No {unchecked[0]} limit is stated." if unchecked else ""
    n_reached = int(reached.sum()) or "none"
    return f"{begin}; {n_reached} reached a limit at which the study stops ({at}, its own).{rest}"


def harms_in_words(harms):
    """Harms by condition with the people and sets at risk, also where there was none."""
    every = harms[harms["what"] == "all"]
    if every.empty:
        return []
    if every["harms"].isna().all():
        return [
            "No harms table was kept: whether anybody was harmed is not known.",
            "A harms.tsv with a header and no rows would say that harms were asked for and none "
            "occurred.",
        ]

    def at_risk(row):
        people = counted(int(row.people_at_risk), "person", "people")
        return f"{people} and {counted(int(row.sets_at_risk), 'set')}"

    if not every["harms"].sum():
        by_condition = in_words([f"{at_risk(row)} ({row.condition})" for row in every.itertuples()])
        return [f"No harm was noted: none in {by_condition}."]
    said = []
    for row in every.itertuples():
        number = counted(int(row.harms), "harm") if row.harms else "no harm"
        said.append(f"{row.condition}: {number} in {at_risk(row)}")
    return [f"Harms by condition, with the people and sets at risk: {'; '.join(said)}."]


def harms_table(harms):
    """The single kinds of harm by condition; None without one."""
    single = harms[(harms["what"] != "all") & harms["harms"].notna()]
    if single.empty:
        return None
    people = [people_in_words(row) for row in single.itertuples()]
    columns = ["condition", "what", "grade", "harms"]
    rest = ["related", "unresolved", "latest_days_after"]
    return pd.concat(
        [single[columns], pd.Series(people, index=single.index, name="people"), single[rest]],
        axis=1,
    )


def titration_in_words(titration):
    """How many steps were tried and passed, and how many sets used a passed one; or nothing."""
    if titration.empty:
        return ""
    passed = titration[titration["passed"] == "yes"]
    used = int(passed["sets_at_pressure"].sum())
    people = counted(titration["participant_id"].nunique(), "person", "people")
    steps = counted(len(titration), "pressure step was", "pressure steps were")
    return (
        f"{steps} tried in {people} while the individual target was looked for; {len(passed)} "
        f"passed, used in {counted(used, 'set')}. A passed step is one that was accepted, with "
        "flow heard, refill within its limit and no stop sign; it is no statement that the "
        "pressure is safe."
    )


def titration_table(titration):
    """The steps of a titration as people read them."""
    columns = [
        *("participant_id", "session_id", "limb", "side", "posture", "cuff", "pressure_mmhg"),
        *("capillary_refill_s", "distal_flow", "skin_colour", "pain", "numbness", "smo2_pct"),
        *("passed", "reason", "sets_at_pressure"),
    ]
    return titration[columns].dropna(axis=1, how="all")


def people_in_words(row):
    """`1 of 10 (95 % CI 0 to 45 %)`, or those at risk where nothing is known."""
    if pd.isna(row.people):
        return f"of {int(row.people_at_risk)}"
    said = f"{int(row.people)} of {int(row.people_at_risk)}"
    if pd.isna(row.people_ci_low_pct):
        return said
    return f"{said} (95 % CI {row.people_ci_low_pct:.0f} to {row.people_ci_high_pct:.0f} %)"
