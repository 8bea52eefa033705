"""Harms by condition, beside the people and sets that were at risk, also when there were none."""

import pandas as pd

ALL, UNATTRIBUTED = "all", "not attributed"

NO_TABLE = "no harms table was kept"


def harms_table(harms, sets, conditions, *, kept):
    """One row for each condition and harm, after one for all harms of the condition.

    harms : rows of harms.tsv; `kept` says whether the study has that table at all
    sets : sets of the session sheet, left out of the analysis or not
    conditions : of the study, in order

    A harm belongs to the condition of its event, else to that of the visit's sets where they share
    one. The interval of the share of people with a harm is exact (Clopper and Pearson 1934).
    """
    harms = harms.assign(condition=[condition_of(harm, sets) for harm in harms.itertuples()])
    in_order = [name for name in conditions if (sets["condition"] == name).any()]
    if (harms["condition"] == UNATTRIBUTED).any():
        in_order.append(UNATTRIBUTED)
    counted = []
    for condition in in_order:
        done = sets if condition == UNATTRIBUTED else sets[sets["condition"] == condition]
        at_risk = {
            "condition": condition,
            "people_at_risk": done["participant_id"].nunique(),
            "sets_at_risk": len(done),
        }
        if not kept:
            counted.append(at_risk | {"what": ALL, "note": NO_TABLE})
            continue
        of_condition = harms[harms["condition"] == condition]
        alike = of_condition.groupby(["what", "grade"])
        of_each = [({"what": what, "grade": grade}, told) for (what, grade), told in alike]
        for labels, of_labels in [({"what": ALL}, of_condition), *of_each]:
            counted.append(at_risk | labels | harm_counts(of_labels, at_risk["people_at_risk"]))
    return pd.DataFrame(counted)


def condition_of(harm, sets):
    """Condition that a harm belongs to."""
    of_person = sets[sets["participant_id"] == harm.participant_id]
    if pd.notna(harm.event_id):
        of_person = of_person[of_person["event_id"] == harm.event_id]
    elif pd.notna(harm.session_id):
        of_person = of_person[of_person["session_id"] == harm.session_id]
    there = of_person["condition"].unique()
    return there[0] if len(there) == 1 else UNATTRIBUTED


def harm_counts(harms, people_at_risk):
    """Numbers of harms and of people with one, with the interval of their share in %."""
    people = harms["participant_id"].nunique()
    low_pct, high_pct = exact_interval_pct(people, people_at_risk)
    days = harms["days_after"].dropna()
    return {
        "harms": len(harms),
        "people": people,
        "people_ci_low_pct": low_pct,
        "people_ci_high_pct": high_pct,
        "related": int(harms["related"].isin(["yes", "probable", "possible"]).sum()),
        "unresolved": int((harms["resolved"] == "no").sum()),
        "latest_days_after": days.max() if len(days) else None,
        "note": "" if len(harms) else "none",
    }


def exact_interval_pct(n, of):
    """Exact 95 % interval of a share in % (Clopper and Pearson 1934); none of no people at risk."""
    from scipy.special import betaincinv

    if not of or n > of:
        return None, None
    tail = 0.025
    low = betaincinv(n, of - n + 1, tail) if n else 0.0
    high = betaincinv(n + 1, of - n, 1 - tail) if n < of else 1.0
    return 100 * float(low), 100 * float(high)
