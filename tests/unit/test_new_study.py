"""Before the first recording: orders, sheets to print and to fill in, and taking them back in."""

import re
import shutil
import zipfile
from collections import Counter
from datetime import datetime
from itertools import pairwise

import pytest

from project import PROJECT
from results.typesetting import TEMPLATES, set_pdfs
from study.check import main as check
from study.loading import load_study
from study.new import main as new
from study.new import parser, plan_of
from study.orders import drawn_orders, open_order, opened_orders, read_record, unsealed, williams
from study.orders import main as open_order_command
from study.problems import StudyError
from study.rows import rows_of
from study.session_forms import (
    CUFF_TIMES,
    EVENTS,
    OCCLUSION,
    STATE,
    TITRATION,
    sheets_of,
    target_pressures,
)
from study.table_changes import TableChanges, changed_workbook
from study.table_forms import cells_of_sheets, write_workbook
from study.tables import TABLES
from study.take_in import take_in


def pages_in(pdf):
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6])
def test_each_condition_follows_each_other_equally_often(n):
    orders = williams(n)
    follows = Counter(pair for order in orders for pair in pairwise(order))
    assert len(follows) == n * (n - 1)
    assert len(set(follows.values())) == 1
    for position in range(n):
        assert len(set(Counter(order[position] for order in orders).values())) == 1


def test_orders_are_drawn_again_from_the_seed_and_stay_balanced_at_any_size():
    people = [f"sub-{n:02d}" for n in range(1, 15)]
    orders = drawn_orders(people, 3, "balanced", 11)
    assert orders == drawn_orders(people, 3, "balanced", 11)
    assert orders != drawn_orders(people, 3, "balanced", 12)
    numbers = Counter(orders.values())
    assert max(numbers.values()) - min(numbers.values()) <= 1
    assert len(set(drawn_orders(people, 3, "random", 11).values())) > 1


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("written") / "Prüfung 1"
    options = ["--people", "2", "--shares", "low=20,target=60", "--seed", "7", "--bouts", "2"]
    new([str(folder), *options])
    return folder


@pytest.fixture
def study(written, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return shutil.copytree(written, tmp_path / written.name)


def test_a_new_study_is_a_plan_without_a_fault(study, capsys):
    check([str(study)])
    assert "planned are 2 people and 6 visits, and the tables are in order" in (
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


def test_a_title_that_settings_refuse_is_told_in_words(tmp_path):
    with pytest.raises(SystemExit, match="study.title: found .*without curly braces"):
        new([str(tmp_path / "s"), "--title", "for {x}"])


def test_a_heart_recorder_alone_is_enough(tmp_path):
    new(
        [
            str(tmp_path / "s"),
            "--people",
            "1",
            "--saturation",
            "no",
            "--conditions",
            "rest,cuff",
            "--no-cuff",
            "",
        ]
    )
    settings = load_study({"study": str(tmp_path / "s")}).settings
    assert [outcome for outcome, _ in settings.study.primary] == ["mean_hr_bpm"]
    assert settings.protocol.no_cuff_condition is None


def test_an_order_is_out_of_sight_until_it_is_opened_and_the_time_is_kept(study, capsys):
    order = unsealed(read_record(study)[1])
    assert order not in (study / "allocation.tsv").read_text()
    page = page_of(study, "sub-02_ses-1")
    assert "sealed until the order is opened" in page["condition"]
    assert {row[page["columns"].index(["condition", 16])] for row in page["rows"]} == {""}
    assert opened_orders(study) == {}
    open_order_command([str(study), "sub-02"])
    named = {"A": "none", "B": "low", "C": "target"}
    page = page_of(study, "sub-02_ses-1")
    assert (page["conditions"], page["condition"]) == ([named[order[0]]], "")
    assert [row.sequence for row in rows_of(study, "sessions", "sub-02")] == [order] * 3
    assert {row.sequence for row in rows_of(study, "sessions", "sub-01")} == {None}
    first = open_order(study, "sub-02", datetime(2031, 5, 24))[1]
    assert "2031" not in first


def test_a_workbook_that_somebody_saved_is_never_written_over(study, capsys):
    blank, saved = study / "sheets" / "sub-02_ses-1.xlsx", study / "sheets" / "sub-02_ses-2.xlsx"
    with zipfile.ZipFile(saved) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    # a program that saves writes its own styles
    parts["xl/styles.xml"] = parts["xl/styles.xml"].replace(b"<b/>", b"<b val='1'/>")
    with zipfile.ZipFile(saved, "w") as packed:
        for name, text in parts.items():
            packed.writestr(name, text)
    before = {path: path.read_bytes() for path in (blank, saved)}
    open_order_command([str(study), "sub-02"])
    told = capsys.readouterr().out
    assert saved.read_bytes() == before[saved]
    assert f"Kept, as it may be filled in: {saved}; to have it anew, move it away" in told
    assert blank.read_bytes() != before[blank]
    assert f"Written: {blank}\n" in told


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
    page = page_of(study, "sub-01_ses-1")
    assert page["above"] == ["target at 60 %"]
    assert page["shares"] == ["low, 20 %"]
    assert page["looked_up"][1][:2] == ["20", "22"]
    assert page["limits"]["stop_systolic_mmhg"] is None
    for name in ("sub-01_ses-1", "titration"):
        assert "Inflatable cuffs can injure" in page_of(study, name)["cautions"][0]


def test_a_visit_is_one_page_and_more_only_where_its_rows_need_it(study):
    n_pages = {path.stem: pages_in(path) for path in study.glob("sheets/*.pdf")}
    assert len(n_pages) == 8
    assert set(n_pages.values()) == {1}
    visit = study / "sheets" / "sub-01_ses-1.pdf"
    for bouts, expected in ((16, 1), (20, 2)):
        plan = f'bouts: {bouts}\nexercises: {{"Übung #panic(1) *x* $y$": {{limb: leg}}}}\n'
        (study / "visits.yaml").write_text(plan)
        set_pdfs(TEMPLATES / "sheets.typ", {visit: page_of(study, visit.stem)})
        assert pages_in(visit) == expected


def test_what_a_person_may_note_on_a_page_has_its_column_in_the_workbook_and_in_the_tables():
    for columns, table in ((EVENTS, "events"), (OCCLUSION, "occlusion"), (TITRATION, "titration")):
        assert set(columns) - set(TABLES[table].model_fields) <= {"end_time", *CUFF_TIMES}
    assert set(STATE) <= set(TABLES["sessions"].model_fields)


def page_of(study, name):
    """What the page of that name says, as its template is given it."""
    pages, _ = sheets_of(study, {"sub-01", "sub-02"})
    return pages[study / "sheets" / f"{name}.pdf"]


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
    fill("events", 2, onset_time="09:31:00", end_time="09:36:00")
    done = {"onset_time": "09:40:00", "end_time": "09:40:45", "condition": "low", "reps_done": 15}
    fill("events", 3, **done | {"exercise": "squat", "cuff_pressure_mmhg": 35, "rpe": 4} | changes)
    measured = {"limb": "leg", "side": "left", "posture": "seated", "cuff_width_cm": 11}
    fill("occlusion", 1, **measured, occlusion_pressure_mmhg=173, method="doppler")
    write_workbook(path, sheets)
    return path


def test_a_filled_workbook_is_taken_into_the_tables_once(study):
    path = filled(study)
    assert list(take_in(study, path)) == [
        "events.tsv: 2 rows of sub-01 ses-1",
        "occlusion.tsv: 1 row of sub-01 ses-1",
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


def test_a_blank_workbook_is_told_and_not_taken_in(study):
    with pytest.raises(StudyError, match="sub-01_ses-1.xlsx: nothing is filled in"):
        take_in(study, study / "sheets" / "sub-01_ses-1.xlsx")


def test_times_of_a_cuff_and_clock_marks_become_rows_of_their_own(study):
    cuff = {"inflated_time": "09:39:30", "released_time": "09:41:00", "limb": "leg"}
    list(take_in(study, filled(study, **cuff)))
    sheet = rows_of(study, "events")
    assert [row.trial_type for row in sheet] == ["baseline", "set", "cuff"]
    assert (sheet[2].onset_s, sheet[2].duration_s) == (570.0, 90.0)
    assert (sheet[2].limb, sheet[2].cuff_pressure_mmhg, sheet[2].condition) == ("leg", 35.0, None)


def test_a_cuff_with_one_time_only_is_asked_for_the_other(study):
    with pytest.raises(StudyError, match="row 4: released_time is empty; a cuff needs both"):
        list(take_in(study, filled(study, inflated_time="09:39:30")))


def test_decimal_commas_and_local_dates_of_a_workbook_are_taken_in_as_meant(study):
    path = filled(study, rpe="4,5", load_kg="27,5")
    sheets = cells_of_sheets(path, ("visit", "events", "occlusion", "titration"))
    sheets["visit"][1][sheets["visit"][0].index("session_start")] = "24.05.2031 09:30"
    write_workbook(path, sheets)
    list(take_in(study, path))
    squat = rows_of(study, "events")[1]
    assert (squat.onset_s, squat.rpe, squat.load_kg) == (600.0, 4.5, 27.5)
    assert rows_of(study, "sessions", "sub-01")[0].session_start == "2031-05-24T09:30"


def test_a_workbook_with_a_fault_changes_no_table(study):
    before = {path.name: path.read_bytes() for path in study.glob("*.tsv")}
    with pytest.raises(StudyError, match="sheet events, row 4, column rpe: found '40'"):
        list(take_in(study, filled(study, rpe=40)))
    assert {path.name: path.read_bytes() for path in study.glob("*.tsv")} == before


def in_one_workbook(study):
    """The tables of a study as sheets of study.xlsx, as a spreadsheet program would keep them."""
    paths = [path for path in sorted(study.glob("*.tsv")) if path.stem in TABLES]
    sheets = {p.stem: [r.split("\t") for r in p.read_text().splitlines()] for p in paths}
    write_workbook(study / "study.xlsx", {"Notizen": [["Formel", "=A1"]]} | sheets)
    for path in paths:
        path.unlink()


def test_a_study_kept_in_one_workbook_gets_its_rows_into_its_sheets(study):
    sheet = filled(study)
    in_one_workbook(study)
    assert list(take_in(study, sheet)) == [
        "study.xlsx, sheet events: 2 rows of sub-01 ses-1",
        "study.xlsx, sheet occlusion: 1 row of sub-01 ses-1",
        "study.xlsx, sheet sessions: state of sub-01 ses-1",
    ]
    assert {path.name for path in study.glob("*.tsv")} == {"allocation.tsv"}
    assert [row.onset_s for row in rows_of(study, "events")] == [60.0, 600.0]
    visits = rows_of(study, "sessions")
    assert [row.session_start for row in visits] == ["09:30:00", *[None] * 5]
    assert [row.sleep_h for row in visits][:2] == [7.5, None]
    with pytest.raises(StudyError, match="study.xlsx, sheet events holds rows of sub-01 ses-1"):
        list(take_in(study, sheet))


def test_an_order_is_written_into_the_workbook_of_the_study(study, capsys):
    in_one_workbook(study)
    open_order_command([str(study), "sub-02"])
    order = unsealed(read_record(study)[1])
    assert [row.sequence for row in rows_of(study, "sessions", "sub-02")] == [order] * 3


def test_only_the_cells_concerned_change_in_a_workbook_that_a_spreadsheet_wrote(study, tmp_path):
    known = PROJECT / "tests" / "known" / "spreadsheets" / "study.xlsx"
    sheet = "events"
    before = cells_of_sheets(known, [sheet])[sheet]
    beyond = len(before[0]) + 27
    cells = {(len(before), beyond): "x & <y>", (1, 0): "sub-99", (len(before) + 1, 2): "7.5"}
    changed = tmp_path / "study.xlsx"
    changed.write_bytes(changed_workbook(known.read_bytes(), sheet, cells))
    after = cells_of_sheets(changed, [sheet])[sheet]
    assert (after[len(before)][beyond], after[len(before) + 1][2]) == ("x & <y>", "7.5")
    assert after[1][0] == "sub-99"
    assert [row[1 : len(before[0])] for row in after[: len(before)]] == [r[1:] for r in before]
    with zipfile.ZipFile(known) as old, zipfile.ZipFile(changed) as new:
        parts = [n for n in old.namelist() if old.read(n) != new.read(n)]
        assert new.namelist() == old.namelist()
    assert len(parts) == 1


def test_a_table_of_another_country_stays_one(study):
    names = "names: {columns: {Person: participant_id}, participants: {MK04: sub-01, ÄB: sub-02}}\n"
    with (study / "study.yaml").open("a", encoding="utf-8") as settings:
        settings.write(names)
    sheet = filled(study, rpe=4.5, note="drückt; sehr")
    for name in ("events", "sessions", "participants"):
        text = (study / f"{name}.tsv").read_text().replace("participant_id", "Person", 1)
        text = text.replace("sub-01", "MK04").replace("sub-02", "ÄB").replace("\t", ";")
        (study / f"{name}.csv").write_bytes(text.replace("\n", "\r\n").encode("cp1252"))
        (study / f"{name}.tsv").unlink()
    assert list(take_in(study, sheet))[0] == "events.csv: 2 rows of sub-01 ses-1"
    # a spreadsheet tells signs beyond ASCII by the mark
    text = (study / "events.csv").read_bytes().decode("utf-8-sig")
    assert text.startswith("Person;session_id;") and text.count("\r\n") == 3
    assert text.count("MK04") == 2 and ";4,5;" in text and '"drückt; sehr"' in text
    assert [row.rpe for row in rows_of(study, "events", "sub-01")] == [None, 4.5]
    sessions = (study / "sessions.csv").read_bytes().decode("cp1252")
    assert ";7,5;" in sessions and "\r\nÄB;" in sessions


def test_what_cannot_be_written_to_is_told_and_nothing_is_changed(study):
    sheet = filled(study)
    in_one_workbook(study)
    (study / ".~lock.study.xlsx#").write_text("")
    before = (study / "study.xlsx").read_bytes()
    with pytest.raises(StudyError, match="study.xlsx: is open in a spreadsheet"):
        take_in(study, sheet)
    assert (study / "study.xlsx").read_bytes() == before
    (study / "study.xlsx").unlink()
    shutil.copy(PROJECT / "tests" / "known" / "spreadsheets" / "study.ods", study)
    with pytest.raises(StudyError, match="save it as study.xlsx in its place"):
        TableChanges(study).change_rows("sessions", {}, {})
