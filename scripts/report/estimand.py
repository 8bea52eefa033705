"""What the contrasts estimate, written from the settings and from what was done.

The parts of an estimand (ICH E9(R1) 2019): treatment, people, outcome, what else happened on the
way and how it counts, and the summary.
"""

import numpy as np

from engine.listings import described
from report.origins import Origin, Told
from report.words import window_of_set
from results.words import counted, in_words, words_of


def estimand(results):
    """(part, sentences) of what every contrast of the study estimates; empty without contrasts."""
    compared = results.contrasts[results.contrasts["estimate"].notna()]
    if compared.empty:
        return []
    outcomes, conditions = results.outcomes, results.conditions
    done = outcomes[outcomes["condition"].isin(conditions)]
    origin = Origin("outcomes", 0)
    parts = {
        "Effect of": effect_of(conditions),
        "On": outcomes_in_words(results.primary),
        "In": Told(people_in_words(done, compared, results.primary), Origin("contrasts", 0)),
        "Over": exercises_in_words(done),
        "Size": sizes_in_words(compared, results.primary),
        "Visits": visits_in_words(compared, results.primary),
        "Resting values": baseline_in_words(results.settings.plan.baseline_adjusted),
        "Sets stopped early or taken to failure": Told(
            stopped_in_words(results.events, conditions), origin
        ),
        "Unequal work": Told(work_in_words(done, conditions), origin),
        "Missing visits and values": Told(missing_in_words(done, conditions), origin),
    }
    return [(part, said) for part, said in parts.items() if said]


def effect_of(conditions):
    """Conditions as noted, whatever pressure was reached."""
    return (
        f"The condition noted for each set ({in_words(list(conditions))}), with all that came "
        "with it and whatever pressure was reached. What was applied is under Pressures and safety."
    )


def outcomes_in_words(primary):
    """The primary outcomes with their windows."""
    labels = [f"{described(name).LABEL} ({window_of_set(window)})" for name, window in primary]
    return f"{'; '.join(labels)}." if labels else "No primary outcome was stated."


def people_in_words(done, compared, primary):
    """Whose mean difference is estimated, and how many hold both conditions."""
    people = done["participant_id"].nunique()
    main = _of_primary(compared, primary)
    contrasts = main if len(main) else compared
    pairs = sorted({int(n) for n in contrasts["n_pairs"].dropna()})
    spread = f"{pairs[0]}" if len(pairs) == 1 else f"{pairs[0]} to {pairs[-1]}"
    if people == 1:
        return "One participant, and nobody else."
    return (
        f"The {people} participants who did sets: a contrast is a mean over those with both "
        f"conditions ({spread} of them), who weigh the same where nothing is missing. The interval "
        "speaks of people like these."
    )


def exercises_in_words(done):
    """Exercises weigh equally whatever the number of bouts."""
    exercises = [words_of(name) for name in dict.fromkeys(done["exercise"].dropna())]
    if not exercises:
        return ""
    if len(exercises) == 1:
        return f"One exercise, {exercises[0]}; its bouts are averaged first."
    return (
        f"{in_words(exercises).capitalize()}, each with the same weight however many bouts it has; "
        "bouts are averaged first. Other exercises are not meant."
    )


def sizes_in_words(compared, primary):
    """Differences or ratios of means, by the scales of the primary outcomes."""
    scales = set(_of_primary(compared, primary)["scale"]) or set(compared["scale"])
    said = {
        "identity": "the difference of means, in the unit of the outcome",
        "ratio": "the ratio of geometric means",
        "ordinal": "the difference of relative effects: by how much more of all ratings of the "
        "study lie below a rating of the one condition than below one of the other",
    }
    listed = [said[scale] for scale in said if scale in scales]
    return f"{'; or '.join(listed).capitalize()}."


def visits_in_words(compared, primary):
    """Whether the step from visit to visit is taken out of the contrasts."""
    of_primary = _of_primary(compared, primary)
    methods = (of_primary if len(of_primary) else compared)["method"].fillna("")
    with_visit = methods.str.contains(", visit", regex=False)
    if with_visit.all():
        return "What changes from visit to visit for everybody alike is taken out."
    if not with_visit.any():
        return "What changes from visit to visit is not taken out."
    return "What changes from visit to visit is taken out where the cells allow it."


def baseline_in_words(adjusted):
    """Whether the resting value of each visit is taken into account."""
    if not adjusted:
        return "Not taken into account: differences at rest are a part of the effect."
    labels = [described(name).LABEL for name in adjusted]
    return f"The resting value of the visit is held equal for {in_words(labels)}."


def stopped_in_words(events, conditions):
    """Sets that ended early or in failure count as they were done."""
    sets = events[(events["trial_type"] == "set") & events["condition"].isin(conditions)]
    noted = {
        "stopped early": sets["stopped_early"].eq(True),
        "to failure": sets["to_failure"].eq(True),
    }
    counts = [f"{int(chosen.sum())} {name}" for name, chosen in noted.items() if chosen.any()]
    if not counts:
        none = "The only set was not" if len(sets) == 1 else f"None of {len(sets)} sets was"
        return f"{none} noted as one."
    return f"They count as they were done: {in_words(counts)}, of {counted(len(sets), 'set')}."


def work_in_words(done, conditions):
    """Repetitions are a part of the effect and not held equal."""
    repetitions = done[(done["outcome"] == "reps_done") & done["value"].notna()]
    means = repetitions.groupby("condition")["value"].mean()
    listed = [f"{means[name]:.1f} with {name}" for name in conditions if name in means.index]
    numbers = f" Mean repetitions of a set: {in_words(listed)}." if listed else ""
    return f"It is a part of the effect, and repetitions are not held equal.{numbers}"


def missing_in_words(done, conditions):
    """Nobody's values are filled in; who missed a condition counts where they have two."""
    of_person = done.groupby("participant_id")["condition"].nunique()
    incomplete = int((of_person < len(conditions)).sum())
    begin = "No value is filled in."
    if not incomplete:
        return (
            f"{begin} Everybody did every condition; what is missing stands under How sensitive "
            "the results are."
        )
    people = counted(incomplete, "participant")
    count = "counts" if incomplete == 1 else "count"
    return (
        f"{begin} {people} did not do every condition and {count} in the contrasts of "
        "those done. This assumes that what is missing would have differed "
        "between conditions as what is there."
    )


def _of_primary(compared, primary):
    keys = zip(compared["outcome"], compared["window"], strict=True)
    named = np.array([key in set(primary) for key in keys], dtype=bool)
    return compared[named & (compared["exercise"] == "all")]
