"""Cuff pressures for print: planned beside actual, by limb and by visit."""

import pandas as pd
import pytest

from report.pressures import (
    limb_in_words,
    planned_and_actual,
    pressures_by_limb,
    pressures_by_visit,
)
from results.columns import columns_of

CONDITIONS = ["none", "low", "target"]

LEG = {"limb": "leg", "side": "right", "posture": "seated"}


def row(scope, condition="target", **values):
    base = {"participant_id": "sub-01", "session_id": "ses-1", "scope": scope, **LEG}
    base |= {"condition": condition, "findings": "none", "symptoms": "none noted"}
    base |= {"occlusion_pressure_mmhg": 160.0, "missing_checks": "none", "stopped_early": 0}
    return base | values


def safety_of(*rows):
    return pd.DataFrame(rows).reindex(columns=columns_of("safety"))


def sheet_of(*pressures, condition="target"):
    return pd.DataFrame(
        {"trial_type": "set", "condition": condition, "cuff_pressure_mmhg": pressures}
        | {"event_id": [f"set-{n}" for n in range(len(pressures))]}
    )


def sets_of(safety, sheet, recorded):
    """Sets with the pressures recorded under them, None where none was."""
    labels = {"participant_id": "sub-01", "session_id": "ses-1", "exercise": "squat"}
    checks = pd.DataFrame(
        [
            labels | {"trial_type": "set", "bout": n, "actual_mmhg": pressure}
            for n, pressure in enumerate(recorded)
        ]
    )
    return planned_and_actual(safety, sheet, checks, "none")


def bouts(*verdicts, **values):
    return [
        row("set", verdict=verdict, event_id=f"set-{n}", exercise="squat", bout=n, **values)
        for n, verdict in enumerate(verdicts)
    ]


def test_planned_stands_beside_actual_pressure_with_the_sets_that_were_recorded():
    safety = safety_of(row("visit"), *bouts("within", "within", "above limit", share_pct=60.0))
    sets = sets_of(safety, sheet_of(96, 96, 130), [95.0, 99.0, None])
    (told,) = pressures_by_limb(sets, safety[safety["scope"] == "visit"], CONDITIONS).to_dict(
        "records"
    )
    assert (told["planned mmhg"], told["actual mmhg"]) == ("96 to 130", "95 to 99")
    assert (told["sets"], told["sets recorded"]) == (3, 2)
    assert told["difference mmhg"] == "+1.0 (-1.0 to +3.0)"
    assert told["verdicts"] == "1 above limit, 2 within"
    assert told["limb"] == "right leg, seated"


def test_without_a_recorded_pressure_the_cells_of_the_actual_one_are_empty():
    safety = safety_of(row("visit"), *bouts("within"))
    sets = planned_and_actual(safety, sheet_of(96), pd.DataFrame(), "none")
    (told,) = pressures_by_limb(sets, safety[:1], CONDITIONS).to_dict("records")
    assert (told["planned mmhg"], told["sets recorded"]) == ("96", 0)
    assert told["actual mmhg"] == told["difference mmhg"] == ""
    (of_visit,) = pressures_by_visit(safety[:1], sets).to_dict("records")
    assert (of_visit["planned mmhg"], of_visit["actual mmhg"]) == ("96", "")


def test_symptoms_stand_with_the_visit_at_the_limb_and_condition_that_they_were_seen_at():
    numb = {"symptoms": "squat 1: marked numbness", "limb": "arm", "stopped_early": 1}
    safety = safety_of(
        row("visit"),
        row("visit", **numb),
        *bouts("within"),
        row("set", verdict="within", event_id="set-1", limb="arm", bout=9),
    )
    sets = sets_of(safety, sheet_of(96, 80), [96.0])
    leg, arm = pressures_by_limb(sets, safety[safety["scope"] == "visit"], CONDITIONS).to_dict(
        "records"
    )
    assert (leg["findings and symptoms"], leg["stopped early"]) == ("none noted", 0)
    assert arm["findings and symptoms"] == "marked numbness (sub-01 ses-1)"
    assert arm["stopped early"] == 1


def test_conditions_stand_in_their_order_and_one_without_a_cuff_has_no_verdict():
    safety = safety_of(
        row("visit"),
        row("visit", "none"),
        *bouts("within"),
        row("set", "none", event_id="set-1", bout=9),
    )
    sheet = pd.concat([sheet_of(96), sheet_of(None, condition="none").assign(event_id="set-1")])
    table = pressures_by_limb(
        sets_of(safety, sheet, [96.0]), safety[safety["scope"] == "visit"], CONDITIONS
    )
    assert table["condition"].to_list() == ["none", "target"]
    assert (table["planned mmhg"][0], table["verdicts"][0]) == ("0", "")
    # checks of the circulation belong to sets under a cuff
    assert table["checks not noted"].to_list() == ["", "none"]


def test_checks_that_were_not_noted_are_named_without_their_unit():
    safety = safety_of(row("visit"), *bouts("within", missing_checks="capillary_refill_s"))
    (told,) = pressures_by_limb(
        sets_of(safety, sheet_of(96), [96.0]), safety[:1], CONDITIONS
    ).to_dict("records")
    assert told["checks not noted"] == "capillary refill in 1"


@pytest.mark.parametrize(
    ("method", "said"),
    [
        ("doppler", "Doppler ultrasound"),
        ("doppler; palpation", "Doppler ultrasound; palpation"),
        ("estimated", "estimated, not measured"),
        (None, ""),
    ],
)
def test_tables_of_pressures_say_how_each_occlusion_pressure_was_found(method, said):
    checks = {"missing_checks": "distal_flow in 1 sets"}
    safety = safety_of(row("visit", occlusion_method=method, **checks), *bouts("within"))
    sets = sets_of(safety, sheet_of(96), [96.0])
    (of_visit,) = pressures_by_visit(safety[:1], sets).to_dict("records")
    (of_limb,) = pressures_by_limb(sets, safety[:1], CONDITIONS).to_dict("records")
    assert of_visit["occlusion method"] == of_limb["occlusion method"] == said
    assert of_visit["missing checks"] == "distal flow in 1 sets"


def test_a_limb_is_named_by_what_was_noted_of_it():
    assert limb_in_words("leg", "right", "supine") == "right leg, supine"
    assert limb_in_words("leg", None, None) == "leg"
    assert limb_in_words(None, None, None) == ""
