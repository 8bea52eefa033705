"""Sentences of single parts of the report, on both sides of the condition under which they stand.

`test_every_sentence.py` asks for both sides of every sentence.
"""

from types import SimpleNamespace

import pandas as pd
import pytest

from comparison.coupling import ONE_BY_DESIGN
from comparison.dose_table import MEASURES, SLOPE
from project import settings_with
from report.checklists import crossover as crossover_items
from report.checklists import harms, repetitions, restriction, statistics, variability
from report.estimand import stopped_in_words
from report.evidence import sentence_above_intrinsic, sentence_of_evidence
from report.heart import may_compare_falls, not_comparable
from report.methods import claims_in_words, ratings_in_words
from report.print_tables import ends_of_sets
from report.sections.answer import claim_shown, matters, pictures
from report.sections.coupling import coupling_in_words
from report.sections.crossover import by_sequence, days_in_words
from report.sections.crossover import section as crossover
from report.sections.dose import doses_in_words
from report.sections.failure import depth
from report.sections.findings import findings
from report.sections.left_out import decisions_in_words
from report.sections.limits import limits
from report.sections.numbers import window_explained
from report.sections.single_case import drawing_of
from report.sentences import sentence_of_claim
from report.single_case import against_it, differences_in_words, order_in_words, rest_in_words
from results.columns import columns_of
from results.tables import as_read

NOTHING = float("nan")

CONDITIONS = ["none", "low", "target"]

NADIR = ("smo2_nadir_pct", "set")


def table(name, *rows):
    """Rows of a result table with all its columns, as they are read from its file."""
    return as_read(pd.DataFrame(rows, columns=columns_of(name)), name)


def empty(name):
    return table(name)


def contrasts(*rows):
    """Contrasts of the nadir over all exercises, altered as each row says."""
    base = {
        **{"outcome": "smo2_nadir_pct", "window": "set", "exercise": "all", "scale": "identity"},
        **{"contrast": "target - none", "estimate": -12.0, "ci_low": -15.0, "ci_high": -9.0},
        **{"confidence": 0.95, "p": 0.001, "p_adjusted": 0.003, "n_pairs": 8, "claim": "yes"},
        **{"primary": "yes", "reading": "different", "flagged_pct": 0.0, "withheld_pct": 0.0},
        **{"smallest_effect": 5.0, "se": 1.0, "method": "within people", "note": None},
    }
    return table("contrasts", *(base | row for row in rows))


# --- the heart ------------------------------------------------------------------------------------


def test_an_index_without_evidence_is_said_to_tell_nothing_and_others_are_not():
    compared = contrasts({"outcome": "lf_hf_ratio"})
    none = sentence_of_evidence(compared, "LF/HF", "none", "")
    vagal = sentence_of_evidence(compared, "RMSSD", "vagal", "ms")
    assert none.endswith("not an index of sympathetic activity.")
    assert "sympathetic" not in vagal
    assert "consistent with reduced cardiac vagal modulation" in vagal


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"estimate": 12.0, "ci_low": 9.0, "ci_high": 15.0}, "more cardiac vagal modulation"),
        ({"claim": "no", "reading": "inconclusive"}, "no difference was shown"),
        ({"claim": "no", "reading": "equivalent"}, "no difference in size that matters"),
        ({"claim": "described"}, "described only, for too few pairs"),
        ({"primary": "no"}, "not adjusted and so without a claim"),
        ({"estimate": NOTHING, "ci_low": NOTHING}, "no contrast could be estimated"),
        ({"ci_low": NOTHING, "n_pairs": 1}, "one participant only: no comparison"),
    ],
)
def test_a_vagal_index_is_told_by_what_was_decided(changes, said):
    assert said in sentence_of_evidence(contrasts(changes), "RMSSD", "vagal", "ms")
    shown = sentence_of_evidence(contrasts({}), "RMSSD", "vagal", "ms")
    assert said not in shown


@pytest.mark.parametrize(("estimate", "said"), [(-3.0, "less far above"), (3.0, "further above")])
def test_a_rate_above_the_intrinsic_limit_is_told_with_its_direction(estimate, said):
    compared = contrasts({"estimate": estimate, "ci_low": estimate - 1, "ci_high": estimate + 1})
    assert f"a rate {said} the intrinsic limit" in sentence_of_evidence(
        compared, "Rate", "beyond vagal", "bpm"
    )


def margins(**people):
    rows = [
        {"participant_id": person, "condition": condition, "value": value}
        for person, values in people.items()
        for condition, value in zip(CONDITIONS, values, strict=False)
    ]
    return pd.DataFrame(rows)


def test_rates_are_counted_over_those_who_have_all_conditions():
    below = sentence_above_intrinsic(margins(a=(-9, -8, -7), b=(-5, -5, -5)), CONDITIONS)
    assert below.startswith("None of the 2 participants with all conditions")
    assert "the nearest lay 5 bpm below" in below
    above = sentence_above_intrinsic(margins(a=(-9, -8, -7), b=(5, 6, 7)), CONDITIONS)
    assert "1 of the 2 participants with all conditions had" in above
    assert "This compares no conditions." in above
    assert sentence_above_intrinsic(margins(a=(5,)), CONDITIONS) == ""


def test_one_person_is_told_as_above_or_below_and_named_where_others_lack_conditions():
    above = sentence_above_intrinsic(margins(a=(4, 4, 4)), CONDITIONS)
    assert above.endswith("other drive may contribute. This compares no conditions.")
    assert "of the one participant" not in above
    below = sentence_above_intrinsic(margins(a=(-4, -4, -4), b=(1,)), CONDITIONS)
    assert "of the one participant with all conditions lay 4 bpm below" in below
    assert below.endswith("vagal withdrawal alone may account for it.")


def test_falls_of_rate_are_refused_only_where_rates_were_to_be_equal_and_are_not():
    rate = {"outcome": "mean_hr_bpm", "smallest_effect": 3.0, "estimate": 6.0, "ci_high": 8.0}
    unequal = contrasts(rate | {"ci_low": 4.0})
    assert not may_compare_falls(unequal, "target - none")
    assert "target against none: not comparable" in not_comparable("Fall", ["target - none"])
    assert may_compare_falls(contrasts(rate | {"smallest_effect": NOTHING}), "target - none")


# --- the first screen -----------------------------------------------------------------------------


def test_what_is_shaded_is_said_in_the_scale_of_the_outcome_or_that_nothing_was_stated():
    ratio, identity = (SimpleNamespace(SCALE=s, UNIT="bpm") for s in ("ratio", "identity"))
    assert matters(None, identity) == "No smallest effect was stated."
    assert matters(1.2, ratio).endswith("a ratio of 1.2.")
    assert matters(3.0, identity).endswith("smallest effect, 3 bpm.")


def person_values(outcome, conditions=CONDITIONS):
    return table(
        "outcomes",
        *(
            {"participant_id": person, "outcome": outcome, "window": "set", "value": value}
            | {"exercise": "squat", "condition": condition, "trial_type": "set", "status": "ok"}
            | {"session_id": "ses-1", "event_id": f"{person}-{condition}"}
            for person in ("sub-01", "sub-02")
            for condition, value in zip(conditions, (50.0, 40.0, 20.0), strict=False)
        ),
    )


def study_of(outcomes, **others):
    settings = settings_with(study={"conditions": CONDITIONS})
    return SimpleNamespace(
        outcomes=outcomes,
        conditions=CONDITIONS,
        settings=settings,
        primary=[NADIR],
        contrasts=empty("contrasts"),
        joint_tests=empty("joint_tests"),
        **others,
    )


def test_the_failure_band_is_explained_under_the_picture_that_shades_it_alone():
    (muscle,) = pictures(study_of(person_values("smo2_nadir_pct")))
    (heart,) = pictures(study_of(person_values("mean_hr_bpm")))
    assert muscle["caption"].endswith("Shaded: the failure band, 0 to 15 %.")
    assert heart["caption"] == "2 people, a line each. Marks are means over people."
    assert list(pictures(study_of(empty("outcomes")))) == []


def claim(**changes):
    base = {"claim": "target differs from both none and low", "outcome": "smo2_nadir_pct"}
    base |= {"window": "set", "verdict": "shown", "parts": None, "p_adjusted": 0.003}
    base |= {"plan": "nothing was frozen", "note": "", "Index": 0}
    fields = base | changes
    return pd.DataFrame([fields]).drop(columns="Index").itertuples().__next__()


def test_a_claim_gives_its_p_where_it_was_tested_and_none_else():
    compared = contrasts({}, {"contrast": "target - low"})
    assert "(p = .003 over all claims)" in sentence_of_claim(claim(), compared, "Nadir")
    untested = claim(verdict="not tested", p_adjusted=NOTHING, note="nothing could be compared")
    assert "over all claims" not in sentence_of_claim(untested, compared, "Nadir")


def test_small_differences_stand_in_the_place_of_a_claim_that_was_not_shown():
    small = contrasts(*({"contrast": c, "claim": "no", "reading": "equivalent"} for c in PAIRS))
    unknown = contrasts(*({"contrast": c, "claim": "no", "reading": "unclear"} for c in PAIRS))
    not_shown = claim(verdict="not shown")
    assert "shown to be smaller than the smallest effect" in sentence_of_claim(
        not_shown, small, "Nadir"
    )
    assert "does not show that there is no difference" in sentence_of_claim(
        not_shown, unknown, "Nadir"
    )


PAIRS = ("target - none", "target - low")


def test_the_plan_stands_with_a_claim_only_where_one_was_frozen():
    assert claim_shown(claim(), contrasts({}))["plan"] == ""
    assert claim_shown(claim(plan="as planned"), contrasts({}))["plan"] == "as planned"


# --- muscle, pressure, failure --------------------------------------------------------------------


def test_one_set_is_told_as_one_and_several_by_their_lowest():
    settings = settings_with(study={"conditions": CONDITIONS})
    alone = depth(person_values("smo2_nadir_pct", ["none"])[:1], settings, settings)
    assert alone[0].startswith("The only set did not reach the band")
    assert alone[1] == "Its nadir was 50 %, with none."
    several = depth(person_values("smo2_nadir_pct"), settings, settings)
    assert several[0].startswith("None of 6 sets reached the band")
    assert several[1].startswith("The lowest nadir of any set was")


def sheet_of(n, **columns):
    return pd.DataFrame(
        {"trial_type": "set", "condition": "none", "stopped_early": False, "to_failure": False}
        | columns,
        index=range(n),
    )


def test_sets_of_which_none_ended_early_are_counted():
    assert stopped_in_words(sheet_of(2), CONDITIONS) == "None of 2 sets was noted as one."
    assert stopped_in_words(sheet_of(1), CONDITIONS) == "The only set was not noted as one."
    assert "1 to failure" in stopped_in_words(sheet_of(1, to_failure=True), CONDITIONS)


def dose(**changes):
    base = {"outcome": "smo2_nadir_pct", "window": "set", "scale": "identity", "measure": SLOPE}
    base |= {"value": -4.0, "ci_low": -5.0, "ci_high": -3.0, "p": 0.001, "n_participants": 8}
    return base | {"n_values": 60, "note": None} | changes


def test_the_dose_at_the_edge_of_the_band_is_told_where_the_mean_reaches_it():
    assert MEASURES["identity"] == SLOPE
    edge = {"measure": "dose at which the mean reaches 15 %", "ci_low": NOTHING}
    reached, beyond = (
        doses_in_words(table("dose", dose(), dose(**edge, value=value)))[0]
        for value in (62.0, NOTHING)
    )
    assert "where the band begins, at 62 % of the occlusion pressure" in reached
    assert "the mean does not reach 15 %" in beyond


def test_what_was_left_out_of_the_doses_is_said_where_anything_was():
    note = "left out: 4 values (the occlusion pressure was estimated)"
    told = doses_in_words(table("dose", dose(note=note)))
    assert "Left out of Saturation nadir (set): 4 values (the occlusion pressure was" in told[1]
    assert not any(s.startswith("Left out") for s in doses_in_words(table("dose", dose())))


def test_levels_that_are_the_same_by_design_are_said_to_be():
    row = {"saturation": "smo2_nadir_pct", "heart": "mean_hr_bpm", "r": 0.5, "n_participants": 8}
    twice = table("coupling", row | {"note": ONE_BY_DESIGN})
    assert any(s.startswith("Each visit had one condition") for s in coupling_in_words(twice))
    once = table("coupling", row)
    assert not any(s.startswith("Each visit had one condition") for s in coupling_in_words(once))


# --- visits, what was left out, where numbers come from -------------------------------------------


def test_days_between_visits_and_means_by_sequence_are_told_where_they_are_known():
    days = {"part": "days since the visit before", "visit": 2, "n_participants": 8}
    known = table("crossover", days | {"mean": 6.5, "lowest": 5, "highest": 9})
    assert days_in_words(known) == (
        "Days since the visit before: visit 2, 5 to 9 (mean 6.5, 8 participants)."
    )
    absent = table("crossover", days | {"note": "dates of visits are not stated"})
    assert days_in_words(absent) == "Dates of visits are not stated."
    cell = {"part": "sequence and visit", "outcome": "smo2_nadir_pct", "window": "set"}
    cell |= {"sequence": "ABC", "visit": 1, "condition": "none", "n_participants": 2}
    ((label, cells, _),) = by_sequence(table("crossover", cell | {"mean": 50.0, "sd": 2.0}))
    assert label == "Saturation nadir (%), set"
    assert cells.loc[0, "visit 1"] == "none: 50 (2), n 2"
    assert list(by_sequence(table("crossover", cell))) == []


def test_what_could_not_be_compared_is_said_of_its_outcome_and_of_no_other():
    settings = settings_with(study={"conditions": CONDITIONS, "primary_outcomes": [PRIMARY]})
    asked = person_values("smo2_nadir_pct"), empty("claims"), empty("joint_tests")

    def told(row):
        values, claims, tests = asked
        ((_, single),) = findings(values, contrasts(row), claims, tests, settings)
        return " ".join(single)

    nothing = told({"estimate": NOTHING, "ci_low": NOTHING, "n_pairs": 0})
    assert nothing.startswith("Saturation nadir (set): nothing could be compared")
    assert "nothing could be compared" not in told({})


def test_means_by_sequence_are_a_table_of_each_outcome_that_has_them():
    cell = {
        "part": "sequence and visit",
        "outcome": "smo2_nadir_pct",
        "window": "set",
        "mean": 50.0,
    }
    cell |= {"sequence": "ABC", "visit": 1, "condition": "none", "n_participants": 2}
    days = {"part": "days since the visit before", "visit": 2, "n_participants": 8, "mean": 6.5}
    days |= {"lowest": 5, "highest": 9}
    outcomes = person_values("smo2_nadir_pct")
    with_means = crossover(study_of(outcomes, crossover=table("crossover", cell, days)))
    (shown,) = with_means["by_sequence"]
    assert shown["caption"] == "Saturation nadir (%), set: mean (SD), people"
    assert crossover(study_of(outcomes, crossover=table("crossover", days)))["by_sequence"] == []
    assert crossover(study_of(outcomes, crossover=empty("crossover"))) is None


def test_decisions_are_counted_by_what_they_are_and_none_is_not_mentioned():
    made = table("decisions", {"action": "remove_beat"}, {"action": "exclude_span"})
    assert decisions_in_words(made) == (
        "2 decisions of edits.tsv were carried out: 1 to exclude span and 1 to remove beat."
    )
    assert decisions_in_words(empty("decisions")) == ""


def test_values_of_a_primary_outcome_that_are_absent_are_counted_with_the_reason():
    settings = settings_with(study={"conditions": CONDITIONS, "primary_outcomes": [PRIMARY]})
    whole = person_values("smo2_nadir_pct")
    assert not any("absent" in s for s in limits(whole, empty("contrasts"), settings))
    lacking = whole.copy()
    lacking.loc[0, ["value", "status", "reason"]] = [None, "missing", "no recording"]
    (said,) = (s for s in limits(lacking, empty("contrasts"), settings) if "absent" in s)
    assert said == "Saturation nadir (%) in sets: 1 of 6 values is absent: no recording."


PRIMARY = {"outcome": "smo2_nadir_pct", "window": "set"}


def test_rows_of_contrasts_and_people_stand_where_an_outcome_has_them():
    study = study_of(person_values("smo2_nadir_pct"))
    rows = {"outcomes": {NADIR: pd.Series(range(2, 8)).to_numpy()}, "contrasts": {}}
    alone = window_explained(*NADIR, rows, study)
    assert alone["said"] == "6 values asked, 6 given, 0 of them flagged."
    assert alone["of_people"]["caption"] == "Saturation nadir (%), set, by person"
    compared = rows | {"contrasts": {NADIR: pd.Series([4, 6]).to_numpy()}}
    secondary = SimpleNamespace(**vars(study) | {"primary": []})
    told = window_explained(*NADIR, compared, secondary)
    assert told["said"].endswith("Contrasts: contrasts.tsv, rows 4 to 6.")
    assert told["of_people"] is None


# --- one person -----------------------------------------------------------------------------------


def bouts(values, *, outcome="smo2_nadir_pct", visits=None):
    """Sets of one person in the order done: (exercise, condition, value)."""
    return pd.DataFrame(
        [
            {"exercise": exercise, "condition": condition, "value": value, "outcome": outcome}
            | {"window": "set", "participant_id": "sub-01", "event_id": f"set-{n}"}
            | {"session_id": (visits or ["ses-1"] * len(values))[n], "event_onset_s": 60.0 * n}
            | {"trial_type": "set", "visit": 1, "number": 1, "se": NOTHING}
            for n, (exercise, condition, value) in enumerate(values)
        ]
    )


def test_the_order_of_one_person_is_told_as_it_was():
    alone = bouts([("squat", "low", 40.0), ("curl", "low", 42.0)])
    assert order_in_words(alone, CONDITIONS) == "1 visit, all with low."
    both = bouts([("squat", "none", 50.0), ("squat", "low", 42.0)])
    assert order_in_words(both, CONDITIONS) == "One visit, in this order: none, low."
    apart = bouts([("squat", "none", 50.0), ("squat", "low", 42.0)], visits=["ses-1", "ses-2"])
    assert order_in_words(apart, CONDITIONS) == "2 visits: ses-1 none; ses-2 low."


def case(**changes):
    base = {"participant_id": "sub-01", "outcome": "smo2_nadir_pct", "window": "set"}
    base |= {"exercise": "squat", "contrast": "target - none", "difference": -20.0, "nap": NOTHING}
    base |= {"condition_mean": 30.0, "reference_mean": 50.0, "scale": "identity"}
    return table("single_case", base | changes)


def test_a_difference_of_one_person_is_told_in_the_scale_and_direction_that_it_has():
    def told(outcome="smo2_nadir_pct", window="set", **changes):
        rows = case(outcome=outcome, window=window, **changes)
        return differences_in_words(rows, outcome, window, CONDITIONS)[1]

    lower = told()
    assert "20 percentage points lower than with none (50)" in lower
    assert "A fall from a higher rate" not in lower
    assert "the same as with none" in told(difference=0.0)
    fall = told("hrr_60_bpm", "recovery_first_60_s", difference=4.0)
    assert fall.endswith("A fall from a higher rate is larger.")
    ratio = told("reoxygenation_half_time_s", "recovery_first_60_s", difference=1.1, scale="ratio")
    assert "1.10 times that with none (50)" in ratio


def test_rest_before_the_sets_is_told_of_the_signals_that_were_recorded():
    rate = table(
        "outcomes",
        {"participant_id": "sub-01", "outcome": "mean_hr_bpm", "window": "baseline", "value": 70.0},
    )
    sets = bouts([("squat", "none", 65.0)], outcome="smo2_baseline_pct")
    both = rest_in_words(rate, sets, "sub-01")
    assert both == "Before the sets: heart rate 70 bpm; saturation 65 % (squat)."
    assert rest_in_words(empty("outcomes"), sets, "sub-01") == (
        "Before the sets: saturation 65 % (squat)."
    )
    assert rest_in_words(empty("outcomes"), sets[:0], "sub-01") == ""


def test_overlap_is_forbidden_as_a_probability_only_where_conditions_are_compared():
    apart = bouts([("squat", "none", 50.0), ("squat", "low", 42.0)], visits=["ses-1", "ses-2"])
    cases = case(randomisation_p=NOTHING)
    assert any("it is no probability" in s for s in against_it(apart, cases, 2))
    assert not any("it is no probability" in s for s in against_it(apart[:1], cases, 1))


def test_the_picture_of_one_person_says_what_it_draws_and_is_absent_without_values():
    study = study_of(empty("outcomes"))
    drawing = drawing_of(study, bouts([("squat", "none", 50.0)]), "sub-01")
    assert "Every bout of sub-01 as a point, by exercise and condition" in drawing
    assert drawing_of(study, bouts([]).reindex(columns=bouts([("a", "b", 1.0)]).columns), "x") == ""


# --- methods and checklists -----------------------------------------------------------------------


def test_ratings_are_told_as_ranks_where_any_was_compared():
    rated = ratings_in_words(contrasts({"outcome": "pain", "scale": "ordinal"}))
    assert "Pain entered with the ranks of the ratings" in rated
    assert ratings_in_words(contrasts({})) == ""


def test_claims_are_told_with_the_error_over_all_and_none_without_claims():
    plan = SimpleNamespace(across_claims="holm")
    claims = table("claims", {"claim": "target differs from both none and low"})
    assert "The study states 1 claim: target differs" in claims_in_words(claims, plan, 0.95)
    assert claims_in_words(claims[:0], plan, 0.95) == ""


def test_repetitions_of_a_checklist_name_the_plan_where_one_was_noted():
    done = pd.DataFrame({"reps_done": [12.0, 10.0]})
    assert repetitions(done) == "10 to 12 repetitions a set"
    planned = done.assign(reps_planned=12.0)
    assert repetitions(planned).endswith("; 1 of 2 sets reached the number planned")
    assert repetitions(done.assign(reps_done=None)) == ""
    assert restriction(table("safety", {"longest_restriction_min": 5.84})).startswith("at most 5.8")
    assert restriction(table("safety", {})) == ""


def answers(items):
    return {asked: answer for asked, answer, _ in items.items}


def checked(**changes):
    """What the checklists read of a study, altered as said."""
    settings = settings_with(study={"conditions": CONDITIONS}, plan=changes.pop("plan", {}))
    base = {
        "settings": settings,
        "outcomes": empty("outcomes"),
        "contrasts": empty("contrasts"),
        "claims": empty("claims"),
        "missing": empty("missing"),
        "harms": empty("harms"),
        "recordings": pd.DataFrame({"signal": ["rr"], "sampling_rate_hz": [None]}),
        "sessions": pd.DataFrame({"participant_id": ["sub-01"], "session_id": ["ses-1"]}),
        "participants": pd.DataFrame({"participant_id": ["sub-01"]}),
        "exclusions": empty("exclusions"),
        "primary": [NADIR],
        "conditions": CONDITIONS,
    }
    events = {"trial_type": ["set"], "duration_s": [30.0], "posture": [None]}
    symptoms = dict.fromkeys(("pain", "numbness", "capillary_refill_s", "distal_flow"), [None])
    base["events"] = pd.DataFrame(events | symptoms | {"skin_colour": [None]})
    return SimpleNamespace(**base | changes)


SAID = {
    **{"detector": "none", "corrected": "0", "breathing": "", "harms": [], "smallest_effects": ""},
    **{"m": settings_with().measure_outcomes, "other_assumptions": "", "software": ""},
    **{"blood_pressure": "", "seed": 1},
}


def test_breathing_and_spectra_are_answered_where_they_were_used():
    without = answers(variability(checked(), SAID))
    spectrum = "estimator of the spectrum, resampling, detrending and bands"
    assert without[spectrum] == "no spectrum was read"
    assert without["breathing: recorded, derived or unknown"] == ""
    power = table("outcomes", {"outcome": "hf_power_ms2", "value": 300.0, "window": "baseline"})
    read = checked(outcomes=power)
    told = answers(variability(read, SAID | {"breathing": "from the ECG in 2 visits"}))
    assert "smoothness priors 500" in told[spectrum]
    assert told["breathing: recorded, derived or unknown"].startswith("the rate came from the ECG")


def test_claims_of_a_checklist_are_counted_where_any_was_planned():
    asked = "adjustment for several comparisons and claims"
    assert answers(statistics(checked(), SAID))[asked] == ""
    planned = checked(claims=table("claims", {"claim": "target differs from both none and low"}))
    assert answers(statistics(planned, SAID))[asked] == "1 planned; holm over claims"


def test_symptoms_of_a_checklist_are_those_that_were_asked_for():
    asked = "which symptoms were asked for, and when"
    assert answers(harms(checked(), SAID))[asked] == ""
    study = checked()
    study.events = study.events.assign(pain=2.0)
    assert answers(harms(study, SAID))[asked] == "after each set: pain"


def test_sets_stopped_early_and_to_failure_are_counted_as_the_session_sheet_is_read():
    """The sheet is read as true and false: counted as words, every set was planned."""
    study = checked()
    assert answers(harms(study, SAID))["sets stopped early"] == ""
    sets = study.events.assign(condition="low", exercise="squat", participant_id="sub-01")
    sets = pd.concat([sets] * 3).assign(
        stopped_early=[True, False, None], to_failure=[True, True, False]
    )
    study.events = sets
    assert answers(harms(study, SAID))["sets stopped early"] == "1 set"
    (ended,) = ends_of_sets(sets, CONDITIONS).to_dict("records")
    assert (ended["to failure"], ended["stopped early"]) == ("2", "1")


def test_a_checklist_names_the_day_of_the_freezing_where_there_was_one():
    asked = "protocol and plan: where they can be read"
    frozen = {"frozen_at": "2031-02-03T08:00:00Z", "frozen_sha256": "0" * 64}
    assert (
        answers(crossover_items(checked(plan=frozen)))[asked]
        == f"plan frozen at {frozen['frozen_at']}"
    )
    assert answers(crossover_items(checked()))[asked] == ""
