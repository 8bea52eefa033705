"""What a person should look at: limbs, shares, time under the cuff, symptoms."""

import pandas as pd
import pytest

from check_safety import check_safety
from cuff.blood_pressure import above_stop_limits
from cuff.log import planned_pressure
from cuff.occlusion import share_of_occlusion
from cuff.safety import above_noted, beyond_limits, misplaced, restriction, rows_of_visit, symptoms
from project import settings_with, write_tiny_study
from results.tables import read_table

SET = {
    "onset_s": 100.0,
    "duration_s": 60.0,
    "exercise": "calf raise",
    "limb": "leg",
    "side": "right",
    "cuff_pressure_mmhg": 90.0,
}


def cuff(limb, side, *, onset_s=90.0, pressure_mmhg=90.0):
    return {
        "onset_s": onset_s,
        "duration_s": 80.0,
        "limb": limb,
        "side": side,
        "cuff_pressure_mmhg": pressure_mmhg,
    }


@pytest.mark.parametrize(
    ("noted", "found"),
    [
        ([cuff("leg", "left")], ["calf raise, cuff on the left leg"]),
        ([cuff("arm", "right")], ["calf raise, cuff on the right arm"]),
        ([cuff("leg", "right")], []),
        ([cuff("leg", "left"), cuff("leg", "right")], []),
        ([cuff("leg", "left", pressure_mmhg=0.0)], []),
        ([cuff("leg", "left", onset_s=200.0)], []),
    ],
)
def test_a_cuff_on_another_limb_than_the_one_that_works_is_named(noted, found):
    said = [f"cuff noted on another limb than the working one: {where}" for where in found]
    assert list(misplaced(pd.DataFrame([SET]), pd.DataFrame(noted))) == said


def test_an_unknown_pressure_on_another_limb_counts_as_inflated():
    noted = pd.DataFrame([cuff("arm", "right", pressure_mmhg=float("nan"))])
    (said,) = misplaced(pd.DataFrame([SET]), noted)
    assert said.endswith("calf raise, cuff on the right arm")


def test_sets_of_the_condition_without_cuff_lack_no_pressure(tmp_path):
    study = write_tiny_study(tmp_path / "tiny", participants=("sub-01",))
    path = study / "events.tsv"
    header, *rows = [line.split("\t") for line in path.read_text().splitlines()]
    at = header.index("cuff_pressure_mmhg")
    rows = [[*row[:at], "n/a", *row[at + 1 :]] for row in rows]
    path.write_text("\n".join("\t".join(row) for row in [header, *rows]) + "\n")
    check_safety(
        [],
        tmp_path / "safety.tsv",
        tmp_path / "cuff_checks.tsv",
        study=str(study),
        settings=settings_with().check_safety,
        protocol=settings_with().protocol,
    )
    lacking = read_table(tmp_path / "safety.tsv").set_index("condition")["missing_checks"]
    assert not lacking["none"].str.contains("cuff_pressure_mmhg").any()
    assert lacking["low"].str.contains("cuff_pressure_mmhg in 1 sets").all()


LIMITS = {
    "highest_share_pct": 80.0,
    "longest_restriction_min": 20.0,
}


@pytest.mark.parametrize(
    ("share_pct", "longest_min", "cuff_mmhg", "said"),
    [
        (80.0, 20.0, 100.0, []),
        (81.0, 5.0, 90.0, ["share above 80 %"]),
        (50.0, 21.0, 90.0, ["cuff inflated for more than 20 min without release"]),
        (50.0, 5.0, 101.0, ["cuff 11 mmHg above the pressure noted for the sets"]),
    ],
)
def test_a_limit_is_said_once_it_is_passed_and_not_when_it_is_met(
    share_pct, longest_min, cuff_mmhg, said
):
    row = {"share_pct": share_pct, "longest_restriction_min": longest_min}
    cuffs = pd.DataFrame([cuff("leg", "right", pressure_mmhg=cuff_mmhg)])
    limits = settings_with(check_safety=LIMITS).check_safety
    found = [*beyond_limits(row, limits), *above_noted(cuffs, pd.DataFrame([SET]), 10.0)]
    assert found == said


def test_the_longest_restriction_is_that_of_one_inflation_and_pressures_of_zero_are_none():
    cuffs = pd.DataFrame(
        {"duration_s": [300.0, 420.0, 900.0], "cuff_pressure_mmhg": [90.0, None, 0.0]}
    )
    assert restriction(cuffs) == {"restriction_min": 12.0, "longest_restriction_min": 7.0}


def test_the_share_is_that_of_the_highest_pressure_of_the_sets():
    sets = pd.DataFrame(
        {
            "participant_id": "sub-01",
            "session_id": "ses-1",
            "cuff_pressure_mmhg": [60.0, 120.0],
        }
    )
    occlusion = pd.DataFrame(
        {
            "participant_id": ["sub-01"],
            "session_id": [None],
            "limb": ["leg"],
            "side": [None],
            "posture": ["seated"],
            "cuff_width_cm": [None],
            "occlusion_pressure_mmhg": [160.0],
            "method": ["doppler"],
        }
    )
    share = share_of_occlusion(sets, "leg", None, "seated", occlusion)
    assert share["share_pct"] == pytest.approx(75.0)


def test_a_slow_refill_is_a_symptom_and_a_quick_one_is_none():
    noted = {"exercise": "squat", "bout": 2.0, "numbness": "none", "distal_flow": True}
    noted |= {"stopped_early": False, "reason": None, "pain": None, "skin_colour": None}
    sets = pd.DataFrame([noted | {"capillary_refill_s": 2.0}, noted | {"capillary_refill_s": 5.0}])
    assert symptoms(sets, settings_with().check_safety) == "refill 5 s (squat bout 2)"


def test_a_pressure_that_nobody_noted_is_unknown_and_only_without_a_cuff_zero():
    sets = pd.DataFrame(
        {"cuff_pressure_mmhg": [None, None, 90.0], "condition": ["none", "low", "low"]}
    )
    planned = planned_pressure(sets, "none")
    assert planned.isna().tolist() == [False, True, False]
    assert planned[0] == 0.0


BLANK_SET = {
    "participant_id": "sub-01",
    "session_id": "ses-1",
    "trial_type": "set",
    "onset_s": 100.0,
    "duration_s": 60.0,
    "condition": "low",
    "exercise": "squat",
    "bout": None,
    "limb": None,
    "side": None,
    "posture": None,
    "cuff_pressure_mmhg": 90.0,
    "pain": None,
    "numbness": None,
    "capillary_refill_s": None,
    "distal_flow": None,
    "skin_colour": None,
    "systolic_mmhg": None,
    "diastolic_mmhg": None,
    "stopped_early": None,
    "reason": None,
}

NO_OCCLUSION = pd.DataFrame(columns=["participant_id", "session_id", "limb"])


def row_of_visit(events, checks=None, occlusion=NO_OCCLUSION):
    """The one row of the table of safety that a visit with this sheet has."""
    settings = settings_with()
    checks = pd.DataFrame() if checks is None else checks
    (row,) = rows_of_visit(
        pd.DataFrame(events), None, occlusion, checks, settings.check_safety, settings.protocol
    )
    return row


def test_a_set_that_names_no_limb_is_under_the_cuff_of_any_limb():
    cuff_of_leg = BLANK_SET | {"trial_type": "cuff", "limb": "leg", "duration_s": 1500.0}
    row = row_of_visit([BLANK_SET, cuff_of_leg])
    assert row["longest_restriction_min"] == 25.0
    assert "without release" in row["findings"]
    assert row["share_status"] == "refused"
    assert row["share_reason"] == "the sets name no limb"


def test_a_departure_of_a_cuff_that_names_no_limb_or_bout_is_told_once_and_as_a_cuff():
    check = {"trial_type": "cuff", "exercise": None, "bout": None, "limb": None}
    check |= {"status": "flagged", "reason": "leaked"}
    row = row_of_visit([BLANK_SET | {"limb": "leg"}], pd.DataFrame([check, check]))
    assert row["findings"] == "recorded pressure: leaked (cuff)"


def test_a_posture_that_was_not_noted_gives_no_share():
    occlusion = pd.DataFrame(
        {
            "participant_id": ["sub-01"],
            "session_id": [None],
            "limb": ["leg"],
            "side": [None],
            "posture": ["seated"],
            "method": ["doppler"],
        }
    )
    row = row_of_visit([BLANK_SET | {"limb": "leg"}], occlusion=occlusion)
    assert row["share_pct"] is None
    assert row["share_reason"] == (
        "occlusion pressure was measured seated, the posture of the exercise was not noted"
    )


def test_a_visit_without_sets_says_so():
    rest = BLANK_SET | {"trial_type": "baseline"}
    assert row_of_visit([rest]) == {"findings": "no set was noted"}


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        ("skin_colour", "blue", "skin blue (squat)"),
        ("skin_colour", "pale", "skin pale (squat)"),
        ("skin_colour", "mottled", "skin mottled (squat)"),
        ("skin_colour", "flushed", "none noted"),
        ("skin_colour", "normal", "none noted"),
        ("pain", 7.0, "pain 7 of 10 (squat)"),
        ("pain", 6.5, "none noted"),
        ("distal_flow", False, "no distal flow (squat)"),
        ("numbness", "mild", "none noted"),
    ],
)
def test_a_sign_at_which_a_cuff_is_released_is_told_and_a_mild_one_is_not(column, value, said):
    assert row_of_visit([BLANK_SET | {column: value}])["symptoms"] == said


@pytest.mark.parametrize(("systolic_mmhg", "told"), [(180.0, True), (179.0, False)])
def test_a_blood_pressure_is_held_against_the_limit_at_which_the_study_stops(systolic_mmhg, told):
    event = pd.DataFrame([BLANK_SET | {"systolic_mmhg": systolic_mmhg, "diastolic_mmhg": 90.0}])
    stops = settings_with(check_safety={"stop_systolic_mmhg": 180.0}).check_safety
    said = ["systolic blood pressure 180 mmHg, the study stops at 180 (squat)"] if told else []
    assert list(above_stop_limits(event, stops)) == said
    assert not list(above_stop_limits(event, settings_with().check_safety))
