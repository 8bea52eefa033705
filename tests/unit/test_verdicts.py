"""Whether a cuff pressure counts as the one that its condition names: every verdict, both sides."""

from dataclasses import replace

import pandas as pd
import pytest

from cuff.occlusion import Measured, Placement
from cuff.titration import against_titration, steps_by_participant, titration_table
from cuff.verdicts import gravest, judge_pressure
from project import settings_with
from study.tables import TABLES

PLACEMENT = Placement("ses-2", "leg", "right", "seated", "wide", 13.0)

MEASURED = Measured(PLACEMENT, 160.0, "doppler")


def of(
    pressure_mmhg, measured=(MEASURED,), *, placement=PLACEMENT, passed=(), highest_share_pct=80.0
):
    return judge_pressure(
        pressure_mmhg, placement, measured, passed, highest_share_pct=highest_share_pct
    )


@pytest.mark.parametrize(
    ("pressure_mmhg", "verdict", "counts"),
    [
        (0.0, None, None),
        (None, "unknown", False),
        (96.0, "within", True),
        (128.0, "within", True),
        (129.0, "above limit", False),
        (159.9, "above limit", False),
        (160.0, "at or above occlusion", False),
        (200.0, "at or above occlusion", False),
    ],
)
def test_a_pressure_is_judged_by_the_occlusion_pressure_of_its_own_place(
    pressure_mmhg, verdict, counts
):
    one = of(pressure_mmhg)
    assert one.verdict == verdict
    assert one.counts is counts
    assert bool(one.findings) == (verdict in ("above limit", "at or above occlusion"))


def test_the_gravest_verdict_stands_for_several_sets():
    assert gravest(["within", None, "at or above occlusion", "above limit"]) == (
        "at or above occlusion"
    )
    assert gravest(["by titration", "unknown", "other day"]) == "unknown"
    assert gravest([None]) is None


def test_the_largest_share_is_that_of_the_study():
    assert of(96.0, highest_share_pct=60.0).verdict == "within"
    one = of(96.0, highest_share_pct=50.0)
    assert one.verdict == "above limit"
    assert one.findings == ("share above 50 %",)
    assert one.reason == "60 % of the occlusion pressure, 160 mmHg; the study allows 50 %"


@pytest.mark.parametrize(
    ("changed", "verdict", "reason"),
    [
        ({"limb": "arm"}, "other limb", "no occlusion pressure of the leg was measured"),
        (
            {"side": "left"},
            "other limb",
            "occlusion pressure was measured on the left leg, the exercise was on the right leg",
        ),
        (
            {"posture": "supine"},
            "other posture",
            "occlusion pressure was measured supine, the exercise was seated",
        ),
        (
            {"cuff": "narrow", "cuff_width_cm": 13.0},
            "other cuff",
            "occlusion pressure was measured with the cuff 'narrow', the exercise was with the "
            "cuff 'wide'",
        ),
        (
            {"cuff": None, "cuff_width_cm": 8.0},
            "other cuff",
            "occlusion pressure was measured with a cuff of 8 cm, the exercise was with the cuff "
            "'wide'",
        ),
        (
            {"session_id": "ses-1"},
            "other day",
            "occlusion pressure was measured in ses-1, the exercise was in ses-2",
        ),
        (
            {"posture": "supine", "session_id": "ses-1"},
            "other posture",
            "occlusion pressure was measured supine and in ses-1, the exercise was seated and in "
            "ses-2",
        ),
    ],
)
def test_an_occlusion_pressure_of_another_place_does_not_count_and_is_named(
    changed, verdict, reason
):
    elsewhere = replace(MEASURED, placement=replace(PLACEMENT, **changed))
    one = of(96.0, [elsewhere])
    assert (one.verdict, one.reason, one.counts) == (verdict, reason, False)
    assert one.share["share_pct"] is None
    assert of(96.0, [elsewhere, MEASURED]).verdict == "within"


@pytest.mark.parametrize(
    "changed",
    [
        {"side": None},
        {"side": "both"},
        {"cuff": None, "cuff_width_cm": None},
        {"cuff": None},
        {"session_id": None},
    ],
)
def test_what_was_not_noted_of_a_measurement_does_not_make_it_another(changed):
    one = of(96.0, [replace(MEASURED, placement=replace(PLACEMENT, **changed))])
    assert one.verdict == "within"
    assert ("of which the day is not noted" in one.reason) == ("session_id" in changed)


@pytest.mark.parametrize(
    ("untold", "reason"),
    [
        ({"limb": None}, "the sets name no limb"),
        ({"side": None}, "measured on the right leg, the side of the exercise was not noted"),
        ({"posture": None}, "measured seated, the posture of the exercise was not noted"),
    ],
)
def test_a_set_that_does_not_tell_its_place_has_an_unknown_verdict(untold, reason):
    one = of(96.0, placement=replace(PLACEMENT, **untold))
    assert one.verdict == "unknown"
    assert one.reason.endswith(reason)


def test_a_measurement_of_the_day_stands_before_one_of_no_day():
    of_no_day = replace(
        MEASURED, placement=replace(PLACEMENT, session_id=None), occlusion_mmhg=140.0
    )
    assert of(96.0, [of_no_day, MEASURED]).share["share_pct"] == 60.0


def test_a_measurement_of_the_same_day_says_why_before_one_of_another_day():
    supine = replace(MEASURED, placement=replace(PLACEMENT, posture="supine"))
    of_ses_1 = replace(MEASURED, placement=replace(PLACEMENT, session_id="ses-1"))
    for measured in ([supine, of_ses_1], [of_ses_1, supine]):
        assert of(96.0, measured).verdict == "other posture"


def test_a_person_without_any_occlusion_pressure_has_an_unknown_verdict():
    one = of(96.0, [])
    assert one.verdict == "unknown"
    assert one.reason == "no occlusion pressure of the leg was measured"


@pytest.mark.parametrize(
    "changed",
    [
        {"session_id": "ses-1"},
        {"posture": "supine"},
        {"side": "left"},
        {"cuff": "narrow"},
        {"session_id": "ses-1", "posture": "standing", "side": "left"},
    ],
)
def test_a_pressure_that_reaches_any_known_occlusion_pressure_of_the_limb_is_a_finding(changed):
    elsewhere = replace(MEASURED, placement=replace(PLACEMENT, **changed), occlusion_mmhg=155.0)
    higher = replace(MEASURED, occlusion_mmhg=260.0)
    for measured in ([elsewhere], [elsewhere, higher]):
        one = of(200.0, measured)
        assert one.verdict == "at or above occlusion"
        assert "at or above occlusion pressure: 200 of 155 mmHg (doppler" in one.findings[0]
    assert of(154.0, [elsewhere, higher]).verdict == "within"


def test_an_occlusion_pressure_of_the_arm_says_nothing_of_the_leg():
    of_arm = Measured(replace(PLACEMENT, limb="arm"), 120.0, "doppler")
    assert of(125.0, [of_arm, MEASURED]).verdict == "within"
    assert of(125.0, [of_arm]).verdict == "other limb"


def test_a_set_without_a_limb_reaches_the_lowest_occlusion_pressure_of_any():
    of_arm = Measured(replace(PLACEMENT, limb="arm"), 120.0, "doppler")
    nowhere = replace(PLACEMENT, limb=None, side=None)
    assert of(125.0, [of_arm, MEASURED], placement=nowhere).verdict == "at or above occlusion"
    assert of(90.0, [of_arm, MEASURED], placement=nowhere).verdict == "unknown"


def test_a_high_pressure_for_a_measurement_of_another_day_is_a_finding_beside_the_verdict():
    elsewhere = replace(MEASURED, placement=replace(PLACEMENT, session_id="ses-1"))
    one = of(150.0, [elsewhere])
    assert one.verdict == "other day"
    assert one.findings == (
        "share above 80 % of another occlusion pressure: 150 of 160 mmHg (doppler, right leg, "
        "seated, ses-1)",
    )
    assert of(100.0, [elsewhere]).findings == ()


def test_an_estimate_is_no_measurement_and_may_reach_occlusion_within_its_error():
    estimated = replace(MEASURED, method="estimated")
    assert of(96.0, [estimated]).verdict == "estimated"
    assert of(96.0, [estimated]).findings == ()
    # 18.35 mmHg below 160 is 141.65: Wedig et al. 2024
    one = of(142.0, [estimated])
    assert one.verdict == "above limit"
    assert any(f.startswith("may be at or above occlusion, 80 to 100 %") for f in one.findings)
    assert of(96.0, [estimated, MEASURED]).verdict == "within"


def test_an_estimate_below_a_measurement_of_the_same_place_is_left_aside():
    low_estimate = replace(MEASURED, method="estimated", occlusion_mmhg=90.0)
    assert of(96.0, [low_estimate, MEASURED]).verdict == "within"
    assert of(96.0, [low_estimate]).verdict == "at or above occlusion"


def test_both_sides_take_the_graver_verdict_and_need_a_measurement_each():
    both = replace(PLACEMENT, side="both")
    left = replace(MEASURED, placement=replace(PLACEMENT, side="left"), occlusion_mmhg=110.0)
    assert of(80.0, [MEASURED], placement=both).verdict == "other limb"
    one = of(90.0, [MEASURED, left], placement=both)
    assert one.verdict == "above limit"
    assert one.share["occlusion_pressure_mmhg"] == 110.0
    assert of(80.0, [MEASURED, left], placement=both).verdict == "within"


def test_cuff_widths_that_differ_say_nothing_of_a_set_without_a_named_cuff():
    unnamed = replace(PLACEMENT, cuff=None, cuff_width_cm=None)
    wider = replace(MEASURED, placement=replace(PLACEMENT, cuff=None, cuff_width_cm=18.0))
    one = of(96.0, [MEASURED, wider], placement=unnamed)
    assert (one.verdict, one.reason) == ("unknown", "occlusion pressures of several cuff widths")


PASSED = [(PLACEMENT, 96.0)]


def test_a_passed_step_stands_for_an_occlusion_pressure_that_is_not_known():
    one = of(96.0, [], passed=PASSED)
    assert (one.verdict, one.counts) == ("by titration", True)
    elsewhere = replace(MEASURED, placement=replace(PLACEMENT, posture="supine"))
    assert of(96.0, [elsewhere], passed=PASSED).verdict == "by titration"
    assert of(96.0, passed=PASSED).verdict == "within"


@pytest.mark.parametrize(
    ("changed", "step_mmhg"),
    [
        ({}, 90.0),
        ({}, 100.0),
        ({"session_id": "ses-1"}, 96.0),
        ({"posture": "supine"}, 96.0),
        ({"limb": "arm"}, 96.0),
        ({"side": "left"}, 96.0),
        ({"cuff": "narrow"}, 96.0),
    ],
)
def test_a_step_of_another_pressure_day_posture_limb_or_cuff_does_not_count(changed, step_mmhg):
    assert of(96.0, [], passed=[(replace(PLACEMENT, **changed), step_mmhg)]).verdict == "unknown"


def test_a_passed_step_does_not_overrule_a_measured_limit():
    passed = [(PLACEMENT, 150.0), (PLACEMENT, 200.0)]
    assert of(150.0, passed=passed).verdict == "above limit"
    assert of(200.0, passed=passed).verdict == "at or above occlusion"


def test_an_override_counts_and_keeps_the_finding():
    overridden = replace(MEASURED, override=True)
    one = of(150.0, [overridden])
    assert (one.verdict, one.counts) == ("overridden", True)
    assert one.findings == ("share above 80 %",)
    assert one.reason.startswith("overridden in occlusion.tsv; above limit: 94 %")
    assert of(96.0, [overridden]).verdict == "within"


@pytest.mark.parametrize(
    ("changed", "verdict"),
    [
        ({"posture": "supine"}, "overridden"),
        ({"session_id": None}, "overridden"),
        ({"session_id": "ses-1"}, "other day"),
        ({"limb": "arm"}, "other limb"),
        ({"side": "left"}, "other limb"),
    ],
)
def test_an_override_holds_for_its_own_limb_and_visit(changed, verdict):
    elsewhere = Measured(replace(PLACEMENT, **changed), 110.0, "doppler", override=True)
    assert of(100.0, [elsewhere]).verdict == verdict


STEP = dict.fromkeys(TABLES["titration"].model_fields) | {
    "participant_id": "sub-01",
    "session_id": "ses-2",
    "limb": "leg",
    "side": "right",
    "posture": "seated",
    "pressure_mmhg": 96.0,
    "capillary_refill_s": 2.5,
    "distal_flow": True,
    "accepted": True,
}


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({}, ""),
        ({"accepted": False}, "not accepted"),
        ({"accepted": None}, "not accepted"),
        ({"distal_flow": None}, "flow was not noted"),
        ({"distal_flow": False}, "no distal flow"),
        ({"capillary_refill_s": None}, "refill was not noted"),
        ({"capillary_refill_s": 3.0}, ""),
        ({"capillary_refill_s": 3.1}, "refill 3.1 s"),
        ({"skin_colour": "blue"}, "skin blue"),
        ({"skin_colour": "flushed"}, ""),
        ({"numbness": "marked"}, "marked numbness"),
        ({"numbness": "mild"}, ""),
        ({"pain": 8.0}, "pain 8 of 10"),
        ({"pain": 3.0}, ""),
    ],
)
def test_a_step_is_passed_with_flow_a_quick_refill_and_no_stop_sign(changed, reason):
    sets = pd.DataFrame([STEP | {"cuff": None, "cuff_pressure_mmhg": 96.0}])
    (row,) = titration_table(steps_of(STEP | changed), sets, {}).to_dict("records")
    assert (row["passed"], row["reason"]) == (not reason, reason)
    assert row["sets_at_pressure"] == 1


def steps_of(*titration, measured=()):
    """Judged steps of the participant."""
    settings = settings_with().check_safety
    return steps_by_participant(pd.DataFrame(titration), {"sub-01": list(measured)}, settings, {})


def test_a_stop_sign_in_one_row_of_a_pressure_holds_for_its_other_rows():
    of_first, of_second, elsewhere = steps_of(
        STEP, STEP | {"distal_flow": False}, STEP | {"pressure_mmhg": 80.0}
    )["sub-01"]
    assert of_first.reasons == ("no distal flow in another row",)
    assert of_second.reasons == ("no distal flow",)
    assert elsewhere.passed


def test_a_step_at_an_occlusion_pressure_of_the_limb_is_not_passed():
    (step,) = steps_of(STEP, measured=[replace(MEASURED, occlusion_mmhg=96.0)])["sub-01"]
    assert not step.passed
    assert step.reasons[0].startswith("at or above occlusion pressure: 96 of 96 mmHg")
    (step,) = steps_of(STEP, measured=[MEASURED])["sub-01"]
    assert step.passed


def test_a_pressure_that_was_titrated_and_not_passed_is_a_finding():
    tried = [STEP | {"pressure_mmhg": mmhg, "accepted": mmhg < 100} for mmhg in (80.0, 96.0, 110.0)]
    steps = steps_of(*tried)["sub-01"]
    assert list(against_titration(96.0, PLACEMENT, steps)) == []
    assert list(against_titration(110.0, PLACEMENT, steps)) == [
        "110 mmHg is no passed step of the titration: the highest passed is 96 mmHg"
    ]
    assert list(against_titration(110.0, PLACEMENT, steps[2:])) == [
        "110 mmHg is no passed step of the titration: none was passed"
    ]
    assert list(against_titration(110.0, replace(PLACEMENT, session_id="ses-3"), steps)) == []
