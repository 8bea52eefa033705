"""What the report says of few people, person by person: true of their sets, and nothing more."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from comparison.conditions import Comparison, comparable_rows
from comparison.single_case_table import single_case_table
from demo.one_person import PARTICIPANT, REPS, plan_bouts, write_one_person
from engine.listings import figure_modules
from figures._drawing import STYLE, pyplot
from project import settings_with
from report.sections.heart import why_nothing
from report.single_case import (
    against_it,
    bouts_table,
    chance_in_words,
    differences_in_words,
    differences_table,
    is_one_participant,
    order_in_words,
    pressures_of_person,
    sets_of,
    single_error_in_words,
    work_in_words,
)
from results.tables import as_read
from study.rows import rows_of

CONDITIONS = ("none", "low", "target")

NADIRS = {
    "squat": {"none": (50, 48), "low": (45, 47), "target": (20, 18)},
    "curl": {"none": (52, 51), "low": (52, 50), "target": (30, 28)},
}


def outcomes_of(order=CONDITIONS, *, one_visit=True, person="sub-01", nadirs=NADIRS, failed=()):
    """Nadirs, repetitions and failure of every bout; conditions in the order given."""
    bouts, onset_s = [], 0.0
    for visit, condition in enumerate(order, start=1):
        for exercise, values in nadirs.items():
            for bout, value in enumerate(values[condition], start=1):
                onset_s += 100.0
                visit_done = 1 if one_visit else visit
                to_failure = (condition, bout) in failed
                labels = {
                    "participant_id": person,
                    "session_id": f"ses-{visit_done}",
                    "visit": visit_done,
                    "event_id": f"set-{onset_s:.0f}",
                    "event_onset_s": onset_s,
                    "trial_type": "set",
                    "exercise": exercise,
                    "condition": condition,
                    "bout": bout,
                    "window": "set",
                    "status": "ok",
                }
                bouts += [
                    labels | {"outcome": "smo2_nadir_pct", "value": float(value)},
                    labels | {"outcome": "reps_done", "value": 15.0 - 3 * to_failure},
                    labels | {"outcome": "to_failure", "value": float(to_failure)},
                ]
    return pd.DataFrame(bouts)


def cases_of(outcomes, schedule="not_stated"):
    values = comparable_rows(outcomes, {"smo2_nadir_pct": "identity"}, CONDITIONS)
    comparison = Comparison.of_rows(
        values[values["outcome"] == "smo2_nadir_pct"],
        outcome="smo2_nadir_pct",
        window="set",
        scale="identity",
        conditions=CONDITIONS,
    )
    table = single_case_table(comparison, schedule=schedule, conditions=3, seed=1)
    return as_read(table, "single_case")


def test_differences_are_told_exercise_by_exercise_with_the_overlap_of_bouts():
    label, said = differences_in_words(cases_of(outcomes_of()), "smo2_nadir_pct", "set", CONDITIONS)
    assert label == "Saturation nadir"
    assert said == (
        "In squat 19 % with target, 30 percentage points lower than with none (49) and "
        "27 percentage points lower than with low (46); in curl 29 % with target, "
        "22.5 percentage points lower than with none (51.5) and 22 percentage points lower than "
        "with low (51). It was lower than with none in 8 of 8 pairs and lower than with low in "
        "8 of 8 pairs of bouts."
    )


def test_an_outcome_that_the_person_does_not_have_is_not_told():
    assert differences_in_words(cases_of(outcomes_of()), "hrr_60_bpm", "set", CONDITIONS) is None


def test_the_error_of_a_single_value_stands_beside_the_differences_where_there_is_one():
    sets = sets_of(outcomes_of().assign(se=np.nan), "sub-01", CONDITIONS)
    assert single_error_in_words(sets, "smo2_nadir_pct", "set") == ""
    known = sets.assign(se=sets["se"].mask(sets["outcome"] == "smo2_nadir_pct", 0.44))
    assert single_error_in_words(known, "smo2_nadir_pct", "set") == (
        " The standard error of a single value is 0.44 percentage points (median)."
    )


def test_single_bouts_have_a_difference_and_no_overlap():
    single = {name: {c: v[:1] for c, v in values.items()} for name, values in NADIRS.items()}
    cases = cases_of(outcomes_of(nadirs=single))
    _, said = differences_in_words(cases, "smo2_nadir_pct", "set", CONDITIONS)
    assert "30 percentage points lower than with none (50)" in said
    assert "pairs" not in said
    assert not differences_table(cases).astype(str).stack().str.contains("NAP").any()


def test_work_is_told_bout_by_bout_and_failure_only_where_a_set_failed():
    failed = (("target", 1), ("target", 2))
    sets = sets_of(outcomes_of(failed=failed), "sub-01", CONDITIONS)
    assert work_in_words(sets, CONDITIONS) == (
        "Squat 15, 15 with none; 15, 15 with low; 12, 12 with target. "
        "Curl 15, 15 with none; 15, 15 with low; 12, 12 with target. "
        "Sets to failure: 0 of 4 with none, 0 of 4 with low and 4 of 4 with target."
    )
    nobody = sets_of(outcomes_of(), "sub-01", CONDITIONS)
    assert "failure" not in work_in_words(nobody, CONDITIONS)


@pytest.mark.parametrize(
    ("one_visit", "order", "said"),
    [
        (True, ("low", "none", "target"), "One visit, in this order: low, none, target."),
        (False, ("target", "none", "low"), "3 visits: ses-1 target; ses-2 none; ses-3 low."),
    ],
)
def test_the_order_told_is_the_order_done(one_visit, order, said):
    sets = sets_of(outcomes_of(order, one_visit=one_visit), "sub-01", CONDITIONS)
    assert order_in_words(sets, CONDITIONS) == said


def test_one_visit_is_said_to_confuse_condition_with_time_and_several_with_day():
    def told(**how):
        outcomes = outcomes_of(**how)
        sets = sets_of(outcomes, "sub-01", CONDITIONS)
        return " ".join(against_it(sets, cases_of(outcomes), 1))

    in_one, in_several = told(), told(one_visit=False)
    assert "earlier and later" in in_one
    assert "One resting baseline" in in_one
    assert "these days" not in in_one
    assert "between these days" in in_several
    assert "One resting baseline" not in in_several


def test_a_randomisation_test_is_told_only_where_the_plan_states_the_draw():
    outcomes = outcomes_of()
    assert chance_in_words(cases_of(outcomes)) == ""
    said = chance_in_words(cases_of(outcomes, "randomised_within_exercises"))
    # two exercises as blocks: 2 of 4 schedules at best
    assert "smallest possible p 0.5, over all exercises and not adjusted" in said
    assert "target - none p = 0.5" in said


def test_every_bout_stands_in_the_table_in_the_order_done():
    sets = sets_of(outcomes_of(), "sub-01", CONDITIONS)
    events = sets.drop_duplicates("event_id").assign(cuff_pressure_mmhg=[0.0] * 8 + [90.0] * 4)
    table = bouts_table(sets, events, "sub-01", CONDITIONS).set_index(["exercise", "condition"])
    assert table.loc[("squat", "low"), "Saturation nadir (%)"] == "45, 47"
    assert table.loc[("curl", "target"), "cuff (mmHg)"] == "90"


def test_pressures_come_with_their_share_and_every_verdict_but_within():
    safety = pd.DataFrame(
        {
            "participant_id": "sub-01",
            "scope": "set",
            "condition": ["low", "target", "target"],
            "limb": ["leg", "leg", "arm"],
            "highest_pressure_mmhg": [40.0, 120.0, 90.0],
            "share_pct": [20.0, 60.0, np.nan],
            "verdict": ["within", "within", "unknown"],
        }
    )
    said = pressures_of_person(safety, "sub-01", CONDITIONS)
    assert said == (
        "Low: leg 40 mmHg, 20 % of the occlusion pressure. Target: leg 120 mmHg, 60 % of "
        "the occlusion pressure; arm 90 mmHg, share unknown (unknown). They are this person's "
        "pressures and no advice."
    )
    assert pressures_of_person(safety[:0], "sub-01", CONDITIONS) == ""


def test_a_study_is_of_one_participant_only_while_no_second_has_a_condition():
    alone = outcomes_of()
    at_rest = outcomes_of(person="sub-02").assign(condition=None)
    assert is_one_participant(pd.concat([alone, at_rest]), CONDITIONS)
    assert not is_one_participant(pd.concat([alone, outcomes_of(person="sub-02")]), CONDITIONS)


def test_the_invented_study_of_one_person_declines_to_failure_with_the_target_pressure(tmp_path):
    write_one_person(tmp_path)
    sets = [row for row in rows_of(str(tmp_path), "events", None) if row.trial_type == "set"]
    done = {}
    for row in sets:
        done.setdefault((row.exercise, row.condition), []).append(row.reps_done)
    assert done == {key: list(reps) for key, reps in REPS.items()}
    assert {row.participant_id for row in sets} == {PARTICIPANT}
    bouts = plan_bouts(np.random.default_rng(1))
    starts = [bout.inflation_s for bout in bouts]
    ends = [bout.rest_end_s for bout in bouts]
    assert all(end <= start for end, start in zip(ends, starts[1:], strict=False))


def test_every_bout_is_drawn_for_one_participant_and_for_no_other_study():
    draw = figure_modules()["15_every_bout"].draw
    of_study = {"conditions": list(CONDITIONS), "settings": settings_with()}
    alone = outcomes_of(failed=(("target", 2),))
    with pyplot.rc_context(STYLE):
        figure, numbers = draw(SimpleNamespace(outcomes=alone, **of_study))
    pyplot.close(figure)
    # two exercises, three conditions, two bouts: repetitions and nadirs
    assert numbers.groupby("outcome").size().to_dict() == {"reps_done": 12, "smo2_nadir_pct": 12}
    two = pd.concat([alone, outcomes_of(person="sub-02")])
    figure, numbers = draw(SimpleNamespace(outcomes=two, **of_study))
    pyplot.close(figure)
    assert numbers.empty


def test_a_heart_section_without_a_contrast_says_so_and_one_with_any_does_not():
    nothing, rmssd = pd.DataFrame(), pd.DataFrame({"outcome": ["RMSSD"]})
    assert why_nothing([], "", nothing).startswith("Nothing is compared between conditions here")
    assert why_nothing(["RMSSD fell."], "", nothing) == ""
    assert why_nothing([], "on average 2 s after exercise", nothing) == ""
    assert why_nothing([], "", rmssd) == ""
