"""A sentence is said of a study of which it is true, and of no other."""

from types import SimpleNamespace

import pandas as pd
import pytest

from comparison.joint_tests import INTERACTION
from project import settings_with
from recordings.clock import MARKS, STATED
from report.answer import course_in_words, plan_in_words
from report.estimand import (
    baseline_in_words,
    exercises_in_words,
    missing_in_words,
    outcomes_in_words,
    people_in_words,
    sizes_in_words,
    stopped_in_words,
    visits_in_words,
    work_in_words,
)
from report.joint_tests import interaction_of, sentence_of_interaction, told_in_short
from report.methods import (
    clocks_in_words,
    declared_over_header,
    measured,
    recordings_in_words,
    related_in_words,
    size_in_words,
    software_in_words,
)
from report.sections import unmade
from report.sections.findings import findings, why_nothing
from report.sections.limits import limits
from report.sections.quality import beside_a_review, blind_reviews
from report.sentences import sentence_of_claim, sentence_of_contrast, verdict_of
from results.decided import SAME_ORDER

NOTHING = float("nan")
NADIR = ("smo2_nadir_pct", "set")
CONDITIONS = ["none", "low", "target"]


def cells(*values):
    columns = ["exercise", "condition", "participant_id", "value"]
    return pd.DataFrame(values, columns=columns)


def contrast(**changes):
    row = {
        "outcome": "smo2_nadir_pct",
        "window": "set",
        "exercise": "all",
        "contrast": "target - none",
        "scale": "identity",
        "estimate": -12.0,
        "ci_low": -15.0,
        "ci_high": -9.0,
        "confidence": 0.95,
        "p": 0.001,
        "p_adjusted": 0.003,
        "n_pairs": 8,
        "flagged_pct": 0.0,
        "withheld_pct": 0.0,
        "smallest_effect": 5.0,
        "reading": "different",
        "claim": "yes",
        "primary": "yes",
        "method": "within people; condition, visit",
        "note": NOTHING,
    }
    return pd.Series(row | changes)


# --- the first screen -----------------------------------------------------------------------------


def test_a_course_is_a_mean_where_only_one_condition_was_done():
    alone = cells(("calf_raise", "none", "sub-01", 40.0), ("calf_raise", "none", "sub-02", 50.0))
    said = course_in_words(alone, CONDITIONS, "Nadir", "%")
    assert said == "Nadir with none, mean over people (%): calf raise 45."


def test_a_course_compares_nothing_where_nobody_has_both_conditions():
    apart = cells(("calf_raise", "none", "sub-01", 40.0), ("calf_raise", "low", "sub-02", 50.0))
    said = course_in_words(apart, CONDITIONS, "Nadir", "%")
    assert said == "Nadir: nobody has values with both none and low in one exercise."


@pytest.mark.parametrize(
    ("second", "said"),
    [
        (30.0, "Nadir was on average lower with low than with none in both exercises"),
        (60.0, "Nadir, mean difference low - none by exercise: calf raise -10"),
    ],
)
def test_a_direction_is_said_of_all_exercises_only_where_all_have_it(second, said):
    both = cells(
        ("calf_raise", "none", "sub-01", 40.0),
        ("calf_raise", "low", "sub-01", 30.0),
        ("band_row", "none", "sub-01", 40.0),
        ("band_row", "low", "sub-01", second),
    )
    assert course_in_words(both, CONDITIONS, "Nadir", "%").startswith(said)


def test_a_frozen_plan_says_when_and_what_differs_and_an_absent_one_that_nothing_shows_it():
    claims = pd.DataFrame({"plan": ["as planned", "another smallest effect"]})
    frozen = SimpleNamespace(frozen_at="2031-02-03", frozen_sha256="0123456789abcdef")
    said = plan_in_words(claims, frozen)
    assert "frozen on 2031-02-03" in said
    assert "1 of 2 claims is as planned. What differs: another smallest effect." in said
    kept = plan_in_words(claims[:1], frozen)
    assert "What differs" not in kept
    absent = plan_in_words(claims, SimpleNamespace(frozen_at=None))
    assert "No plan was frozen" in absent
    assert "as planned" not in absent


# --- what is estimated ----------------------------------------------------------------------------


def done(*rows):
    columns = ["participant_id", "exercise", "condition", "outcome", "value"]
    return pd.DataFrame(rows, columns=columns)


ONE = done(("sub-01", "calf_raise", "none", "reps_done", 12.0))
TWO = done(
    ("sub-01", "calf_raise", "none", "reps_done", 12.0),
    ("sub-02", "band_row", "low", "reps_done", 10.0),
)


def test_the_people_of_a_contrast_are_counted_and_one_participant_is_named_as_alone():
    compared = pd.DataFrame([contrast()])
    assert people_in_words(ONE, compared, [NADIR]) == "One participant, and nobody else."
    assert "The 2 participants who did sets" in people_in_words(TWO, compared, [NADIR])


def test_exercises_weigh_the_same_where_there_are_several():
    assert exercises_in_words(ONE).startswith("One exercise, calf raise;")
    assert "each with the same weight" in exercises_in_words(TWO)
    assert exercises_in_words(ONE.assign(exercise=None)) == ""


def test_primary_outcomes_are_named_where_they_were_stated():
    assert outcomes_in_words([NADIR]) == "Saturation nadir (set)."
    assert outcomes_in_words([]) == "No primary outcome was stated."


@pytest.mark.parametrize(
    ("scale", "said"),
    [
        ("identity", "The difference of means, in the unit of the outcome."),
        ("ratio", "The ratio of geometric means."),
        ("ordinal", "The difference of relative effects:"),
    ],
)
def test_the_size_of_an_effect_is_named_by_the_scales_that_were_compared(scale, said):
    assert sizes_in_words(pd.DataFrame([contrast(scale=scale)]), [NADIR]).startswith(said)


@pytest.mark.parametrize(
    ("methods", "said"),
    [
        (["a, visit", "b, visit"], "for everybody alike is taken out."),
        (["a", "b"], "is not taken out."),
        (["a, visit", "b"], "is taken out where the cells allow it."),
    ],
)
def test_visits_are_taken_out_of_the_outcomes_whose_model_holds_them(methods, said):
    compared = pd.DataFrame([contrast(method=method) for method in methods])
    assert visits_in_words(compared, [NADIR]).endswith(said)


def test_resting_values_are_held_equal_only_where_the_plan_says_so():
    assert "RMSSD" in baseline_in_words(["rmssd_ms"])
    assert baseline_in_words([]).startswith("Not taken into account")


def test_sets_stopped_or_to_failure_are_counted_where_one_was_noted():
    sets = pd.DataFrame(
        {"trial_type": "set", "condition": "low", "stopped_early": [False, True], "to_failure": 0}
    )
    assert stopped_in_words(sets, CONDITIONS).endswith("1 stopped early, of 2 sets.")
    assert stopped_in_words(sets[:1], CONDITIONS) == "The only set was not noted as one."


def test_mean_repetitions_are_given_where_they_were_noted():
    assert "Mean repetitions of a set: 12.0 with none" in work_in_words(ONE, CONDITIONS)
    assert "Mean repetitions" not in work_in_words(ONE.assign(value=NOTHING), CONDITIONS)


def test_who_missed_a_condition_is_counted_and_nobody_where_all_did_all():
    assert "1 participant did not do every condition and counts" in missing_in_words(
        ONE, CONDITIONS
    )
    assert "Everybody did every condition" in missing_in_words(ONE, ["none"])


# --- claims, contrasts, interaction ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "said", "verdict"),
    [
        ({}, "was lower with target than with none", "lower"),
        ({"estimate": NOTHING, "note": "no values"}, "could not be compared (no values)", None),
        ({"ci_low": NOTHING, "n_pairs": 1}, "one participant only: no comparison", None),
        ({"ci_low": NOTHING}, "no interval: no comparison", None),
        ({"claim": "described"}, "described only, no test", "described"),
        ({"claim": "no", "reading": "equivalent"}, "shown to be no different in size", "same"),
        ({"claim": "no", "reading": "inconclusive"}, "Inconclusive", "not shown"),
        ({"claim": "no", "reading": "no difference shown"}, "No difference was shown", "not shown"),
        ({"reading": "equivalent"}, "The difference is smaller than the smallest effect", "lower"),
        ({"flagged_pct": 0.2}, "under 1 % flagged", "lower"),
    ],
)
def test_a_contrast_says_what_was_decided_of_it_and_nothing_else(changes, said, verdict):
    others = {
        "was lower with target",
        "could not be compared",
        "one participant only",
        "no interval:",
        "described only",
        "shown to be no different",
        "Inconclusive",
        "No difference was shown",
    }
    row = contrast(**changes)
    sentence = sentence_of_contrast(row, "Nadir", "%")
    assert said in sentence
    assert sum(other in sentence for other in others) == 1
    assert verdict_of(row) == (verdict or "not estimated")


@pytest.mark.parametrize(
    ("note", "at"),
    [(SAME_ORDER, "at the visits with"), (f"{SAME_ORDER} within a visit", "in the sets with")],
)
def test_where_all_had_one_order_a_difference_is_one_of_visits_or_sets_and_no_effect(note, at):
    row = contrast(note=note)
    told = sentence_of_contrast(row, "Nadir", "%", same_order=True)
    assert at in told
    assert "not called an effect of pressure" in told
    assert "not called an effect" not in sentence_of_contrast(row, "Nadir", "%")


def claim(**changes):
    row = {
        "outcome": "smo2_nadir_pct",
        "window": "set",
        "claim": "target differs from none",
        "verdict": "shown",
        "p_adjusted": 0.01,
        "parts": NOTHING,
        "plan": "as planned",
        "note": NOTHING,
    }
    return pd.Series(row | changes)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "Nadir: lower with target than with none (p = .010 over all claims). As planned."),
        ({"verdict": "not shown"}, "was not shown"),
        ({"verdict": "described", "note": "3 pairs"}, "is not claimed, only described: 3 pairs"),
        ({"verdict": "not tested", "note": "an earlier one failed"}, "was not tested: an earlier"),
        ({"plan": "added"}, "Not as planned."),
        ({"claim": "any difference"}, "any difference was tested, at least one was shown"),
    ],
)
def test_a_claim_is_told_by_its_verdict_and_by_what_was_planned(changes, said):
    told = sentence_of_claim(claim(**changes), pd.DataFrame([contrast()]), "Nadir")
    assert said in told
    assert ("does not show that there is no difference" in told) == (
        changes.get("verdict") == "not shown"
    )


@pytest.mark.parametrize(
    ("p", "said", "in_short"),
    [
        (
            *(0.01, "vary from exercise to exercise (F(4.0, 20.0) = 3.00, p = .010). The contrast"),
            "The differences vary from exercise to exercise (p = .010).",
        ),
        (
            *(0.2, "were not shown to vary from exercise to exercise"),
            "The differences were not shown to vary from exercise to exercise (p = .200).",
        ),
        (
            *(NOTHING, "was not tested (one exercise)"),
            "Whether the differences vary from exercise to exercise was not tested.",
        ),
    ],
)
def test_exercises_differ_or_were_not_shown_to_or_were_not_tested(p, said, in_short):
    tests = pd.DataFrame(
        [
            {
                "outcome": "smo2_nadir_pct",
                "window": "set",
                "term": INTERACTION,
                "df_num": 4,
                "df": 20,
                "F": 3.0,
                "p": p,
                "note": "one exercise: not tested" if pd.isna(p) else "",
            }
        ]
    )
    assert said in sentence_of_interaction(interaction_of(tests, *NADIR), "Nadir")
    assert told_in_short(tests, *NADIR) == in_short
    assert told_in_short(tests[:0], *NADIR) is None
    assert interaction_of(tests, "rmssd_ms", "set") is None


def values(*rows):
    columns = ["participant_id", "exercise", "condition", "outcome", "window", "status", "reason"]
    return pd.DataFrame(rows, columns=columns).assign(value=NOTHING)


LOST = values(
    ("sub-01", "calf_raise", "none", *NADIR, "refused", "sensor slipped"),
    ("sub-02", "calf_raise", "low", *NADIR, "missing", "not recorded"),
    ("sub-02", "calf_raise", "none", *NADIR, "refused", "sensor slipped"),
)


def test_an_outcome_of_which_nothing_could_be_compared_says_the_commonest_reason():
    none_given = pd.DataFrame([contrast(estimate=NOTHING)])
    no_claims, no_tests = pd.DataFrame(columns=claim().index), pd.DataFrame(columns=["outcome"])
    settings = settings_with(
        study={"primary_outcomes": [{"outcome": "smo2_nadir_pct", "window": "set"}]}
    )
    ((_, told),) = findings(LOST, none_given, no_claims, no_tests, settings)
    assert told == ["Saturation nadir (set): nothing could be compared: sensor slipped."]
    assert why_nothing(LOST.assign(value=1.0), *NADIR) == ""


# --- what cannot be concluded, recordings, what could not be made ---------------------------------


def test_limits_of_order_are_said_of_studies_in_which_all_had_one_order():
    settings = settings_with(
        study={"primary_outcomes": [{"outcome": "smo2_nadir_pct", "window": "set"}]}
    )
    for note, told in ((SAME_ORDER, True), (NOTHING, False)):
        said = limits(LOST, pd.DataFrame([contrast(note=note)]), settings)
        assert any("same order" in sentence for sentence in said) is told
        assert any("3 of 3 values are absent: sensor slipped (2 values)" in s for s in said)
    without = limits(LOST.assign(condition=None), pd.DataFrame([contrast()]), settings)
    assert without[0].startswith("No set was done in a condition")


def test_reasons_beyond_the_third_are_counted_together():
    settings = settings_with(
        study={"primary_outcomes": [{"outcome": "smo2_nadir_pct", "window": "set"}]}
    )
    many = pd.concat([LOST.assign(reason=f"reason {n}") for n in range(5)])
    told = limits(many, pd.DataFrame([contrast()]), settings)
    assert any("; other reasons (6 values)" in sentence for sentence in told)


REVIEW = SimpleNamespace(
    review_id="r1",
    recordings=6,
    seed=7,
    decisions=2,
    frozen_at="2031-02-03T10:00:00Z",
    decisions_sha256="0123456789abcdef",
)


def test_a_blind_review_tells_the_decisions_that_were_made_with_sight_of_conditions():
    edits = pd.DataFrame(
        {"edit_id": ["r1-1", "2"], "edited_at": ["2031-02-03T09:00:00Z", "2031-02-04T09:00:00Z"]}
    )
    assert beside_a_review(REVIEW, edits).endswith("0 decisions were made before and 1 after it.")
    assert beside_a_review(REVIEW, edits[:1]) == "No other decision was made."
    (told,) = blind_reviews(pd.DataFrame([vars(REVIEW)]), edits)
    assert "without condition, pressure, order, visit or person" in told
    assert blind_reviews(pd.DataFrame([vars(REVIEW)])[:0], edits) == []


COLUMNS_OF_UNMADE = ["kind", "participant_id", "name", "reason"]


@pytest.mark.parametrize(
    ("person", "figure"), [(True, True), (True, False), (False, True), (False, False)]
)
def test_what_could_not_be_made_is_told_of_studies_in_which_something_failed(
    person, figure, tmp_path
):
    (tmp_path / "figures").mkdir()
    lost = [("person", "sub-02", None, "the disk is full")] if person else []
    drawn = [("figure", None, "11_work", "no memory")] if figure else []
    undrawn = pd.DataFrame(drawn, columns=COLUMNS_OF_UNMADE)
    undrawn.to_csv(tmp_path / "figures" / "undrawn.tsv", sep="\t", index=False)
    results = SimpleNamespace(
        unmade=pd.DataFrame(lost, columns=COLUMNS_OF_UNMADE),
        recordings=pd.DataFrame({"participant_id": ["sub-01", "sub-02"]}),
        path=tmp_path.joinpath,
    )
    told = unmade.section(results)
    assert bool(told) == (person or figure)
    if told:
        assert ("1 participant of 2 could not be measured" in told["said"]) == person
        assert any(row["name"] == "11_work" for row in told["rows"]) == figure


# --- methods --------------------------------------------------------------------------------------


def test_clocks_are_told_by_how_each_recording_was_placed():
    shared = pd.DataFrame({"placed_by": [MARKS, MARKS]})
    assert clocks_in_words(shared).startswith("Recorder clocks were put on the clock")
    mixed = clocks_in_words(pd.DataFrame({"placed_by": [MARKS, STATED]}))
    assert "1 recording was put on the clock" in mixed
    assert "1 recording was taken at the offset that the study states" in mixed
    assert "states" not in clocks_in_words(shared)


def test_a_declaration_over_a_header_is_told_with_its_reason():
    recordings = pd.DataFrame(
        {
            "signal": ["ecg", "ecg"],
            "declared_over_header": ["unit", None],
            "unit": ["uV", None],
            "declared_reason": ["the header says mV", None],
        }
    )
    (told,) = declared_over_header(recordings)
    assert "In 1 file of ECG the study declared unit (uV) over the header" in told
    assert list(declared_over_header(recordings[1:])) == []
    assert recordings_in_words(recordings) == "There were 2 recordings of ECG"


def test_a_method_is_told_where_a_value_came_of_it():
    given = pd.DataFrame({"outcome": ["hf_power_ms2", "smo2_nadir_pct"], "value": [1.0, NOTHING]})
    assert measured(given) == {"spectrum"}


def test_a_library_of_detectors_is_named_where_it_found_the_beats():
    assert "neurokit2" not in software_in_words("own")
    assert "sleepecg" in software_in_words("sleepecg")
    assert "neurokit2" in software_in_words("pantompkins1985")


def test_a_smallest_effect_is_named_on_the_scale_of_its_outcome():
    for scale, said in (
        ("ratio", "a ratio of 1.2"),
        ("ordinal", "a relative effect of 1.2"),
        ("identity", "1.2 percentage points"),
    ):
        assert size_in_words(1.2, SimpleNamespace(SCALE=scale, UNIT="%")) == said


def test_levels_of_coupling_and_their_errors_are_told_where_the_study_has_them():
    levels = [("within session", 0.5, 0.3), ("between people", 0.2, -0.3)]
    many = pd.DataFrame(levels, columns=["level", "r", "ci_low"])
    told = related_in_words(many)
    assert "sets about the mean of their session, people about each other" in told
    assert "session means" not in told
    assert "leaving one person out" in told
    assert "Fisher" in told
    alone = related_in_words(many[:1].assign(ci_low=NOTHING))
    assert alone.endswith("(Snijders and Bosker 2012), without an interval.")
    assert related_in_words(many.assign(r=NOTHING)) == ""
