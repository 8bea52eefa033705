"""Few people, person by person: work as done, differences with every bout, what stands against it.

Nothing here is a claim: the bouts of a visit are no independent repetitions of a condition.
"""

import pandas as pd

from engine.listings import described
from report.heart import FALLS
from report.origins import Origin, Told
from report.sentences import in_unit
from report.words import label_of
from results.words import counted, in_words, words_of

# work, saturation, heart, recovery, how it felt; what a study lacks is left out
TOLD = (
    ("reps_done", "set"),
    ("smo2_nadir_pct", "set"),
    ("mean_hr_bpm", "set"),
    ("peak_hr_bpm", "set"),
    ("reoxygenation_half_time_s", "recovery_first_60_s"),
    ("hrr_60_bpm", "recovery_first_60_s"),
    ("rpe", "set"),
    ("pain", "set"),
)

# differences in a sentence; the others stand in the tables
IN_WORDS = (
    ("smo2_nadir_pct", "set"),
    ("mean_hr_bpm", "set"),
    ("reoxygenation_half_time_s", "recovery_first_60_s"),
    ("hrr_60_bpm", "recovery_first_60_s"),
)

DRAWN = (
    ("reps_done", "set"),
    ("smo2_nadir_pct", "set"),
    ("mean_hr_bpm", "set"),
    ("reoxygenation_half_time_s", "recovery_first_60_s"),
)


def people_compared(outcomes, conditions):
    """Participants with anything in one of the conditions, in order of name."""
    within = outcomes["condition"].isin(conditions)
    return sorted(outcomes.loc[within, "participant_id"].unique())


def is_one_participant(outcomes, conditions):
    return len(people_compared(outcomes, conditions)) == 1


def sets_of(outcomes, participant, conditions):
    """Values of one person that stand on sets, in the order done, `number` counting the bouts.

    Bouts are numbered by their order within exercise and condition, whatever the sheet calls them.
    """
    sets = outcomes[
        (outcomes["participant_id"] == participant)
        & (outcomes["trial_type"] == "set")
        & outcomes["condition"].isin(conditions)
        & outcomes["exercise"].notna()
    ]
    events = sets[["session_id", "visit", "event_id", "event_onset_s", "exercise", "condition"]]
    events = events.drop_duplicates(["session_id", "event_id"])
    events = events.sort_values(["visit", "event_onset_s"], kind="stable")
    numbered = events.assign(number=events.groupby(["exercise", "condition"]).cumcount() + 1)
    keys = ["session_id", "event_id"]
    return sets.merge(numbered[[*keys, "number"]], on=keys).sort_values(
        ["visit", "event_onset_s"], kind="stable"
    )


def values_of(sets, outcome, window="set"):
    return sets[(sets["outcome"] == outcome) & (sets["window"] == window) & sets["value"].notna()]


def order_in_words(sets, conditions):
    """In which visits and in which order one person had the conditions."""
    done = sets.drop_duplicates(["session_id", "condition"])
    visits = done["session_id"].nunique()
    order = [str(name) for name in done["condition"]]
    if len(set(order)) == 1:
        return f"{counted(visits, 'visit')}, all with {order[0]}."
    if visits == 1:
        return f"One visit, in this order: {', '.join(order)}."
    by_visit = done.groupby("session_id", sort=False)["condition"].agg(", ".join)
    listed = "; ".join(f"{session} {names}" for session, names in by_visit.items())
    return f"{counted(visits, 'visit')}: {listed}."


def work_in_words(sets, conditions):
    """Repetitions bout by bout, and how many sets were to failure; empty where none was noted."""
    reps, failed = values_of(sets, "reps_done"), values_of(sets, "to_failure")
    said = []
    if len(reps):
        parts = []
        for exercise, of_part in reps.groupby("exercise", sort=False):
            of_condition = [
                f"{listed(of_part.loc[of_part['condition'] == name, 'value'])} with {name}"
                for name in conditions
                if (of_part["condition"] == name).any()
            ]
            parts.append(f"{words_of(exercise)} {'; '.join(of_condition)}")
        said.append(f"{'. '.join(part[:1].upper() + part[1:] for part in parts)}.")
    if len(failed) and failed["value"].any():
        counts = [
            f"{of_part['value'].sum():.0f} of {len(of_part)} with {name}"
            for name in conditions
            if len(of_part := failed[failed["condition"] == name])
        ]
        said.append(f"Sets to failure: {in_words(counts)}.")
    return " ".join(said)


def differences_in_words(cases, outcome, window, conditions):
    """The last condition of the study against the others, exercise by exercise, then the overlap.

    cases : rows of single_case.tsv of one person

    Gives (name of the outcome, sentences), or None without a difference.
    """
    module = described(outcome)
    of_outcome = cases[
        (cases["outcome"] == outcome) & (cases["window"] == window) & cases["difference"].notna()
    ]
    last = conditions[-1]
    of_outcome = of_outcome[
        of_outcome["contrast"].isin([f"{last} - {reference}" for reference in conditions[:-1]])
    ]
    if of_outcome.empty:
        return None
    within = of_outcome[of_outcome["exercise"] != "all"]
    within = of_outcome if within.empty else within
    parts = []
    for exercise, of_exercise in within.groupby("exercise", sort=False):
        where = "" if exercise == "all" else f"in {words_of(exercise)} "
        differences = [against(row, module) for row in of_exercise.itertuples()]
        mean = f"{shown(of_exercise['condition_mean'].iloc[0])} {module.UNIT}".strip()
        parts.append(f"{where}{mean} with {last}, {in_words(differences)}")
    said = f"{'; '.join(parts)}."
    overlaps = [
        overlap_in_words(row, module)
        for row in of_outcome[of_outcome["exercise"] == "all"].itertuples()
        if pd.notna(row.nap)
    ]
    if overlaps:
        said += f" It was {in_words(overlaps)} of bouts."
    if outcome in FALLS:
        said += " A fall from a higher rate is larger."
    return module.LABEL, said[:1].upper() + said[1:]


def single_error_in_words(sets, outcome, window):
    """The error of one value, beside which small differences are to be read; empty without one."""
    errors = values_of(sets, outcome, window)["se"].dropna()
    if errors.empty:
        return ""
    size = in_unit(shown(errors.median()), described(outcome).UNIT)
    return f" The standard error of a single value is {size} (median)."


def against(row, module):
    """`32.6 percentage points lower than with none (46.2)`, or `1.02 times that with none`."""
    reference = row.contrast.split(" - ")[1]
    if module.SCALE == "ratio":
        return f"{row.difference:.2f} times that with {reference} ({shown(row.reference_mean)})"
    if row.difference == 0:
        return f"the same as with {reference}"
    size = in_unit(shown(abs(row.difference)), module.UNIT)
    direction = "lower" if row.difference < 0 else "higher"
    return f"{size} {direction} than with {reference} ({shown(row.reference_mean)})"


def overlap_in_words(row, module):
    """In how many pairs of bouts a difference goes its way; ties count half."""
    neutral = 1.0 if module.SCALE == "ratio" else 0.0
    higher = row.difference > neutral
    wins = (row.nap if higher else 1 - row.nap) * row.n_comparisons
    direction = "higher" if higher else "lower"
    reference = row.contrast.split(" - ")[1]
    return f"{direction} than with {reference} in {wins:.3g} of {row.n_comparisons:.0f} pairs"


def rest_in_words(outcomes, sets, participant):
    """Heart rate and saturation at rest before the sets, exercise by exercise; empty without."""
    of_person = outcomes[(outcomes["participant_id"] == participant) & outcomes["value"].notna()]
    rate = of_person[(of_person["outcome"] == "mean_hr_bpm") & (of_person["window"] == "baseline")][
        "value"
    ]
    said = [f"heart rate {listed(rate)} bpm"] if len(rate) else []
    saturation = values_of(sets, "smo2_baseline_pct").drop_duplicates(["session_id", "exercise"])
    if len(saturation):
        muscles = [
            f"{listed(of_exercise['value'])} % ({words_of(exercise)})"
            for exercise, of_exercise in saturation.groupby("exercise", sort=False)
        ]
        said.append(f"saturation {in_words(muscles)}")
    return f"Before the sets: {'; '.join(said)}." if said else ""


def shown(number):
    """A value with what its size bears: one decimal below 100, two digits below 1."""
    if abs(number) < 1:
        return f"{number:.2g}"
    return f"{number:.0f}" if abs(number) >= 100 else f"{number:.1f}".removesuffix(".0")


def listed(numbers):
    return ", ".join(shown(number) for number in numbers)


def pressures_of_person(safety, participant, conditions):
    """Pressures and shares of the occlusion pressure by condition and limb; empty without a cuff.

    safety : rows of safety.tsv
    """
    sets = safety[
        (safety["participant_id"] == participant)
        & (safety["scope"] == "set")
        & (safety["highest_pressure_mmhg"] > 0)
    ]
    said = []
    for condition in conditions:
        of_condition = sets[sets["condition"] == condition]
        parts = [
            f"{limb}{span(of_limb['highest_pressure_mmhg'])} mmHg, {share_in_words(of_limb)}"
            for limb, of_limb in of_condition.assign(
                limb=[f"{name} " if isinstance(name, str) else "" for name in of_condition["limb"]]
            ).groupby("limb", sort=False)
        ]
        if parts:
            said.append(f"{condition.capitalize()}: {'; '.join(parts)}.")
    if not said:
        return ""
    return " ".join(said) + " They are this person's pressures and no advice."


def share_in_words(sets):
    """The share of the occlusion pressure, and every verdict but that it lies within."""
    known = sets["share_pct"].dropna()
    share = f"{span(known)} % of the occlusion pressure" if len(known) else "share unknown"
    verdicts = [verdict for verdict in sets["verdict"].dropna().unique() if verdict != "within"]
    return share + (f" ({', '.join(verdicts)})" if verdicts else "")


def span(numbers):
    low, high = numbers.min().round(), numbers.max().round()
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def bouts_table(sets, events, participant, conditions):
    """Every bout: a row for each exercise and condition, values in the order of the bouts."""
    pressures = events[
        (events["participant_id"] == participant)
        & (events["trial_type"] == "set")
        & events["condition"].isin(conditions)
    ]
    given = [key for key in TOLD if len(values_of(sets, *key))]
    table_rows = []
    for exercise in dict.fromkeys(sets["exercise"]):
        for condition in conditions:
            bouts = sets[(sets["exercise"] == exercise) & (sets["condition"] == condition)]
            if bouts.empty:
                continue
            here = pressures[
                (pressures["exercise"] == exercise) & (pressures["condition"] == condition)
            ]
            row = {"exercise": words_of(exercise), "condition": condition}
            row["cuff (mmHg)"] = in_order(here["cuff_pressure_mmhg"])
            for outcome, window in given:
                row[label_of(outcome)] = in_order_of_bouts(bouts, outcome, window)
            table_rows.append(row)
    return pd.DataFrame(table_rows)


def in_order(numbers):
    """Values one after the other, one where all are the same."""
    texts = ["not noted" if pd.isna(number) else f"{number:.3g}" for number in numbers]
    return texts[0] if len(set(texts)) == 1 else ", ".join(texts)


def in_order_of_bouts(sets, outcome, window):
    """Values of an outcome in the order of the bouts, a dash where one was not given."""
    asked = sets[(sets["outcome"] == outcome) & (sets["window"] == window)]
    return ", ".join("\N{EN DASH}" if pd.isna(bout) else shown(bout) for bout in asked["value"])


def differences_table(cases):
    """Differences of the told outcomes within each exercise, a column for each contrast."""
    by_exercise = {}
    for outcome, window in TOLD:
        of_outcome = cases[
            (cases["outcome"] == outcome)
            & (cases["window"] == window)
            & cases["difference"].notna()
        ]
        for row in of_outcome.itertuples():
            exercise = "over all exercises" if row.exercise == "all" else words_of(row.exercise)
            ratio = row.scale == "ratio"
            size = f"\N{MULTIPLICATION SIGN} {row.difference:.3g}" if ratio else None
            size = size or (f"{row.difference:+.3g}" if row.difference else "0")
            overlap = (
                f" (NAP {row.nap:.2f}, n {row.n_comparisons:.0f})" if pd.notna(row.nap) else ""
            )
            labels = (label_of(outcome), exercise)
            by_exercise.setdefault(labels, {})[row.contrast] = Told(
                size + overlap, Origin.of("single_case", row)
            )
    table = [{"outcome": o, "exercise": e} | sizes for (o, e), sizes in by_exercise.items()]
    return pd.DataFrame(table).fillna("")


def chance_in_words(cases):
    """The randomisation tests of one person over all exercises; empty without a stated draw."""
    tested = cases[(cases["exercise"] == "all") & cases["randomisation_p"].notna()]
    told = [
        key for key in TOLD if key in set(zip(tested["outcome"], tested["window"], strict=True))
    ]
    parts = []
    for outcome, window in told:
        of_outcome = tested[(tested["outcome"] == outcome) & (tested["window"] == window)]
        each = [f"{row.contrast} p = {row.randomisation_p:.2g}" for row in of_outcome.itertuples()]
        parts.append(f"{described(outcome).LABEL}: {', '.join(each)}")
    if not parts:
        return ""
    smallest = tested["randomisation_minimum"].min()
    return (
        f"The draw that the plan states allows a randomisation test, smallest possible p "
        f"{smallest:.2g}, over all exercises and not adjusted. {'. '.join(parts)}."
    )


def against_it(sets, cases, n_baselines):
    """What order and measurement forbid to conclude from one person, each thing once."""
    order = list(dict.fromkeys(sets["condition"]))
    visits = sets["session_id"].nunique()
    sentences = ["Nothing here speaks of other people."]
    drawn = cases["randomisation_p"].notna().any()
    if len(order) > 1 and visits == 1:
        sentences.append(
            f"All conditions were done in one visit, in the order {', '.join(order)}: a difference "
            "between them is also one between earlier and later, with whatever fatigue, warming or "
            "practice changed."
        )
        if n_baselines == 1:
            sentences.append("One resting baseline stands for all of them.")
    elif len(order) > 1 and not drawn:
        sentences.append(
            "Each condition was done on its own days: a difference between conditions is also one "
            "between these days."
        )
    if len(order) > 1:
        sentences.append(
            "Bouts of one visit follow from each other. Their overlap describes them; it is no "
            "probability, and there is no interval for a difference."
        )
    return sentences
