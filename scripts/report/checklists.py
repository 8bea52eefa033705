"""Checklists of reporting guidelines, filled with what the study and its results say.

Items are in our words and follow the guideline that each list names; a journal asks for its own
form. An item that no table answers is left open for the authors.
"""

from dataclasses import dataclass

import pandas as pd

from cuff.signs import CUFF_TIMES
from engine.listings import described
from report.sentences import same_order
from results.words import counted, in_words, words_of

OPEN = "open: for the authors"

STATES = ("sleep_h", "caffeine_h", "exercise_h", "room_c")

SYMPTOMS = ("pain", "numbness", "capillary_refill_s", "distal_flow", "skin_colour")


@dataclass(frozen=True)
class Checklist:
    """Name, the guideline that it follows and its items: (what is asked, answer, where)."""

    name: str
    follows: str
    items: tuple


def checklists_of(results, said):
    """The lists that concern a study.

    said : what the methods text says of it, `what_is_said` of report/methods.py
    """
    lists = [statistics(results, said), exercise(results)]
    if set(results.recordings["signal"]) & {"ecg", "rr"}:
        lists.insert(0, variability(results, said))
    if len(results.participants) == 1:
        lists.append(single_case(results, said))
    elif results.sessions.groupby("participant_id").size().max() > 1:
        lists += [crossover(results), harms(results, said)]
    if cuffs_used(results):
        lists.append(cuff_exercise(results))
    return lists


def as_markdown(lists, references):
    """All lists as one page; an answer that is missing is marked as open."""
    from report.references import list_of_references

    parts = [
        "# Reporting checklists",
        "Filled from the study and its results. What they do not hold is marked "
        f"`{OPEN}`. The items are in our words: a journal asks for its own form.",
    ]
    for checklist in lists:
        n_open = sum(not answer for _, answer, _ in checklist.items)
        n = len(checklist.items)
        parts.append(f"## {checklist.name}")
        parts.append(
            f"After {checklist.follows}. {n - n_open} of {counted(n, 'item')} answered, "
            f"{n_open} open."
        )
        lines = [
            f"| {_cell(asked)} | {_cell(answer or OPEN)} | {_cell(where if answer else '')} |"
            for asked, answer, where in checklist.items
        ]
        parts.append("\n".join(["| item | answer | where |", "|---|---|---|", *lines]))
    named = {checklist.follows for checklist in lists}
    followed = [reference for cited, reference in references.items() if cited in named]
    parts += ["## References", list_of_references(followed)]
    return "\n\n".join(parts) + "\n"


def _cell(text):
    return str(text).replace("|", "/").replace("\n", " ")


def variability(results, said):
    """Heart rate and its variability."""
    recordings, outcomes = results.recordings, results.outcomes
    heart = recordings[recordings["signal"].isin(["ecg", "rr"])]
    given = outcomes[outcomes["value"].notna()]
    spectra = given[given["outcome"].isin(["lf_power_ms2", "hf_power_ms2", "total_power_ms2"])]
    kept = [name for name in STATES if known(results.sessions, name)]
    entries = (
        ("signal, and how many recordings", counts_of(heart["signal"]), "Methods, Recordings"),
        ("recorder, electrodes and their placement", "", ""),
        ("sampling rate", ranges_of(heart, "sampling_rate_hz", "Hz"), "recordings.tsv"),
        ("posture at rest", postures(results.events, "baseline"), "session sheet"),
        ("length of the resting recording", lengths(results.events, "baseline"), "session sheet"),
        (
            "sleep, caffeine, exercise and room temperature before a visit",
            f"noted: {in_words([words_of(name) for name in kept])}" if kept else "",
            "sessions.tsv",
        ),
        ("time of day of the visits", clock_times(results.sessions), "sessions.tsv"),
        ("how beats were found", f"detector: {said['detector']}", "Methods, Beats"),
        (
            "how artefacts were found and repaired, and how many beats that concerned",
            f"median share of corrected beats {said['corrected']} %",
            "Methods, Beats; quality.tsv",
        ),
        (
            "breathing: recorded, derived or unknown",
            f"the rate came {said['breathing']}" if said["breathing"] else "",
            "Methods, Beats",
        ),
        (
            "estimator of the spectrum, resampling, detrending and bands",
            f"{words_of(said['m'].spectrum_method)}, {said['m'].resampling_hz:g} Hz, smoothness "
            f"priors {said['m'].detrending_regularisation:g}"
            if len(spectra)
            else "no spectrum was read",
            "Methods, Heart-period variability",
        ),
        ("outcomes with their units", outcomes_in_words(given), "tables by family"),
        (
            "values withheld, with the reason",
            counted(int((outcomes["status"] == "refused").sum()), "value") + " refused",
            "exclusions.tsv",
        ),
        (
            "what an index is not evidence of",
            "no index is called sympathetic; LF/HF is for comparison only",
            "Methods, Heart-period variability",
        ),
        ("medication, smoking and health of the participants", "", ""),
    )
    return Checklist("Heart rate and its variability", "Quigley et al. 2024", entries)


def crossover(results):
    """Crossover design."""
    sessions, plan = results.sessions, results.settings.plan
    orders = (
        sessions.drop_duplicates("participant_id")["sequence"].dropna()
        if "sequence" in sessions
        else pd.Series(dtype=str)
    )
    entries = (
        ("the title names a randomised crossover trial", "", ""),
        (
            "orders, and how many participants were allotted to each",
            ", ".join(f"{order} {n}" for order, n in orders.value_counts().sort_index().items()),
            "Flow by order and visit",
        ),
        ("how orders were generated, concealed and allotted", "", ""),
        (
            "sample size and how it was determined",
            f"{plan.participants} participants planned" if plan.participants else "",
            "plan of study.yaml",
        ),
        ("time between visits", gaps_between(sessions), "sessions.tsv"),
        ("carry-over: why none is expected, or how it was handled", "", ""),
        ("blinding, and what participants expected", expectation(sessions), "sessions.tsv"),
        (
            "statistical methods for paired data; visits taken into account",
            methods_used(results.contrasts),
            "Methods, Comparison",
        ),
        (
            "whether condition and visit can be told apart",
            "no: everybody had one order" if same_order(results.contrasts) else "yes",
            "contrasts.tsv, note",
        ),
        (
            "flow of participants through each order and visit",
            "shown",
            "figures/12_flow_of_the_study",
        ),
        ("losses after allotment, with reasons", losses(results.exclusions), "exclusions.tsv"),
        ("characteristics of the participants", "shown", "Participants"),
        ("estimates with intervals from paired data", "shown", "Primary claims"),
        (
            "protocol and plan: where they can be read",
            f"plan frozen at {plan.frozen_at}" if plan.frozen_at else "",
            "study.yaml",
        ),
        ("registration, funding, approval of an ethics committee", "", ""),
    )
    return Checklist("Randomised crossover trial", "Dwan et al. 2019", entries)


def harms(results, said):
    """Harms."""
    events = results.events
    asked = [name for name in SYMPTOMS if known(events, name)]
    entries = (
        (
            "which symptoms were asked for, and when",
            f"after each set: {in_words([words_of(name) for name in asked])}" if asked else "",
            "session sheet",
        ),
        ("who judged whether a harm was related to the study", "", ""),
        ("how long after a visit harms were asked for", "", ""),
        ("harms noted, by condition and grade", harms_said(said), "Harms"),
        (
            "sets stopped early",
            counted(int(events["stopped_early"].eq(True).sum()), "set")
            if known(events, "stopped_early")
            else "",
            "Harms and stops",
        ),
        ("participants who left the study because of a harm", "", ""),
        (
            "limits at which a session was to be stopped",
            said["blood_pressure"],
            "Methods, Pressures",
        ),
    )
    return Checklist("Harms", "Junqueira et al. 2023", entries)


def statistics(results, said):
    """Statistics."""
    compare = results.settings.compare_conditions
    entries = (
        (
            "primary outcomes named before the analysis",
            in_words([f"{described(o).LABEL} ({words_of(w)})" for o, w in results.primary])
            if results.primary
            else "",
            "study.yaml",
        ),
        (
            "smallest effects of interest",
            said["smallest_effects"],
            "Methods, Comparison",
        ),
        ("methods of each comparison", methods_used(results.contrasts), "Methods, Comparison"),
        (
            "adjustment for several comparisons and claims",
            f"{len(results.claims)} planned; {results.settings.plan.across_claims} over claims"
            if len(results.claims)
            else "",
            "Methods, Comparison",
        ),
        (
            "estimates with intervals, their level and exact p-values",
            f"level {100 * compare.confidence:g} %",
            "Primary claims; contrasts.tsv",
        ),
        ("number of participants and pairs behind each estimate", "shown", "Primary claims"),
        (
            "missing values: how many and what was assumed",
            "counted by reason; primary outcomes also under worst cases"
            if said["other_assumptions"]
            else "counted by reason",
            "missing.tsv; sensitivity.tsv",
        ),
        (
            "assumptions checked",
            "residuals, spread and influence" if methods_used(results.contrasts) else "",
            "figures/07_diagnostics",
        ),
        (
            "analyses under other assumptions and settings",
            said["other_assumptions"],
            "sensitivity.tsv; alternatives.tsv",
        ),
        ("software with versions", said["software"], "provenance/software.tsv"),
        ("seed of whatever was drawn at random", str(said["seed"]), "study.yaml"),
    )
    return Checklist("Statistics", "Lang and Altman 2015", entries)


def exercise(results):
    """Exercise."""
    events = results.events
    sets = events[events["trial_type"] == "set"]
    bouts = sets.groupby(["participant_id", "session_id", "exercise"]).size()
    entries = (
        (
            "exercises",
            in_words([words_of(name) for name in dict.fromkeys(sets["exercise"].dropna())])
            if len(sets)
            else "",
            "session sheet",
        ),
        ("equipment", "", ""),
        ("who supervised, with which qualification", "", ""),
        ("how technique was taught and checked", "", ""),
        (
            "sets of each exercise in a visit",
            spread_of(bouts) if len(bouts) else "",
            "session sheet",
        ),
        ("repetitions planned and done", repetitions(sets), "figures/11_work"),
        ("load", ranges_of(sets, "load_kg", "kg"), "session sheet"),
        ("rest between sets", lengths(events, "rest"), "session sheet"),
        ("cadence", "measured" if has(results, "contraction_rate_hz") else "", "outcomes.tsv"),
        (
            "exertion",
            f"scale {results.settings.study.rpe_scale}" if known(sets, "rpe") else "",
            "Methods, Ratings",
        ),
        (
            "what counted as failure",
            in_words(list(results.settings.protocol.failure_stop_reasons), "or")
            if known(sets, "to_failure") or known(sets, "stop_reason")
            else "",
            "Methods, Comparison",
        ),
        ("how load and progress were chosen for each participant", "", ""),
        ("whether the exercise was done as planned", repetitions(sets), "figures/11_work"),
    )
    return Checklist("Exercise", "Slade et al. 2016", entries)


def cuff_exercise(results):
    """Exercise with cuffs."""
    events, occlusion = results.events, results.occlusion
    cuffs = events[events["trial_type"] == "cuff"]
    pressed = events[events["cuff_pressure_mmhg"].gt(0)]
    shares = results.safety.loc[results.safety["share_pct"].notna(), "share_pct"]
    entries = (
        ("make and material of the cuff, regulated or not", cuffs_described(results), "study.yaml"),
        ("width of the cuff", ranges_of(occlusion, "cuff_width_cm", "cm"), "occlusion.tsv"),
        ("limb and where the cuff lay", counts_of(pressed["limb"]), "session sheet"),
        (
            "how the occlusion pressure was found",
            counts_of(occlusion["method"]),
            "Methods, Pressures",
        ),
        (
            "occlusion pressure",
            ranges_of(occlusion, "occlusion_pressure_mmhg", "mmHg"),
            "occlusion.tsv",
        ),
        ("posture in which it was found", counts_of(occlusion["posture"]), "occlusion.tsv"),
        ("pressure applied", ranges_of(pressed, "cuff_pressure_mmhg", "mmHg"), "Pressures"),
        (
            "share of the occlusion pressure",
            f"{shares.min():.0f} to {shares.max():.0f} %" if len(shares) else "",
            "Pressures",
        ),
        (
            "inflated throughout or released between sets",
            f"{counted(len(cuffs), 'inflation')} noted" if len(cuffs) else "",
            "session sheet",
        ),
        ("time under the cuff", restriction(results.safety), "Pressures"),
        (
            "symptoms and checks of blood flow",
            in_words([words_of(name) for name in SYMPTOMS if known(events, name)])
            if any(known(events, name) for name in SYMPTOMS)
            else "",
            "safety.tsv",
        ),
        ("screening for reasons against a cuff", "", ""),
        ("local rules that were followed, and who was responsible", "", ""),
    )
    return Checklist("Exercise with cuffs", "Patterson et al. 2019", entries)


def single_case(results, said):
    """Single-case design."""
    plan = results.settings.plan
    entries = (
        ("design, conditions and their order", orders_done(results), "session sheet"),
        (
            "whether and how visits were randomised",
            "" if plan.session_schedule == "not_stated" else words_of(plan.session_schedule),
            "study.yaml",
        ),
        ("visits in each condition", visits_by_condition(results), "figures/12_flow_of_the_study"),
        ("the participant: selection and characteristics", "shown", "Participants"),
        ("measures, and how often they were taken", counts_of(results.recordings["signal"]), ""),
        ("each measurement shown", "shown", "figures/04, 05 and 08"),
        (
            "statistical analysis",
            "randomisation test"
            if known(results.contrasts, "randomisation_p")
            else "described only",
            "contrasts.tsv",
        ),
        ("agreement of observers or repeated measurement", "", ""),
        (
            "fidelity: what was done as planned",
            repetitions(sets_of(results.events)),
            "figures/11_work",
        ),
        ("harms", harms_said(said), "Harms"),
        ("how far the result can be carried over to others", "", ""),
    )
    return Checklist("Single-case design", "Tate et al. 2016", entries)


def known(table, column):
    """Whether a column exists and says anything."""
    return column in table and bool(table[column].notna().any())


def sets_of(events):
    return events[events["trial_type"] == "set"]


def cuffs_used(results):
    """Whether any pressure was noted, any cuff inflated or recorded."""
    pressed = results.events["cuff_pressure_mmhg"].gt(0).any()
    return bool(pressed or (results.recordings["signal"] == "cuff_pressure").any())


def has(results, outcome):
    outcomes = results.outcomes
    return bool(outcomes.loc[outcomes["outcome"] == outcome, "value"].notna().any())


def counts_of(column):
    """`12 ECG, 17 beat intervals`."""
    counts = column.dropna().value_counts().sort_index()
    return ", ".join(f"{n} {words_of(name)}" for name, n in counts.items())


def spread_of(ages):
    low, high = ages.min(), ages.max()
    return f"{low:g}" if low == high else f"{low:g} to {high:g}"


def ranges_of(table, column, unit):
    """`176 to 202 mmHg`; empty where nothing was noted."""
    if not known(table, column):
        return ""
    return f"{spread_of(table[column].dropna().astype(float))} {unit}"


def lengths(events, kind):
    """Shortest and longest event of a kind, in s."""
    return ranges_of(events[events["trial_type"] == kind], "duration_s", "s")


def postures(events, kind):
    of_kind = events[events["trial_type"] == kind]
    return counts_of(of_kind["posture"]) if known(of_kind, "posture") else ""


def clock_times(sessions):
    """Earliest and latest clock time at which a session began."""
    if not known(sessions, "session_start"):
        return ""
    times = sorted(str(start)[11:16] for start in sessions["session_start"].dropna())
    return f"{times[0]} to {times[-1]}"


def gaps_between(sessions):
    """Shortest and longest time between two visits of one person, in days."""
    column = next((c for c in ("date_shifted", "session_start") if known(sessions, c)), None)
    if column is None:
        return ""
    days = pd.to_datetime(sessions[column].astype(str).str[:10], format="%Y-%m-%d", errors="coerce")
    ordered = sessions.assign(day=days).sort_values(["participant_id", "day"])
    gaps = ordered.groupby("participant_id")["day"].diff().dt.days.dropna()
    return f"{spread_of(gaps)} days" if len(gaps) else ""


def expectation(sessions):
    return "expectations were noted" if known(sessions, "expectation") else ""


def methods_used(contrasts):
    """Methods of the primary contrasts."""
    if contrasts.empty:
        return ""
    used = contrasts.loc[(contrasts["primary"] == "yes") & contrasts["estimate"].notna(), "method"]
    return "; ".join(dict.fromkeys(used.dropna()))


def harms_said(said):
    """What the harms table says; nothing where none was kept."""
    return "".join(text for text in said["harms"] if "No harms table" not in text)


def losses(exclusions):
    """How many participants, visits and conditions are missing."""
    whole = exclusions[exclusions["scope"].isin(["participant", "session", "condition"])]
    if whole.empty:
        return "none"
    return ", ".join(f"{words_of(scope)} {n}" for scope, n in whole["scope"].value_counts().items())


def outcomes_in_words(given):
    """Outcomes of the heart that were given in any window."""
    names = [
        name
        for name in dict.fromkeys(given["outcome"])
        if described(name).FAMILY in ("heart rate", "heart period", "spectrum")
    ]
    units = {name: described(name).UNIT for name in names}
    return ", ".join(
        f"{described(name).LABEL} ({units[name]})" if units[name] else described(name).LABEL
        for name in names
    )


def repetitions(sets):
    """Repetitions done, and how many sets were done as planned."""
    if not known(sets, "reps_done"):
        return ""
    done = sets["reps_done"].astype(float)
    said = f"{spread_of(done.dropna())} repetitions a set"
    if known(sets, "reps_planned"):
        both = sets[["reps_done", "reps_planned"]].dropna().astype(float)
        full = int((both["reps_done"] >= both["reps_planned"]).sum())
        said += f"; {full} of {counted(len(both), 'set')} reached the number planned"
    return said


def restriction(safety):
    """Longest time without release."""
    untimed = safety["missing_checks"].str.contains(CUFF_TIMES, na=False)
    where = " where inflation and release were noted" if untimed.any() else ""
    longest = safety.loc[~untimed, "longest_restriction_min"].dropna()
    if untimed.any() and not longest.gt(0).any():
        return ""
    return f"at most {longest.max():.1f} min without release{where}" if len(longest) else ""


def cuffs_described(results):
    """Names of the cuffs that study.yaml describes."""
    cuffs = results.settings.check_safety.cuffs
    return in_words(list(cuffs)) if cuffs else ""


def orders_done(results):
    """Conditions in the order of the visits."""
    sets = sets_of(results.events).sort_values(["session_id", "onset_s"])
    return ", ".join(dict.fromkeys(sets["session_id"] + ": " + sets["condition"].astype(str)))


def visits_by_condition(results):
    sets = sets_of(results.events).drop_duplicates(["session_id", "condition"])
    return counts_of(sets["condition"])
