"""The answer in few words: what was done, at which pressures, what each claim came to."""

import re

import pandas as pd

from report.sentences import in_unit
from results.words import counted, in_words, words_of
from study.plan import AS_PLANNED

# a difference of a claim as claims.tsv writes it
PART = re.compile(
    r"(?P<name>[^:;]+ - [^:;]+): (?P<estimate>[-+.\de]+) \((?P<level>[.\d]+) % CI "
    r"(?P<low>[-+.\de]+) to (?P<high>[-+.\de]+); (?P<pairs>\d+) pairs?\)"
)


def what_was_done(recordings, events, conditions):
    """People, visits, sets, exercises and conditions in one or two sentences."""
    people = recordings["participant_id"].nunique()
    visits = len(recordings[["participant_id", "session_id"]].drop_duplicates())
    begin = (
        f"{counted(people, 'person', 'people')} came to {counted(visits, 'visit')} with recordings"
    )
    sets = events[(events["trial_type"] == "set") & events["condition"].isin(conditions)]
    if sets.empty:
        return f"{begin}. The session sheet holds no set."
    exercises = [words_of(name) for name in dict.fromkeys(sets["exercise"].dropna())]
    done = [name for name in conditions if name in set(sets["condition"])]
    of = f" of {in_words(exercises)}" if exercises else ""
    kind = "condition" if len(done) == 1 else "conditions"
    said = f"{begin} and did {counted(len(sets), 'set')}{of} under the {kind} {in_words(done)}."
    not_done = [name for name in conditions if name not in done]
    return said + (f" Nobody did a set under {in_words(not_done, 'or')}." if not_done else "")


def pressures_in_words(safety, conditions, no_cuff):
    """The pressures of each condition with their share of the measured occlusion pressure."""
    said = []
    safety = safety[safety["scope"] == "set"]
    for condition in conditions:
        of_condition = safety[safety["condition"] == condition]
        if of_condition.empty:
            continue
        pressures = of_condition["highest_pressure_mmhg"].dropna()
        pressures = pressures[pressures > 0]
        if pressures.empty:
            noted = "no cuff" if condition == no_cuff else "no pressure noted"
            said.append(f"{noted} with {condition}")
            continue
        shares = of_condition["share_pct"].dropna()
        share = f"{_span(shares)} % of the occlusion pressure" if len(shares) else "share unknown"
        unknown = len(of_condition) - len(shares)
        if len(shares) and unknown:
            share += f" (unknown in {unknown} of {counted(len(of_condition), 'set')})"
        said.append(f"{_span(pressures)} mmHg with {condition}, {share}")
    return f"Cuff pressures: {'; '.join(said)}." if said else ""


def _span(estimates):
    low, high = estimates.min().round(), estimates.max().round()
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def parts_of(claim):
    """The differences of a claim with estimate, interval, its level and pairs, from claims.tsv."""
    text = claim.parts if isinstance(claim.parts, str) else ""
    return [
        {"name": part["name"].strip(), "pairs": int(part["pairs"])}
        | {key: float(part[key]) for key in ("estimate", "low", "high", "level")}
        for part in PART.finditer(text)
    ]


def plan_in_words(claims, plan):
    """What was written down before the values were seen, once for all claims."""
    if plan.frozen_at is None:
        return (
            "No plan was frozen before the values were seen: nothing shows when these claims were "
            "chosen."
        )
    kept = (claims["plan"] == AS_PLANNED).sum()
    differing = claims.loc[claims["plan"] != AS_PLANNED, "plan"].dropna()
    departures = dict.fromkeys(d for text in differing for d in text.split("; "))
    differs = f" What differs: {'; '.join(departures)}." if departures else ""
    return (
        f"The plan was frozen on {plan.frozen_at} (SHA-256 {plan.frozen_sha256[:12]}...); "
        f"{kept} of {counted(len(claims), 'claim')} {'is' if kept == 1 else 'are'} as planned."
        f"{differs}"
    )


def person_means(outcomes, outcome, window, conditions):
    """Mean over bouts of every participant, exercise and condition."""
    of_outcome = outcomes[
        (outcomes["outcome"] == outcome)
        & (outcomes["window"] == window)
        & outcomes["value"].notna()
        & outcomes["exercise"].notna()
        & outcomes["condition"].isin(conditions)
    ]
    keys = ["exercise", "condition", "participant_id"]
    return of_outcome.groupby(keys, as_index=False, sort=False)["value"].mean()


def person_by_condition(by_condition, conditions):
    """Mean of every participant in each condition, with the number of values behind it."""
    in_conditions = by_condition[by_condition["condition"].isin(conditions)]
    person_rows = []
    for participant, of_person in in_conditions.groupby("participant_id"):
        row = {"participant": participant}
        for condition in conditions:
            known = of_person.loc[of_person["condition"] == condition, "value"].dropna()
            row[condition] = f"{known.mean():.4g} (of {len(known)})" if len(known) else ""
        person_rows.append(row)
    return pd.DataFrame(person_rows)


def marks_in_words(contrasts):
    """What the marks of a picture are, beside the contrasts of its outcome."""
    said = "Marks are means over people"
    if contrasts.loc[contrasts["se"].notna(), "method"].str.contains("visit").any():
        return f"{said}; unlike the contrasts, they are not adjusted for the visit."
    return f"{said}."


def course_in_words(cells, conditions, label, unit):
    """How an outcome goes from the first to the last condition, exercise by exercise."""
    present = [c for c in conditions if (cells["condition"] == c).any()]
    if len(present) < 2:
        means = cells.groupby("exercise", sort=False)["value"].mean()
        listed = in_words([f"{words_of(name)} {mean:.3g}" for name, mean in means.items()])
        return f"{label} with {present[0]}, mean over people ({unit}): {listed}."
    first, last = present[0], present[-1]
    changes = {}
    for exercise, of_exercise in cells.groupby("exercise", sort=False):
        wide = of_exercise.pivot(index="participant_id", columns="condition", values="value")
        if {first, last} <= set(wide):
            both = wide[[first, last]].dropna()
            if len(both):
                changes[exercise] = float((both[last] - both[first]).mean())
    if not changes:
        return f"{label}: nobody has values with both {first} and {last} in one exercise."
    sizes = pd.Series(changes)
    lower, higher = int((sizes < 0).sum()), int((sizes > 0).sum())
    n = len(sizes)
    if n in (lower, higher):
        direction = "lower" if lower else "higher"
        several = "both" if n == 2 else f"all {n}"
        where = f"in {words_of(sizes.index[0])}" if n == 1 else f"in {several} exercises"
        span = sizes.abs()
        ends = dict.fromkeys(f"{size:.3g}" for size in (span.min(), span.max()))
        by = " to ".join(ends)
        size = in_unit(by, unit)
        return (
            f"{label} was on average {direction} with {last} than with {first} {where}, by {size}."
        )
    listed = "; ".join(
        f"{words_of(name)} {in_unit(f'{mean:+.3g}', unit)}" for name, mean in changes.items()
    )
    return f"{label}, mean difference {last} - {first} by exercise: {listed}."
