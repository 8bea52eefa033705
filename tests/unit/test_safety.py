"""What a person should look at: limbs, shares, time under the cuff, symptoms."""

import pandas as pd
import pytest

from check_safety import check_safety
from cuff.blood_pressure import above_stop_limits
from cuff.noted_pressures import planned_pressure
from cuff.occlusion import Measured, Placement, share_of_occlusion
from cuff.safety import (
    Known,
    cuff_above_sets,
    cuffs_on_another_limb,
    restriction,
    safety_table,
    visit_rows,
    without_release,
)
from cuff.signs import symptoms
from project import settings_with, write_tiny_study
from results.tables import read_table
from study.tables import TABLES

SET = {
    "onset_s": 100.0,
    "duration_s": 60.0,
    "exercise": "calf raise",
    "limb": "leg",
    "side": "right",
    "cuff_pressure_mmhg": 90.0,
}


def events_of(rows):
    """Rows as the session sheet gives them."""
    return list(pd.DataFrame(list(rows)).itertuples())


def cuff(limb, side, *, onset_s=90.0, pressure_mmhg=90.0):
    return {
        "onset_s": onset_s,
        "duration_s": 80.0,
        "limb": limb,
        "side": side,
        "cuff_pressure_mmhg": pressure_mmhg,
    }


@pytest.mark.parametrize(
    ("noted", "limbs"),
    [
        ([cuff("leg", "left")], ["calf raise, cuff on the left leg"]),
        ([cuff("arm", "right")], ["calf raise, cuff on the right arm"]),
        ([cuff("leg", "right")], []),
        ([cuff("leg", "left"), cuff("leg", "right")], []),
        ([cuff("leg", "left", pressure_mmhg=0.0)], []),
        ([cuff("leg", "left", onset_s=200.0)], []),
    ],
)
def test_a_cuff_on_another_limb_than_the_one_that_works_is_named(noted, limbs):
    said = [f"cuff noted on another limb than the working one: {where}" for where in limbs]
    assert list(cuffs_on_another_limb(events_of([SET]), events_of(noted))) == said


def test_an_unknown_pressure_on_another_limb_counts_as_inflated():
    noted = events_of([cuff("arm", "right", pressure_mmhg=float("nan"))])
    (said,) = cuffs_on_another_limb(events_of([SET]), noted)
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
        tmp_path / "titration.tsv",
        tmp_path / "harms.tsv",
        study=str(study),
        conditions=["none", "low", "target"],
        harms_kept=False,
        settings=settings_with().check_safety,
        protocol=settings_with().protocol,
    )
    table = read_table(tmp_path / "safety.tsv")
    lacking = table[table["scope"] == "visit"].set_index("condition")["missing_checks"]
    assert not lacking["none"].str.contains("cuff_pressure_mmhg").any()
    assert lacking["low"].str.contains("cuff_pressure_mmhg in 1 set").all()


@pytest.mark.parametrize(
    ("longest_min", "cuff_mmhg", "said"),
    [
        (20.0, 100.0, []),
        (21.0, 90.0, ["cuff inflated for more than 20 min without release"]),
        (5.0, 101.0, ["cuff 11 mmHg above the pressure noted for the sets"]),
    ],
)
def test_a_limit_is_said_once_it_is_passed_and_not_when_it_is_met(longest_min, cuff_mmhg, said):
    inflated = cuff("leg", "right", pressure_mmhg=cuff_mmhg) | {"duration_s": 60 * longest_min}
    cuffs = events_of([inflated])
    limits = settings_with(check_safety={"longest_restriction_min": 20.0}).check_safety
    findings = [*without_release(cuffs, limits), *cuff_above_sets(cuffs, events_of([SET]), 10.0)]
    assert findings == said


def test_the_longest_restriction_is_that_of_one_inflation_and_pressures_of_zero_are_none():
    cuffs = events_of(
        {"duration_s": duration_s, "cuff_pressure_mmhg": pressure_mmhg}
        for duration_s, pressure_mmhg in ((300.0, 90.0), (420.0, None), (900.0, 0.0))
    )
    assert restriction(cuffs) == {"restriction_min": 12.0, "longest_restriction_min": 7.0}


@pytest.mark.parametrize(
    ("cuffs", "minutes", "lacking"),
    [
        ([], None, "; cuff_times in 1 set"),
        ([{"onset_s": 0.0, "duration_s": 50.0}], None, "; cuff_times in 1 set"),
        ([{"onset_s": 90.0, "duration_s": 90.0}], 1.5, ""),
    ],
)
def test_without_the_times_of_a_cuff_the_time_under_it_is_unknown_and_not_zero(
    cuffs, minutes, lacking
):
    set_ = BLANK_SET | SET
    row = row_of_visit([set_, *(set_ | {"trial_type": "cuff"} | times for times in cuffs)])
    assert (row.get("restriction_min"), row.get("longest_restriction_min")) == (minutes, minutes)
    assert row["missing_checks"].endswith(f"skin_colour in 1 set{lacking}")
    without_cuff = row_of_visit([set_ | {"cuff_pressure_mmhg": 0.0}])
    assert without_cuff["restriction_min"] == 0
    assert "cuff_times" not in without_cuff["missing_checks"]


def test_the_share_is_that_of_the_pressure_in_the_occlusion_pressure():
    place = Placement("ses-1", "leg", None, "seated", None, None)
    measured = [Measured(Placement(None, "leg", None, "seated", None, None), 160.0, "doppler")]
    assert share_of_occlusion(120.0, place, measured)["share_pct"] == pytest.approx(75.0)


def test_a_slow_refill_is_a_symptom_and_a_quick_one_is_none():
    noted = {"exercise": "squat", "bout": 2.0, "numbness": "none", "distal_flow": True}
    noted |= {"stopped_early": False, "reason": None, "pain": None, "skin_colour": None}
    sets = events_of([noted | {"capillary_refill_s": 2.0}, noted | {"capillary_refill_s": 5.0}])
    assert symptoms(sets, settings_with().check_safety) == "refill 5 s (squat bout 2)"


def test_a_pressure_that_nobody_noted_is_unknown_and_only_without_a_cuff_zero():
    sets = pd.DataFrame(
        {"cuff_pressure_mmhg": [None, None, 90.0], "condition": ["none", "low", "low"]}
    )
    planned = planned_pressure(sets, "none")
    assert planned.isna().tolist() == [False, True, False]
    assert planned[0] == 0.0


BLANK_SET = dict.fromkeys(TABLES["events"].model_fields) | {
    "participant_id": "sub-01",
    "session_id": "ses-1",
    "event_id": "sub-01_ses-1_set-01",
    "trial_type": "set",
    "onset_s": 100.0,
    "duration_s": 60.0,
    "condition": "low",
    "exercise": "squat",
    "cuff_pressure_mmhg": 90.0,
}


def rows_of(events, checks=None, occlusion=(), titration=(), **changed):
    """Rows of the table of safety of a visit with this sheet."""
    settings = settings_with(check_safety=changed)
    known = Known.of_study(
        *(
            pd.DataFrame(list(rows), columns=list(TABLES[name].model_fields))
            for name, rows in (("occlusion", occlusion), ("titration", titration))
        ),
        *(settings.check_safety, settings.protocol),
    )
    return list(visit_rows(events_of(events), None, known, events_of(checks or [])))


def row_of_visit(events, checks=None, **study):
    """The one row of its limb that a visit with this sheet has."""
    (row,) = (row for row in rows_of(events, checks, **study) if row["scope"] == "visit")
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
    check |= {"status": "flagged", "reason": "leaked", "onset_s": 90.0, "actual_mmhg": 70.0}
    check |= {"highest_mmhg": 70.0}
    row = row_of_visit([BLANK_SET | {"limb": "leg"}], [check, check])
    assert row["findings"] == "recorded pressure: leaked (cuff)"


OCCLUSION = {
    "participant_id": "sub-01",
    "limb": "leg",
    "posture": "seated",
    "occlusion_pressure_mmhg": 160.0,
    "method": "doppler",
}


def test_a_posture_that_was_not_noted_gives_no_share():
    row = row_of_visit([BLANK_SET | {"limb": "leg"}], occlusion=[OCCLUSION])
    assert row["share_pct"] is None
    assert row["share_reason"] == (
        "occlusion pressure was measured seated, the posture of the exercise was not noted"
    )


def test_a_visit_is_judged_by_its_highest_pressure():
    seated = BLANK_SET | {"limb": "leg", "posture": "seated"}
    row = row_of_visit(
        [seated | {"cuff_pressure_mmhg": pressure_mmhg} for pressure_mmhg in (60.0, 96.0, 80.0)],
        occlusion=[OCCLUSION],
    )
    assert (row["highest_pressure_mmhg"], row["share_pct"]) == (96.0, 60.0)


def test_a_visit_without_sets_says_so():
    rest = BLANK_SET | {"trial_type": "baseline"}
    assert row_of_visit([rest]) == {"scope": "visit", "findings": "no set was noted"}


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


@pytest.mark.parametrize(
    ("systolic_mmhg", "diastolic_mmhg", "said"),
    [
        (180.0, 109.0, ["systolic blood pressure 180 mmHg, the study stops at 180 (squat)"]),
        (179.0, 110.0, ["diastolic blood pressure 110 mmHg, the study stops at 110 (squat)"]),
        (179.0, 109.0, []),
    ],
)
def test_a_blood_pressure_is_held_against_the_limit_at_which_the_study_stops(
    systolic_mmhg, diastolic_mmhg, said
):
    noted = {"systolic_mmhg": systolic_mmhg, "diastolic_mmhg": diastolic_mmhg}
    event = events_of([BLANK_SET | noted])
    limits = {"stop_systolic_mmhg": 180.0, "stop_diastolic_mmhg": 110.0}
    assert list(above_stop_limits(event, settings_with(check_safety=limits).check_safety)) == said
    assert not list(above_stop_limits(event, settings_with().check_safety))


SEATED_LEG = {"limb": "leg", "posture": "seated"}


def recorded(trial_type, actual_mmhg, highest_mmhg):
    return BLANK_SET | {
        "trial_type": trial_type,
        "limb": "leg",
        "status": "ok",
        "reason": "",
        "actual_mmhg": actual_mmhg,
        "highest_mmhg": highest_mmhg,
    }


@pytest.mark.parametrize(
    ("noted_mmhg", "actual_mmhg", "highest_mmhg", "verdict", "source"),
    [
        (90.0, 92.0, 95.0, "within", "noted"),
        (90.0, 140.0, 145.0, "above limit", "recorded"),
        (None, 90.0, 92.0, "within", "recorded"),
        (90.0, 92.0, 165.0, "at or above occlusion", "highest recorded"),
        (90.0, 170.0, 172.0, "at or above occlusion", "recorded"),
        (90.0, 60.0, 60.0, "within", "noted"),
    ],
)
def test_a_pressure_recorded_above_the_noted_one_decides_on_the_verdict(
    noted_mmhg, actual_mmhg, highest_mmhg, verdict, source
):
    event = BLANK_SET | SEATED_LEG | {"cuff_pressure_mmhg": noted_mmhg}
    checks = [recorded("set", actual_mmhg, highest_mmhg)]
    of_limb, of_set = rows_of([event], checks, occlusion=[OCCLUSION])
    assert (of_set["verdict"], of_set["pressure_source"]) == (verdict, source)
    at_occlusion = "at or above occlusion" in of_limb["findings"]
    assert at_occlusion == (verdict == "at or above occlusion")


def test_an_inflation_at_rest_that_reaches_occlusion_is_a_finding_of_its_own():
    at_rest = BLANK_SET | SEATED_LEG | {"trial_type": "cuff", "onset_s": 500.0}
    occluding = at_rest | {"cuff_pressure_mmhg": 165.0}
    below, above = (
        [row for row in rows_of([cuff], occlusion=[OCCLUSION]) if row["scope"] == "event"]
        for cuff in (at_rest, occluding)
    )
    assert below == []
    assert above[0]["findings"] == (
        "at or above occlusion pressure: 165 of 160 mmHg (doppler, leg, seated) (cuff)"
    )


def test_a_recorded_peak_of_an_inflation_that_reaches_occlusion_is_a_finding():
    inflation = BLANK_SET | SEATED_LEG | {"trial_type": "cuff"}
    for highest_mmhg, n_told in ((150.0, 0), (161.0, 1)):
        checks = [recorded("cuff", 90.0, highest_mmhg)]
        rows = rows_of([inflation], checks, occlusion=[OCCLUSION])
        assert len([row for row in rows if row["scope"] == "event"]) == n_told


def test_the_condition_without_cuff_has_no_pressure_without_a_finding():
    event = BLANK_SET | SEATED_LEG | {"condition": "none"}
    row = row_of_visit([event], occlusion=[OCCLUSION])
    assert row["findings"] == "90 mmHg noted in condition none (squat)"
    without = row_of_visit([event | {"cuff_pressure_mmhg": None}], occlusion=[OCCLUSION])
    assert (without["findings"], without["verdict"]) == ("none", None)


@pytest.mark.parametrize(("pressure_mmhg", "told"), [(160.0, True), (159.0, False)])
def test_a_step_of_a_titration_that_reaches_occlusion_is_a_finding(pressure_mmhg, told):
    step = dict.fromkeys(TABLES["titration"].model_fields) | SEATED_LEG
    step |= {"participant_id": "sub-01", "session_id": "ses-1", "pressure_mmhg": pressure_mmhg}
    settings = settings_with()
    known = Known.of_study(
        pd.DataFrame([OCCLUSION], columns=list(TABLES["occlusion"].model_fields)),
        pd.DataFrame([step]),
        *(settings.check_safety, settings.protocol),
    )
    visits = pd.DataFrame(
        [{"participant_id": "sub-01", "session_id": "ses-1", "visit": 1, "note": None}]
    )
    table = safety_table(visits, pd.DataFrame([BLANK_SET]), known, pd.DataFrame())
    assert table["scope"].eq("titration").any() == told
