"""Tables for publication: what stands in them, their captions and notes."""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from cuff.cautions import CAUTION
from cuff.verdicts import COUNTING
from engine.listings import described, names_in
from report.origins import Origin
from report.pressures import BY_VISIT, planned_and_actual, pressures_by_limb, pressures_by_visit
from report.safety import people_in_words
from report.words import basis_in_columns, label_of, with_interval
from results.format import decimals, p_value, three_digits
from results.words import in_words, words_of

NEEDS = ("outcomes", "contrasts", "claims", "safety", "cuff_checks", "harms")

PARTICIPANTS = "1_participants"

OUTCOMES = "2_outcomes"

CONTRASTS = "3_contrasts"

PRESSURES = "4_pressures"

HARMS = "5_harms"

CLAIMS = "6_primary_claims"

FLOW = "7_flow"

STOPS = "8_stops"

# of each family of outcomes that are not primary, from this number on
FIRST_FAMILY = 9

# files beside them: too long for a page
BY_CONDITION = "outcomes_by_condition"

BY_CONDITION_CAPTION = "Every outcome by condition, mean (SD) over participants"

CAPTIONS = {
    PARTICIPANTS: "Participants",
    OUTCOMES: "Primary outcomes by exercise and condition, mean (SD) over participants; what "
    "follows a set counts from its end or cuff release, whichever is later",
    CONTRASTS: "Contrasts of the primary outcomes",
    PRESSURES: "Cuff pressures by condition and limb, planned and actual, with verdicts, findings "
    "and symptoms",
    HARMS: "Harms by condition, with the people and sets at risk",
}

# tables that the report shows in other ways
FURTHER_CAPTIONS = {
    CLAIMS: "Primary outcomes: contrasts over all exercises and what is claimed of them",
    FLOW: "Participants and sets by order of the conditions and by visit",
    STOPS: "Sets by how they ended",
}

EMPTY = "An empty cell: not noted, not measured or not applicable."

COMPARED = (
    "Estimates are differences within participants, each exercise with equal weight; \u00d7 marks "
    "a ratio, of values that were compared as logarithms. In brackets the interval at the level at "
    "which it agrees with the claim. Errors are clustered by participant (CR2)."
)

ADJUSTED = (
    "Adjusted p: over the contrasts of one outcome by Shaffer's steps, within exercises by Holm's; "
    "it stands only beside primary outcomes."
)

# below a table
NOTES = {
    PARTICIPANTS: f"n: participants of whom it was noted. {EMPTY}",
    OUTCOMES: "Mean (SD) over participants, each participant's sets averaged first, and their "
    "number n; all: over all exercises. Given, flagged (to be read with care) and withheld "
    "(refused or missing, with the reason in exclusions.tsv) count single values. All outcomes: "
    f"{BY_CONDITION}.tsv. {EMPTY}",
    CONTRASTS: f"{COMPARED} {ADJUSTED} Flagged and withheld: % of the values asked in both "
    f"conditions. {EMPTY}",
    PRESSURES: "Planned: as noted on the session sheet. Actual: median of each set whose cuff "
    "pressure was recorded. Difference: actual less planned, mean and range. Share: of the "
    "occlusion pressure of the same limb, side and posture. Verdicts count sets; a pressure counts "
    f"as that of its condition where it is {in_words(list(COUNTING), 'or')}. Every visit: "
    f"{BY_VISIT}.tsv. {EMPTY} {CAUTION}",
    HARMS: "People with a harm with the exact 95 % interval of their share (Clopper and Pearson "
    f"1934). {EMPTY} {CAUTION}",
    CLAIMS: f"{COMPARED} {ADJUSTED} Smallest: the smallest effect of interest that the study "
    f"states. {EMPTY}",
    FLOW: "Orders as allotted in sessions.tsv; a visit counts where its sets were done. To failure "
    f"and stopped early as noted on the session sheet. {EMPTY}",
    STOPS: f"Ends as noted on the session sheet. {EMPTY} {CAUTION}",
}

OF_FAMILY = (
    f"Not primary: no claim is made. {COMPARED} Means (SD) are over participants with their number "
    f"n. {EMPTY}"
)


@dataclass(frozen=True)
class Printed:
    """A table for print: name of its files, caption, cells and the note below it."""

    name: str
    caption: str
    table: pd.DataFrame
    note: str = ""


def printed_tables(results):
    """Every table for print, in the order of their numbers."""
    tables = {
        PARTICIPANTS: participants(results.participants),
        OUTCOMES: primary_by_exercise(results.outcomes, results.conditions, results.primary),
        CONTRASTS: contrasts_of(results.contrasts, results.primary),
        PRESSURES: pressures_by_limb(sets_of(results), visits_of(results), results.conditions),
        HARMS: harms_by_condition(results.harms),
        CLAIMS: primary_claims(results.contrasts, results.claims, results.primary),
        FLOW: flow_by_order(results.sessions, results.events, results.conditions),
        STOPS: ends_of_sets(results.events, results.conditions),
    }
    captions = CAPTIONS | FURTHER_CAPTIONS
    printed = [Printed(name, captions[name], tables[name], NOTES[name]) for name in tables]
    return printed + by_family(results)


def unprinted_tables(results):
    """What is too long for a page, by name: means of every outcome, pressures of every visit."""
    return {
        BY_CONDITION: outcomes_by_condition(results.outcomes, results.conditions),
        BY_VISIT: pressures_by_visit(visits_of(results), sets_of(results)),
    }


def sets_of(results):
    """Sets of safety.tsv with their pressures, planned and recorded."""
    no_cuff = results.settings.protocol.no_cuff_condition
    return planned_and_actual(results.safety, results.events, results.cuff_checks, no_cuff)


def visits_of(results):
    """Rows of safety.tsv of whole visits, one for each limb."""
    return results.safety[results.safety["scope"] == "visit"]


def origins_of(name, results):
    """The row of a result table behind each row of a table that the report shows.

    Empty for the participants, who stand in the study and not in its results.
    """
    if name == BY_VISIT:
        return Origin.of_each("safety", visits_of(results))
    if name == OUTCOMES:
        cells = cells_of_primary(results.outcomes, results.conditions, results.primary)
        return [Origin("outcomes", 0, outcome, window) for outcome, window, _, _ in cells]
    if name == HARMS:
        return Origin.of_each("harms", results.harms)
    if name == CONTRASTS:
        compared = results.contrasts
        of_outcomes = [
            compared[(compared["outcome"] == outcome) & (compared["window"] == window)]
            for outcome, window in results.primary
        ]
        return [origin for part in of_outcomes for origin in Origin.of_each("contrasts", part)]
    if name == BY_CONDITION:
        given = results.outcomes.loc[results.outcomes["condition"].isin(results.conditions)]
        keys = given.loc[given["value"].notna(), ["outcome", "window"]].drop_duplicates()
        ranks = {outcome: n for n, outcome in enumerate(names_in("outcomes"))}
        keys = sorted(keys.itertuples(index=False), key=lambda key: ranks[key.outcome])
        return [Origin("outcomes", 0, *key) for key in keys]
    return []


def contents_of(printed):
    """A row for each table: its file, caption and note."""
    entries = [(table.name, table.caption, table.note) for table in printed]
    return pd.DataFrame(entries, columns=["table", "caption", "note"])


def primary_claims(contrasts, claims, primary):
    """The contrasts of each primary outcome over all exercises, with what was planned of it."""
    claimed = []
    for outcome, window in primary:
        of_outcome = contrasts[(contrasts["outcome"] == outcome) & (contrasts["window"] == window)]
        of_outcome = of_outcome[of_outcome["exercise"] == "all"]
        planned = claims[(claims["outcome"] == outcome) & (claims["window"] == window)]
        verdicts = [f"{claim.claim}: {claim.verdict}" for claim in planned.itertuples()]
        for row in of_outcome.itertuples():
            claimed.append(
                {
                    "outcome": label_of(outcome),
                    "window": words_of(window),
                    "contrast": row.contrast,
                    "estimate": with_interval(row),
                    **basis_in_columns([row]),
                    "smallest": three_digits(getattr(row, "smallest_effect", math.nan)),
                    "p adjusted": p_value(row.p_adjusted),
                    "difference": row.claim,
                    "planned claim": "; ".join(verdicts),
                }
            )
    columns = ["outcome", "window", "contrast", "estimate", *basis_in_columns([])]
    columns += ["smallest", "p adjusted", "difference", "planned claim"]
    return pd.DataFrame(claimed, columns=columns)


def flow_by_order(sessions, events, conditions):
    """A row for each order and visit: participants, conditions done, sets, failures, stops."""
    visits = sessions[["participant_id", "session_id", "visit"]].copy()
    visits["order"] = sessions["sequence"].fillna("") if "sequence" in sessions else ""
    sets = events[(events["trial_type"] == "set") & events["condition"].isin(conditions)]
    done = sets.merge(visits, on=["participant_id", "session_id"], how="left")
    flow = []
    for (order, visit), allotted in visits.groupby(["order", "visit"]):
        of_visit = done[(done["order"] == order) & (done["visit"] == visit)]
        by_condition = of_visit.groupby("condition")["participant_id"].nunique()
        flow.append(
            {
                "order": order,
                "visit": int(visit),
                "participants allotted": allotted["participant_id"].nunique(),
                "participants with sets": of_visit["participant_id"].nunique(),
                "conditions": ", ".join(
                    f"{name} {by_condition[name]}" for name in conditions if name in by_condition
                ),
                "sets": len(of_visit),
                "to failure": noted_sets(of_visit, "to_failure"),
                "stopped early": noted_sets(of_visit, "stopped_early"),
            }
        )
    columns = ["order", "visit", "participants allotted", "participants with sets", "conditions"]
    return pd.DataFrame(flow, columns=[*columns, "sets", "to failure", "stopped early"])


def noted_sets(sets, column):
    """In how many sets a column of the session sheet is true; empty where nobody noted it."""
    if column not in sets or sets[column].isna().all():
        return ""
    return str(int(sets[column].eq(True).sum()))


def ends_of_sets(events, conditions):
    """How many sets of each condition and exercise ended how, as the session sheet says."""
    sets = events[(events["trial_type"] == "set") & events["condition"].isin(conditions)]
    ends = []
    groups = sets.groupby(["condition", "exercise"], sort=False)
    for (condition, exercise), of_cell in sorted(groups, key=lambda g: conditions.index(g[0][0])):
        reasons = (
            of_cell["stop_reason"].dropna() if "stop_reason" in of_cell else pd.Series(dtype=str)
        )
        counts = reasons.value_counts().sort_index()
        ends.append(
            {
                "condition": condition,
                "exercise": words_of(exercise),
                "participants": of_cell["participant_id"].nunique(),
                "sets": len(of_cell),
                "to failure": noted_sets(of_cell, "to_failure"),
                "stopped early": noted_sets(of_cell, "stopped_early"),
                "reasons": ", ".join(f"{reason} {n}" for reason, n in counts.items()),
            }
        )
    columns = ["condition", "exercise", "participants", "sets", "to failure", "stopped early"]
    return pd.DataFrame(ends, columns=[*columns, "reasons"])


def by_family(results):
    """A table for each family: means by condition and contrasts over all exercises, no claims."""
    primary = set(results.primary)
    means = outcomes_by_condition(results.outcomes, results.conditions, named=True)
    compared = results.contrasts
    compared = compared[compared["exercise"] == "all"] if len(compared) else None
    by_outcome = {}
    for contrast in compared.itertuples() if compared is not None else ():
        by_outcome.setdefault((contrast.outcome, contrast.window), []).append(contrast)
    printed = []
    for family in dict.fromkeys(described(name).FAMILY for name in names_in("outcomes")):
        of_family = []
        for row in means.to_dict("records"):
            outcome, window = row.pop("name"), row.pop("of_window")
            if family != described(outcome).FAMILY or (outcome, window) in primary:
                continue
            cells = {"outcome": row["outcome"], "window": row["window"]}
            cells |= {condition: row[condition] for condition in results.conditions}
            if compared is not None:
                contrasts = by_outcome.get((outcome, window), [])
                cells |= {c.contrast: with_interval(c) for c in contrasts}
                cells |= basis_in_columns(contrasts)
            of_family.append(cells)
        if of_family:
            name = f"{FIRST_FAMILY + len(printed)}_{family.replace(' ', '_')}"
            caption = f"Secondary outcomes: {family}"
            printed.append(Printed(name, caption, pd.DataFrame(of_family), OF_FAMILY))
    return printed


def participants(people):
    """Number, mean, SD and range of what the study holds per person."""
    facts = [{"characteristic": "participants", "n": len(people), "summary": ""}]
    for name in ("age_years", "body_mass_kg", "stature_cm"):
        known = people[name].dropna().astype(float)
        if len(known):
            spread = f" (SD {known.std():.1f})" if len(known) > 1 else ""
            summary = f"{known.mean():.1f}{spread}, {known.min():g} to {known.max():g}"
            facts.append({"characteristic": words_of(name), "n": len(known), "summary": summary})
    for sex, count in people["sex"].value_counts().sort_index().items():
        facts.append({"characteristic": f"sex: {sex}", "n": int(count), "summary": ""})
    return pd.DataFrame(facts)


SUMMARISED = ["participant_id", "outcome", "window", "exercise", "condition", "value", "status"]


def outcomes_by_condition(outcomes, conditions, *, named=False):
    """Mean and SD over participants, with how many values were given, flagged and withheld.

    Of an outcome that is measured in or after sets, only these: the minute after the last set is
    the first of the whole recovery as well and counts once, as in the contrasts.

    named : whether columns `name` and `of_window` hold the names of outcome and window as well
    """
    # of many people every column more is a copy of much
    in_condition = outcomes.loc[outcomes["condition"].isin(conditions), SUMMARISED]
    summaries = []
    for (outcome, window), of_outcome in in_condition.groupby(["outcome", "window"], sort=False):
        if of_outcome["value"].isna().all():
            continue
        if of_outcome["exercise"].notna().any():
            of_outcome = of_outcome[of_outcome["exercise"].notna()]
        row = {"outcome": label_of(outcome), "window": words_of(window)}
        row |= {"name": outcome, "of_window": window} if named else {}
        summaries.append(row | means_and_counts(of_outcome, conditions))
    order = {label_of(name): n for n, name in enumerate(names_in("outcomes"))}
    return (
        pd.DataFrame(summaries).sort_values("outcome", key=lambda c: c.map(order), kind="stable")
        if summaries
        else pd.DataFrame(columns=["outcome", "window"])
    )


def primary_by_exercise(outcomes, conditions, primary):
    """Mean and SD of each primary outcome over all exercises and in each, with their counts."""
    summaries = [
        {
            "outcome": label_of(outcome),
            "window": words_of(window),
            "exercise": words_of(exercise),
            **means_and_counts(cell, conditions),
        }
        for outcome, window, exercise, cell in cells_of_primary(outcomes, conditions, primary)
    ]
    columns = ["outcome", "window", "exercise", *conditions, "given", "flagged", "withheld"]
    return pd.DataFrame(summaries, columns=columns)


def cells_of_primary(outcomes, conditions, primary):
    """Outcome, window, exercise and values of each row of `primary_by_exercise`."""
    in_condition = outcomes.loc[outcomes["condition"].isin(conditions), SUMMARISED]
    for outcome, window in primary:
        asked = in_condition["outcome"].eq(outcome) & in_condition["window"].eq(window)
        of_outcome = in_condition[asked]
        if of_outcome["value"].isna().all():
            continue
        exercises = of_outcome["exercise"].dropna().unique()
        of_sets = of_outcome[of_outcome["exercise"].notna()] if len(exercises) else of_outcome
        yield outcome, window, "all", of_sets
        for exercise in exercises if len(exercises) > 1 else ():
            yield outcome, window, exercise, of_sets[of_sets["exercise"] == exercise]


def means_and_counts(of_outcome, conditions):
    """Mean and SD over participants in each condition, and how many values were given, flagged
    and withheld."""
    row = {}
    measured, status = of_outcome["value"].to_numpy(float), of_outcome["status"].to_numpy(object)
    done, people = (of_outcome[name].to_numpy(object) for name in ("condition", "participant_id"))
    known = ~np.isnan(measured)
    for condition in conditions:
        chosen = known & (done == condition)
        of_person, _ = pd.factorize(people[chosen])
        sums = np.bincount(of_person, measured[chosen])
        row[condition] = mean_and_sd(sums / np.bincount(of_person))
    return row | {
        "given": int(known.sum()),
        "flagged": int((status == "flagged").sum()),
        "withheld": int(((status == "refused") | (status == "missing")).sum()),
    }


def mean_and_sd(of_people):
    """Mean and SD with the decimals that the SD supports, two of its digits at least (convention).

    Without spread the mean alone with four digits.
    """
    if not len(of_people):
        return ""
    sd = of_people.std(ddof=1) if len(of_people) > 1 else math.nan
    if not sd > 0:
        return f"{of_people.mean():.4g}, n {len(of_people)}"
    decimals = max(0, 1 - math.floor(math.log10(sd)))
    return f"{of_people.mean():.{decimals}f} ({sd:.{decimals}f}), n {len(of_people)}"


def contrasts_of(compared, primary):
    """Estimate, interval and p of every contrast of the primary outcomes."""
    estimates = []
    for outcome, window in primary:
        of_outcome = compared[(compared["outcome"] == outcome) & (compared["window"] == window)]
        for row in of_outcome.itertuples():
            estimates.append(
                {
                    "outcome": label_of(outcome),
                    "window": words_of(window),
                    "exercise": words_of(row.exercise),
                    "contrast": row.contrast,
                    "estimate": with_interval(row),
                    "df": decimals(row.df, 1),
                    "p": p_value(row.p),
                    "p adjusted": p_value(row.p_adjusted),
                    "claim": row.claim,
                    **basis_in_columns([row]),
                }
            )
    columns = ["outcome", "window", "exercise", "contrast", "estimate", "df", "p", "p adjusted"]
    columns += ["claim", *basis_in_columns([])]
    return pd.DataFrame(estimates, columns=columns)


def harms_by_condition(harms):
    """Harms of each condition, all and by kind; that there was none, or that no table was kept."""
    counts = [
        {
            "condition": row.condition,
            "harm": row.what,
            "grade": "" if pd.isna(row.grade) else row.grade,
            "harms": decimals(row.harms, 0),
            "people": people_in_words(row),
            "sets at risk": int(row.sets_at_risk),
            "related to the cuff": decimals(row.related, 0),
            "not resolved": decimals(row.unresolved, 0),
            "latest, days after": decimals(row.latest_days_after, 0),
            "note": "" if pd.isna(row.note) else row.note,
        }
        for row in harms.itertuples()
    ]
    return pd.DataFrame(counts)
