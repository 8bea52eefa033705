"""What a person reads when a cuff, a pressure, a titration or a harm is noted wrongly."""

import pytest

from project import message_of
from study.loading import Study


def with_column(study, table, column, value, *, row=2):
    """A table with one more column, which holds a value in one row as a spreadsheet numbers it."""
    path = study / f"{table}.tsv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [
        f"{line}\t{column if n == 1 else value if n == row else 'n/a'}"
        for n, line in enumerate(lines, start=1)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def with_settings(study, text):
    path = study / "study.yaml"
    path.write_text(path.read_text(encoding="utf-8") + text, encoding="utf-8")


def first_set(study):
    lines = (study / "events.tsv").read_text(encoding="utf-8").splitlines()
    return next(n for n, line in enumerate(lines, start=1) if "\tset\t" in line)


def titration(study, **values):
    step = {
        "participant_id": "sub-01",
        "session_id": "ses-1",
        "limb": "leg",
        "posture": "seated",
        "pressure_mmhg": "90",
    } | values
    text = "\t".join(step) + "\n" + "\t".join(step.values()) + "\n"
    (study / "titration.tsv").write_text(text, encoding="utf-8")


def harm(study, **values):
    noted = {"participant_id": "sub-01", "what": "bruise", "grade": "mild"} | values
    text = "\t".join(noted) + "\n" + "\t".join(noted.values()) + "\n"
    (study / "harms.tsv").write_text(text, encoding="utf-8")


def test_an_override_needs_a_name_and_a_reason(study):
    with_column(study, "occlusion", "override", "yes")
    said = message_of(study)
    assert "occlusion.tsv, row 2, column override_by: found 'n/a'" in said
    with_column(study, "occlusion", "override_by", "A. B.")
    assert "occlusion.tsv, row 2, column override_reason: found 'n/a'" in message_of(study)
    with_column(study, "occlusion", "override_reason", "agreed with the ethics board")
    assert Study(study).tables["occlusion"][0].override


def test_a_colour_of_the_skin_is_one_of_the_list(study):
    with_column(study, "events", "skin_colour", "white", row=first_set(study))
    assert "column skin_colour: found 'white', allowed: normal, flushed, pale" in message_of(study)


def test_a_diastolic_pressure_lies_below_the_systolic_one(study):
    row = first_set(study)
    with_column(study, "events", "systolic_mmhg", "120", row=row)
    with_column(study, "events", "diastolic_mmhg", "80", row=row)
    Study(study)
    with_column(study, "sessions", "sleep_h", "7.5")
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("\t120\t80", "\t80\t120"), encoding="utf-8")
    said = message_of(study)
    assert f"events.tsv, row {row}, column diastolic_mmhg: found '120'" in said
    assert "below systolic_mmhg, 80" in said


def test_a_cuff_is_one_that_the_study_describes_and_as_wide(study):
    with_column(study, "occlusion", "cuff", "wide")
    (remark,) = [line for line in Study(study).notes().splitlines() if "cuffs" in line]
    assert "the tables name 'wide'" in remark
    with_settings(study, "cuffs:\n  wide_leg: {width_cm: 10.0}\n")
    assert "occlusion.tsv, row 2, column cuff: found 'wide', allowed: wide_leg" in message_of(study)
    path = study / "study.yaml"
    path.write_text(path.read_text().replace("wide_leg: {width_cm: 10.0}", "wide: {width_cm: 18}"))
    said = message_of(study)
    assert "occlusion.tsv, row 2, column cuff_width_cm: found 10 for cuff 'wide'" in said
    assert "18" in said


def test_a_misspelt_description_of_a_cuff_is_named_with_its_line(study):
    with_settings(study, "cuffs:\n  wide: {widht_cm: 18}\n")
    assert "cuffs.wide.widht_cm: is not a setting; did you mean 'width_cm'?" in message_of(study)


@pytest.mark.parametrize(
    "written",
    [
        "highest_share_pct: .inf",
        "highest_share_pct: 100.1",
        "highest_share_pct: .nan",
        "longest_restriction_min: .inf",
        "slow_refill_s: .inf",
        "severe_pain: 11.0",
        "stop_systolic_mmhg: .inf",
        "stop_diastolic_mmhg: 1000.0",
    ],
)
def test_a_setting_that_would_switch_a_safety_finding_off_is_refused(study, written):
    with_settings(study, f"check_safety:\n  {written}\n")
    name, value = written.split(": ")
    assert f"check_safety.{name}: found {value.removeprefix('.')}" in message_of(study)


def test_the_condition_without_cuff_is_none_in_which_pressures_are_noted(study):
    with_settings(study, "protocol:\n  no_cuff_condition: target\n")
    said = message_of(study)
    assert "protocol.no_cuff_condition: found 'target', but 2 sets of it have a cuff pressure" in (
        said
    )


def change_pressure(study, old, new, count=-1):
    path = study / "events.tsv"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace(f"\t{old}\t", f"\t{new}\t", count), encoding="utf-8")


def remarks_about_kpa(study):
    return [line for line in Study(study).notes().splitlines() if "kPa" in line]


def test_a_condition_noted_in_kilopascal_is_told_before_the_run_once(study):
    change_pressure(study, 90, 12)
    (remark,) = remarks_about_kpa(study)
    assert remark == (
        "Note: events.tsv, row 15 and 3 further rows, column cuff_pressure_mmhg: 12 mmHg in "
        "condition target is little; noted in kPa it would be 90 mmHg: correct it if so."
    )


def test_a_row_noted_in_kilopascal_is_told_before_the_run(study):
    (study / "occlusion.tsv").unlink()
    path = study / "events.tsv"
    text = path.read_text(encoding="utf-8").replace("\tarm\tright", "\tleg\tright")
    path.write_text(text, encoding="utf-8")
    change_pressure(study, 90, 12, count=1)
    (remark,) = remarks_about_kpa(study)
    assert "row 15, column" in remark
    assert "12 mmHg beside the other rows of its condition is little" in remark


def test_without_occlusion_pressures_a_whole_study_in_kilopascal_is_told(study):
    (study / "occlusion.tsv").unlink()
    assert remarks_about_kpa(study) == []
    change_pressure(study, 90, 12)
    change_pressure(study, 30, 4)
    assert len(remarks_about_kpa(study)) == 2


def test_pressures_in_mmhg_are_not_taken_for_kilopascal(study):
    assert remarks_about_kpa(study) == []


@pytest.mark.parametrize("column", ["sleep", "exercise", "room", "caffeine"])
def test_a_column_that_a_study_kept_for_itself_before_stays_its_own(study, column):
    with_column(study, "sessions", column, "as noted")
    assert f"column '{column}'" in Study(study).notes()


def test_cuffs_stand_in_one_section(study):
    with_settings(study, "cuffs:\n  a: {}\ncheck_safety:\n  cuffs:\n    b: {}\n")
    assert "cuffs: stands beside line 9, check_safety.cuffs; write all cuffs in one of them" in (
        message_of(study)
    )


def test_a_titration_belongs_to_a_visit_that_took_place(study):
    titration(study, session_id="ses-9")
    assert "titration.tsv, row 2, column session_id: found 'ses-9'" in message_of(study)
    titration(study, accepted="yes", distal_flow="yes", capillary_refill_s="2.0")
    assert Study(study).tables["titration"][0].accepted


@pytest.mark.parametrize(("written", "meant"), [("1", "mild"), ("severe", "severe")])
def test_the_grade_of_a_harm_is_a_word_or_a_number_from_1_to_5(study, written, meant):
    harm(study, grade=written)
    assert Study(study).tables["harms"][0].grade == meant


def test_a_harm_of_another_grade_person_or_event_is_refused(study):
    harm(study, grade="6")
    assert "harms.tsv, row 2, column grade: found '6'" in message_of(study)
    harm(study, participant_id="sub-07")
    assert "harms.tsv, row 2, column participant_id: found 'sub-07'" in message_of(study)
    harm(study, event_id="sub-01_ses-1_set-09")
    assert "harms.tsv, row 2, column event_id: found 'sub-01_ses-1_set-09'" in message_of(study)


@pytest.mark.parametrize("file", ["harms.tsv", "harms.csv"])
def test_a_table_of_harms_without_rows_is_kept_in_any_form(study, file):
    assert not Study(study).keeps("harms")
    mark = "," if file.endswith("csv") else "\t"
    (study / file).write_text(mark.join(("participant_id", "what", "grade")) + "\n")
    assert Study(study).keeps("harms")
