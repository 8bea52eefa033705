"""Studies of up to four people, person by person: every set, and what stands against a reading."""

from engine.listings import described
from report.drawn_bouts import across_bouts
from report.origins import Origin, Told
from report.page import shown_table
from report.single_case import (
    DRAWN,
    IN_WORDS,
    against_it,
    bouts_table,
    chance_in_words,
    differences_in_words,
    differences_table,
    order_in_words,
    people_compared,
    pressures_of_person,
    rest_in_words,
    sets_of,
    single_error_in_words,
    values_of,
    work_in_words,
)
from report.words import label_of

ORDER = 2

TITLE = "Set by set"

NEEDS = ("outcomes", "safety", "single_case")


def section(results):
    people = people_compared(results.outcomes, results.conditions)
    told = [person_of(results, name) for name in people] if len(results.single_case) else []
    told = [person for person in told if person]
    if not told:
        return None
    return {"people": told, "alone": len(people) == 1}


def person_of(results, participant):
    """What the section says and draws of one person; None without a set in a condition."""
    conditions = results.conditions
    sets = sets_of(results.outcomes, participant, conditions)
    if sets.empty:
        return None
    cases = results.single_case[results.single_case["participant_id"] == participant]
    outcomes = results.outcomes
    baselines = outcomes[
        (outcomes["participant_id"] == participant) & (outcomes["trial_type"] == "baseline")
    ]
    of_outcomes, tests = Origin("outcomes", 0), Origin("single_case", 0)
    pressures = pressures_of_person(results.safety, participant, conditions)
    said = [
        ("Rest", Told(rest_in_words(outcomes, sets, participant), of_outcomes)),
        ("Cuff pressure", Told(pressures, Origin("safety", 0))),
        ("Repetitions", Told(work_in_words(sets, conditions), of_outcomes)),
        *differences(cases, sets, conditions),
        ("Randomisation test", Told(chance_in_words(cases), tests)),
    ]
    bouts = bouts_table(sets, results.events, participant, conditions)
    return {
        "name": participant,
        "order": order_in_words(sets, conditions),
        "said": [(about, sentences) for about, sentences in said if sentences],
        "drawing": drawing_of(results, sets, participant),
        "shaded": len(values_of(sets, "smo2_nadir_pct")) > 0,
        "bouts": shown_table(bouts, "Every bout, in the order done", [of_outcomes] * len(bouts)),
        "differences": shown_table(differences_table(cases), "Differences between conditions"),
        "against": against_it(sets, cases, baselines["event_id"].nunique()),
    }


def differences(cases, sets, conditions):
    """Name of each outcome told, and its differences with the error of a single value."""
    for key in IN_WORDS:
        told = differences_in_words(cases, *key, conditions)
        if told:
            name, said = told
            said += single_error_in_words(sets, *key)
            yield name, Told(said, Origin("single_case", 0, *key))


def drawing_of(results, sets, participant):
    """Every bout of the person as a point; empty where no outcome of the sets was given."""
    panels, band = [], results.settings.protocol.failure_band_pct
    for outcome, window in DRAWN:
        bouts = values_of(sets, outcome, window)
        if len(bouts):
            event = bouts["session_id"] + "/" + bouts["event_id"]
            bands = band if outcome == "smo2_nadir_pct" else None
            panels.append((label_of(outcome), bouts.assign(event=event), bands))
    if not panels:
        return ""
    failed = values_of(sets, "to_failure")
    failed = failed[failed["value"] == 1]
    names = ", ".join(described(outcome).LABEL.lower() for outcome, _ in DRAWN)
    return across_bouts(
        panels,
        list(dict.fromkeys(sets["exercise"])),
        results.conditions,
        set(failed["session_id"] + "/" + failed["event_id"]),
        said=f"Every bout of {participant} as a point, by exercise and condition: {names}; the "
        "values stand in the table below.",
    )
