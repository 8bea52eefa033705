"""What the report says of safety, and that it says nothing of what a study does not have."""

import pandas as pd
import pytest

from project import settings_with
from report.print_tables import harms_by_condition
from report.safety import (
    blood_pressure_in_words,
    findings_table,
    harms_in_words,
    harms_table,
    missing_in_words,
    not_counting,
    outside_table,
    safety_findings,
    titration_in_words,
    verdicts_in_words,
)
from results.columns import columns_of

NO_HARMS = pd.DataFrame(columns=columns_of("harms"))


def safety(*rows):
    usual = {
        "participant_id": "sub-01",
        "session_id": "ses-1",
        "scope": "visit",
        "condition": "target",
        "findings": "none",
        "symptoms": "none noted",
        "stopped_early": 0,
        "sets": 1,
    }
    return pd.DataFrame([usual | row for row in rows]).reindex(columns=columns_of("safety"))


def sets(*verdicts, condition="target", missing="none"):
    return [
        {
            "scope": "set",
            "verdict": verdict,
            "condition": condition,
            "missing_checks": missing,
            "share_pct": 60.0 if verdict == "within" else None,
            "sets": None,
            "stopped_early": None,
        }
        for verdict in verdicts
    ]


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        (
            "at or above occlusion pressure: 200 of 155 mmHg (doppler, leg, seated, ses-1)",
            "a pressure at or above an occlusion pressure of its limb",
        ),
        ("share above 80 %", "a share above the largest of the study"),
        (
            "may be at or above occlusion, 83 to 106 %: occlusion pressure was estimated",
            "a pressure that may be at or above occlusion",
        ),
        (
            "110 mmHg is no passed step of the titration: none was passed",
            "a pressure that is no passed step of the titration",
        ),
        (
            "systolic blood pressure 180 mmHg, the study stops at 180 (squat)",
            "blood pressure at a stop limit of the study",
        ),
        ("90 mmHg noted in condition none (squat)", "pressure in the condition without cuff"),
        (
            "cuff inflated for more than 10 min without release",
            "a cuff inflated for longer than the limit without release",
        ),
        (
            "cuff noted on another limb than the working one: squat, cuff on the right arm",
            "a cuff on another limb than the working one",
        ),
        (
            "cuff 11 mmHg above the pressure noted for the sets",
            "a cuff with more pressure than noted for its sets",
        ),
        (
            "recorded pressure: leaked (squat)",
            "a recorded pressure that departs from the one noted",
        ),
    ],
)
def test_every_kind_of_finding_is_told_with_its_place(finding, said):
    table = safety({"findings": finding}, {"participant_id": "sub-02"})
    assert safety_findings(table, NO_HARMS) == [f"{said} (sub-01 ses-1)"]
    assert safety_findings(table[1:], NO_HARMS) == []


@pytest.mark.parametrize("scope", ["event", "titration"])
def test_an_inflation_or_a_step_that_reaches_occlusion_is_told_without_a_set(scope):
    reached = {"scope": scope, "findings": "at or above occlusion pressure: 200 of 155 mmHg"}
    assert safety_findings(safety(reached), NO_HARMS) == [
        "a pressure at or above an occlusion pressure of its limb (sub-01 ses-1)"
    ]


def test_a_finding_without_a_short_name_is_told_all_the_same():
    table = safety({"findings": "a finding that nobody named"})
    assert safety_findings(table, NO_HARMS) == ["a finding of another kind (sub-01 ses-1)"]


@pytest.mark.parametrize(
    ("symptom", "said"),
    [
        ("marked numbness (squat)", "marked numbness"),
        ("no distal flow (squat)", "no flow distal to the cuff"),
        ("skin blue (squat)", "pale, blue or mottled skin"),
        ("refill 5 s (squat)", "slow capillary refill"),
        ("pain 8 of 10 (squat)", "severe pain"),
    ],
)
def test_every_kind_of_symptom_is_told_with_its_place(symptom, said):
    assert safety_findings(safety({"symptoms": symptom}), NO_HARMS) == [f"{said} (sub-01 ses-1)"]


def test_a_visit_without_sets_is_no_safety_finding():
    table = safety({"findings": "no set was noted", "sets": None, "symptoms": None})
    assert safety_findings(table, NO_HARMS) == []
    assert findings_table(table).empty


def test_of_many_visits_the_first_are_named_and_the_others_counted():
    table = safety(
        *({"participant_id": f"sub-{n}", "findings": "share above 80 %"} for n in "123456")
    )
    (said,) = safety_findings(table, NO_HARMS)
    assert said.endswith("(sub-1 ses-1, sub-2 ses-1, sub-3 ses-1, sub-4 ses-1 and 2 more visits)")


def test_sets_stopped_early_are_counted_once():
    table = safety({"stopped_early": 1}, *sets(None))
    assert safety_findings(table, NO_HARMS) == ["1 set stopped early"]


def test_sets_that_do_not_count_are_told_by_verdict_and_only_where_there_are_some():
    mixed = safety(*sets("within", "above limit", "other day", "other day", None))
    assert not_counting(mixed) == (
        "3 of 4 sets with a cuff not counted as at the pressure of the condition (1 above limit, "
        "2 with a share from another day)"
    )
    assert safety_findings(mixed, NO_HARMS) == [not_counting(mixed)]
    assert not_counting(safety(*sets("within", "by titration", "overridden"))) == ""
    assert not_counting(safety(*sets(None))) == ""


def test_without_a_set_under_a_cuff_nothing_is_said_of_verdicts():
    assert verdicts_in_words(safety(*sets(None)), 80.0, by_study=False) == []


def test_the_limit_is_said_to_be_a_limit_of_the_study():
    said = " ".join(verdicts_in_words(safety(*sets("within")), 60.0, by_study=True))
    assert "60 % of the occlusion pressure (set by this study)" in said
    assert "alternative analyses" not in said
    beyond = safety(*sets("within", "at or above occlusion"))
    said = " ".join(verdicts_in_words(beyond, 80.0, by_study=False))
    assert "(the default, which this study did not change)" in said
    assert "The contrasts without the other sets stand among the alternative analyses" in said
    assert "1 set was at or above an occlusion pressure of the limb (sub-01 ses-1)" in said


def test_missing_checks_are_counted_at_sets_with_a_cuff_only():
    table = safety(
        *sets("within", missing="capillary_refill_s; skin_colour"),
        *sets("within"),
        *sets(None, missing="distal_flow"),
    )
    assert missing_in_words(table) == (
        "Not noted in the 2 sets with a cuff: capillary refill in 1 and skin colour in 1."
    )
    assert missing_in_words(safety(*sets("within"))) == (
        "Every check was noted in all 1 set with a cuff."
    )
    assert missing_in_words(safety(*sets(None))) == ""


EVENTS = pd.DataFrame({"systolic_mmhg": [150.0, 185.0, None], "diastolic_mmhg": [80, 90, None]})


def test_blood_pressure_without_a_stop_limit_is_said_to_be_held_against_nothing():
    settings = settings_with().check_safety
    assert blood_pressure_in_words(EVENTS, settings).startswith(
        "Blood pressure was noted 2 times and held against nothing"
    )
    assert blood_pressure_in_words(EVENTS[2:], settings) == ""


def test_blood_pressure_is_held_against_the_limits_that_the_study_states():
    settings = settings_with(check_safety={"stop_systolic_mmhg": 180.0}).check_safety
    assert blood_pressure_in_words(EVENTS, settings) == (
        "Blood pressure was noted 2 times; 1 reached a limit at which the study stops (systolic "
        "180 mmHg, its own). No diastolic limit is stated."
    )


def harms(*rows, kept=True):
    usual = {"condition": "target", "what": "all", "people_at_risk": 10, "sets_at_risk": 80}
    known = {"harms": 0, "people": 0} if kept else {}
    return pd.DataFrame([usual | known | row for row in rows]).reindex(columns=columns_of("harms"))


def test_no_harm_and_no_table_of_harms_are_different_sentences():
    (none,) = harms_in_words(harms({}))
    assert none == "No harm was noted: none in 10 people and 80 sets (target)."
    assert harms_in_words(harms({}, kept=False))[0] == (
        "No harms table was kept: whether anybody was harmed is not known."
    )
    assert harms_in_words(NO_HARMS) == []
    assert harms_table(harms({})) is None


def test_harms_are_told_by_condition_with_the_people_at_risk():
    table = harms(
        {"condition": "none"},
        {"harms": 2, "people": 1},
        {"what": "bruise", "grade": "mild", "harms": 2, "people": 1}
        | {"people_ci_low_pct": 0.25, "people_ci_high_pct": 44.5},
    )
    assert harms_in_words(table) == [
        "Harms by condition, with the people and sets at risk: none: no harm in 10 people and 80 "
        "sets; target: 2 harms in 10 people and 80 sets."
    ]
    assert harms_table(table)["people"].tolist() == ["1 of 10 (95 % CI 0 to 44 %)"]
    assert "2 harms with target" in safety_findings(safety({}), table)
    printed = harms_by_condition(table)
    assert printed["people"].tolist() == ["0 of 10", "1 of 10", "1 of 10 (95 % CI 0 to 44 %)"]
    not_kept = harms_by_condition(harms({}, kept=False))
    assert not_kept[["harms", "people"]].to_numpy().tolist() == [["", "of 10"]]


def test_a_titration_is_told_where_there_was_one():
    steps = pd.DataFrame(
        {
            "participant_id": ["sub-01", "sub-01", "sub-02"],
            "passed": ["yes", "no", "no"],
            "sets_at_pressure": [4, 0, 0],
        }
    )
    said = titration_in_words(steps)
    assert said.startswith("3 pressure steps were tried in 2 people")
    assert "1 passed, used in 4 sets." in said
    assert "no statement that the pressure is safe" in said
    assert titration_in_words(steps[:0]) == ""


def test_the_gravest_findings_stand_first_and_rows_of_single_sets_do_not_repeat_them():
    at_occlusion = "at or above occlusion pressure: 200 of 155 mmHg (doppler, leg, seated, ses-1)"
    table = findings_table(
        safety(
            {"findings": "share above 80 %"},
            {"participant_id": "sub-02", "findings": at_occlusion},
            {"participant_id": "sub-03"},
            {"participant_id": "sub-04", "symptoms": "marked numbness (squat)"},
            *sets("at or above occlusion"),
        )
    )
    assert table["participant_id"].tolist() == ["sub-02", "sub-01", "sub-04"]
    assert table["findings"].isna().tolist() == [False, False, True]


def test_sets_that_do_not_count_are_listed_by_visit_with_their_reason():
    rows = sets("other day", "other day", "within", None)
    table = outside_table(safety(*(row | {"verdict_reason": "measured in ses-1"} for row in rows)))
    (row,) = table.to_dict("records")
    assert (row["sets"], row["verdict"], row["why"]) == (2, "other day", "measured in ses-1")
    assert outside_table(safety(*sets("within"))).empty


def test_a_blood_pressure_below_every_limit_is_told_as_none():
    settings = settings_with(check_safety={"stop_systolic_mmhg": 190.0}).check_safety
    assert "; none reached a limit" in blood_pressure_in_words(EVENTS, settings)
