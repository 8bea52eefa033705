"""Before the first recording: orders, sheets to print and to fill in, and taking them back in."""

import re
from collections import Counter
from datetime import datetime
from itertools import pairwise

import pytest

from study.check import main as check
from study.loading import load_study
from study.new import main as new
from study.new import parser, plan_of
from study.orders import (
    drawn_orders,
    open_order,
    opened_orders,
    read_record,
    unsealed,
    williams,
)
from study.orders import main as open_order_command
from study.problems import StudyError
from study.rows import rows_of
from study.session_forms import main as forms
from study.session_forms import take_in, target_pressures
from study.table_forms import cells_of_sheets, write_workbook


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6])
def test_each_condition_follows_each_other_equally_often(n):
    orders = williams(n)
    follows = Counter(pair for order in orders for pair in pairwise(order))
    assert len(follows) == n * (n - 1)
    assert len(set(follows.values())) == 1
    for place in range(n):
        assert len(set(Counter(order[place] for order in orders).values())) == 1


def test_orders_are_drawn_again_from_the_seed_and_stay_balanced_at_any_size():
    people = [f"sub-{n:02d}" for n in range(1, 15)]
    orders = drawn_orders(people, 3, "balanced", 11)
    assert orders == drawn_orders(people, 3, "balanced", 11)
    assert orders != drawn_orders(people, 3, "balanced", 12)
    numbers = Counter(orders.values())
    assert max(numbers.values()) - min(numbers.values()) <= 1
    assert len(set(drawn_orders(people, 3, "random", 11).values())) > 1


@pytest.fixture
def study(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    folder = tmp_path / "Prüfung 1"
    options = ["--people", "4", "--shares", "low=20,target=60", "--seed", "7", "--bouts", "2"]
    new([str(folder), *options])
    return folder


def test_a_new_study_is_a_plan_without_a_fault(study, capsys):
    check([str(study)])
    assert "4 people and 12 visits are planned, and the tables are in order" in (
        capsys.readouterr().out
    )
    assert load_study({"study": str(study)}).settings.study.conditions == ["none", "low", "target"]
    assert "| onset_time |" in (study / "README.md").read_text()


def test_nothing_that_exists_is_written_over(study):
    with pytest.raises(SystemExit, match="holds files already"):
        new([str(study)])


@pytest.mark.parametrize(
    ("option", "value", "says"),
    [
        ("--conditions", "low,low", "different names"),
        ("--visits", "2", "allowed: 1, or one for each"),
        ("--shares", "target=120", "80 percent"),
        ("--shares", "high=50", "allowed: as target=60"),
        ("--exercises", "squat:foot", "allowed: as squat:leg"),
        ("--people", "none", "a whole number"),
        ("--heart", "pulse", "allowed: ecg, rr, none"),
    ],
)
def test_an_answer_that_cannot_be_says_what_is_allowed(option, value, says):
    with pytest.raises(ValueError, match=says):
        plan_of(parser().parse_args(["folder", option, value]))


def test_a_heart_recorder_alone_is_enough(tmp_path):
    new([str(tmp_path / "s"), "--saturation", "no", "--conditions", "rest,cuff", "--no-cuff", ""])
    settings = load_study({"study": str(tmp_path / "s")}).settings
    assert [outcome for outcome, _ in settings.study.primary] == ["mean_hr_bpm"]
    assert settings.protocol.no_cuff_condition is None


def test_an_order_is_out_of_sight_until_it_is_opened_and_the_time_is_kept(study, capsys):
    order = unsealed(read_record(study)[1])
    assert order not in (study / "allocation.tsv").read_text()
    page = (study / "sheets" / "sub-02_ses-1.html").read_text()
    assert "sealed until the order is opened" in page
    assert opened_orders(study) == {}
    open_order_command([str(study), "sub-02"])
    named = {"A": "none", "B": "low", "C": "target"}
    page = (study / "sheets" / "sub-02_ses-1.html").read_text()
    assert f"Condition: <b>{named[order[0]]}</b>" in page
    assert [row.sequence for row in rows_of(study, "sessions", "sub-02")] == [order] * 3
    assert {row.sequence for row in rows_of(study, "sessions", "sub-01")} == {None}
    first = open_order(study, "sub-02", datetime(2031, 5, 24))[1]
    assert "2031" not in first


def test_an_order_that_was_changed_is_not_opened(study):
    path = study / "allocation.tsv"
    lines = path.read_text().splitlines()
    lines[1] = re.sub(r"\t[0-9a-f]{64}\t", "\t" + "0" * 64 + "\t", lines[1])
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(SystemExit, match="sealed order of sub-01 was changed"):
        open_order_command([str(study), "sub-01"])
    with pytest.raises(SystemExit, match="holds no order of sub-09"):
        open_order_command([str(study), "sub-09"])


def test_a_target_is_its_share_of_the_pressure_of_the_day():
    # 20 and 60 % of 173 mmHg by hand: 34.6 and 103.8
    assert target_pressures(173, {"low": 20, "target": 60}) == {"low": 35, "target": 104}


def test_a_sheet_shows_no_share_above_the_limit_of_the_study_and_carries_the_cautions(study):
    with (study / "study.yaml").open("a") as settings:
        settings.write("check_safety: {highest_share_pct: 50}\n")
    forms([str(study)])
    page = (study / "sheets" / "sub-01_ses-1.html").read_text()
    assert "target at 60 % is above the limit of the study and not shown" in page
    assert "Inflatable cuffs can injure" in page
    assert "the study states no limit: local rules" in page
    assert "Inflatable cuffs can injure" in (study / "sheets" / "titration.html").read_text()


def filled(study, **changes):
    """The workbook of a visit as a person fills it in: start, rest, one set, one occlusion."""
    path = study / "sheets" / "sub-01_ses-1.xlsx"
    sheets = cells_of_sheets(path, ("visit", "events", "occlusion", "titration"))

    def fill(sheet, row, **values):
        for column, value in values.items():
            cells = sheets[sheet]
            cells[row] += [""] * (len(cells[0]) - len(cells[row]))
            cells[row][cells[0].index(column)] = value

    fill("visit", 1, session_start="09:30:00", sleep_h=7.5)
    fill("events", 1, onset_time="09:31:00", end_time="09:36:00")
    done = {"onset_time": "09:40:00", "end_time": "09:40:45", "condition": "low", "reps_done": 15}
    fill("events", 2, **done | {"exercise": "squat", "cuff_pressure_mmhg": 35, "rpe": 4} | changes)
    measured = {"limb": "leg", "side": "left", "posture": "seated", "cuff_width_cm": 11}
    fill("occlusion", 1, **measured, occlusion_pressure_mmhg=173, method="doppler")
    write_workbook(path, sheets)
    return path


def test_a_filled_workbook_is_taken_into_the_tables_once(study):
    path = filled(study)
    assert list(take_in(study, path)) == [
        "events.tsv: 2 rows of sub-01 ses-1",
        "occlusion.tsv: 1 rows of sub-01 ses-1",
        "sessions.tsv: state of sub-01 ses-1",
    ]
    rest, squat = rows_of(study, "events")
    assert (rest.onset_s, rest.duration_s) == (60.0, 300.0)
    assert (squat.onset_s, squat.duration_s, squat.reps_done) == (600.0, 45.0, 15)
    (occlusion,) = rows_of(study, "occlusion")
    assert occlusion.occlusion_pressure_mmhg == 173
    visit = rows_of(study, "sessions", "sub-01")[0]
    assert (visit.session_start, visit.sleep_h) == ("09:30:00", 7.5)
    with pytest.raises(StudyError, match="holds rows of sub-01 ses-1 already"):
        list(take_in(study, path))


def test_a_workbook_with_a_fault_changes_no_table(study):
    before = {path.name: path.read_bytes() for path in study.glob("*.tsv")}
    with pytest.raises(StudyError, match="column rpe: found '40'"):
        list(take_in(study, filled(study, rpe=40)))
    assert {path.name: path.read_bytes() for path in study.glob("*.tsv")} == before
