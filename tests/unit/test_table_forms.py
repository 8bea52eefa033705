"""Tables as people have them: workbooks, semicolons, decimal commas, own words, local dates."""

import csv
import datetime
import io
import zipfile
from xml.etree import ElementTree

import pytest

from project import write_tiny_study
from study.files import table_files
from study.loading import Study
from study.own_names import OwnNames, faults_of_section, with_own_names
from study.problems import StudyError
from study.table_forms import as_text, write_workbook
from study.tables import TABLES


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "Größe 1", participants=("sub-01", "sub-02"))


def cells_of(path):
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8")), "excel-tab"))


def with_numbers(rows):
    """Cells as a spreadsheet holds them: what looks like a number is one."""

    def cell(text):
        if text == "n/a":
            return ""
        try:
            return float(text)
        except ValueError:
            return text

    return [[cell(text) for text in row] for row in rows]


def rows_as_read(study):
    return {
        name: [row.model_dump() for row in Study(study).tables[name]]
        for name in ("participants", "sessions", "occlusion", "events", "recordings")
    }


def rewritten(study, write):
    """Write every table of a study in another form, take the first away, and read both."""
    before = rows_as_read(study)
    for name in before:
        path = study / f"{name}.tsv"
        write(study, name, cells_of(path))
        path.unlink()
    return before, rows_as_read(study)


def write_csv(encoding, separator=";", decimal=","):
    def write(study, name, cells):
        text = "\n".join(
            separator.join(
                cell.replace(".", decimal) if cell.replace(".", "").isdigit() else cell
                for cell in row
            )
            for row in cells
        )
        (study / f"{name}.csv").write_bytes((text + "\r\n").encode(encoding))

    return write


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_semicolons_and_decimal_commas_read_as_tabs_and_points(study, encoding):
    before, after = rewritten(study, write_csv(encoding))
    assert after == before


def test_unicode_text_of_a_spreadsheet_is_read(study):
    def write(study, name, cells):
        text = "\r\n".join("\t".join(row) for row in cells)
        (study / f"{name}.tsv.new").write_bytes(text.encode("utf-16"))

    before = rows_as_read(study)
    for name in before:
        write(study, name, cells_of(study / f"{name}.tsv"))
        (study / f"{name}.tsv.new").rename(study / f"{name}.tsv")
    assert rows_as_read(study) == before


def test_a_workbook_of_each_table_reads_as_the_text_does(study):
    before, after = rewritten(
        study,
        lambda study, name, cells: write_workbook(
            study / f"{name}.xlsx", {"Tabelle1": with_numbers(cells)}
        ),
    )
    assert after == before
    assert {path.suffix for path in table_files(study)} == {".xlsx", ".yaml"}


def test_one_workbook_holds_all_tables_and_names_its_sheets_in_messages(study):
    before = rows_as_read(study)
    sheets = {name: with_numbers(cells_of(study / f"{name}.tsv")) for name in before}
    write_workbook(study / "study.xlsx", sheets)
    with pytest.raises(StudyError, match="stands as events.tsv and as study.xlsx, sheet events"):
        Study(study)
    for name in before:
        (study / f"{name}.tsv").unlink()
    assert rows_as_read(study) == before
    sheets["events"][3][sheets["events"][0].index("condition")] = "lo"
    write_workbook(study / "study.xlsx", sheets)
    with pytest.raises(StudyError, match="study.xlsx, sheet events, row 4, column condition"):
        Study(study)


def test_the_same_workbook_is_the_same_bytes(tmp_path):
    sheets = {"events": [["onset_s", "note"], [1.5, "<&>"]]}
    for name in ("a.xlsx", "b.xlsx"):
        write_workbook(tmp_path / name, sheets)
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()


def test_a_fill_of_a_workbook_is_not_empty_as_strict_programs_refuse_that(tmp_path):
    # ECMA-376 part 1, 18.8.20: a fill is one pattern or one gradient
    write_workbook(tmp_path / "a.xlsx", {"events": [["onset_s"], [1.5]]})
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        fills = ElementTree.fromstring(parts.read("xl/styles.xml")).findall(".//{*}fill")  # noqa: S314
    assert [len(fill) for fill in fills] == [1]


@pytest.mark.parametrize(
    ("cell", "text"),
    [
        (3.0, "3"),
        (61.25, "61.25"),
        (True, "yes"),
        (datetime.date(2031, 5, 24), "2031-05-24"),
        (datetime.datetime(2031, 5, 24, 9, 30), "2031-05-24T09:30:00"),
        (datetime.time(9, 30, 5), "09:30:05"),
        (datetime.timedelta(hours=9, minutes=30), "09:30:00"),
        (" VP\u00a004 ", "VP 04"),
    ],
)
def test_cells_of_a_workbook_are_written_as_in_a_table(cell, text):
    assert as_text(cell) == text


def test_own_words_are_mapped_once_and_stay_out_of_the_rows(study):
    before = rows_as_read(study)
    words = {"sub-01": "MK04", "sub-02": "MK07", "none": "ohne", "low": "niedrig"}
    for name in before:
        path = study / f"{name}.tsv"
        lines = [[words.get(cell, cell) for cell in row] for row in cells_of(path)]
        lines[0] = ["VP" if cell == "participant_id" else cell for cell in lines[0]]
        path.write_text("\n".join("\t".join(row) for row in lines) + "\n", encoding="utf-8")
    with pytest.raises(StudyError, match="column participant_id is missing"):
        Study(study)
    with (study / "study.yaml").open("a") as settings:
        settings.write(
            "names:\n  columns: {VP: participant_id}\n"
            "  participants: {MK04: sub-01, MK07: sub-02}\n"
            "  conditions: {ohne: none, niedrig: low}\n"
        )
    assert rows_as_read(study) == before
    assert "MK04" not in Study(study).settings.model_dump_json()


def test_a_map_that_cannot_be_carried_out_says_why():
    faults = dict(
        faults_of_section(
            {
                "columns": {"VP": "participant"},
                "conditions": {"ohne": False},
                "participants": {"A": "sub-01", "B": "sub-01"},
                "condition": {},
                "decimal": ",",
            }
        )
    )
    assert "did you mean 'participant_id'" in faults["names", "columns", "VP"]
    assert "quote it" in faults["names", "conditions", "ohne"]
    assert "A and B both stand for sub-01" in faults["names", "participants"]
    assert "did you mean 'conditions'" in faults["names", "condition"]
    assert faults["names", "decimal"] == "found ',', allowed: point or comma"


def read_with(cells, names=None, table="sessions"):
    faults = []
    cells = with_own_names(
        cells, TABLES[table], names or OwnNames(), lambda *fault: faults.append(fault)
    )
    return cells, [message for _, message in faults]


def test_local_dates_are_read_and_asked_for_where_two_readings_are_possible():
    header = ["participant_id", "session_start"]
    cells, faults = read_with([header, ["sub-01", "3.4.2031 9:30"]])
    assert (cells[1][1], faults) == ("2031-04-03T9:30", [])
    cells, faults = read_with([header, ["sub-01", "24/05/2031"], ["sub-02", "01/02/2031"]])
    assert [row[1] for row in cells[1:]] == ["2031-05-24", "2031-02-01"]
    _, faults = read_with([header, ["sub-01", "03/04/2031"]])
    assert "may be read with the day or the month first" in faults[0]
    cells, faults = read_with(
        [header, ["sub-01", "03/04/2031"]], OwnNames(date_order="month_first")
    )
    assert (cells[1][1], faults) == ("2031-03-04", [])


def test_a_comma_that_may_stand_for_thousands_is_asked_for():
    header = ["participant_id", "body_mass_kg", "stature_cm"]
    _, faults = read_with([header, ["sub-01", "1,000", "1,750"]], table="participants")
    assert "may be a fraction or thousands" in faults[0]
    both = [["sub-01", "71,5", "175,5"], ["sub-02", "80,5", "180.5"]]
    _, faults = read_with([header, *both], table="participants")
    assert "write them in one way" in faults[0]
    # a single slip is left to the message of its row
    cells, faults = read_with(
        [header, ["sub-01", "71,5", "175.5"], ["sub-02", "80.5", "180.5"]], table="participants"
    )
    assert (cells[1][1], faults) == ("71,5", [])
    cells, faults = read_with([header, ["sub-01", "71,5", "175"]], table="participants")
    assert (cells[1], faults) == (["sub-01", "71.5", "175"], [])


def test_sixty_rows_of_one_cause_are_one_message(study):
    path = study / "participants.tsv"
    path.write_text("participant_id\tsex\n" + "".join(f"VP{n:02d}\tf\n" for n in range(60)))
    with pytest.raises(StudyError) as stopped:
        Study(study)
    told = str(stopped.value).splitlines()
    lines = [line for line in told if line.startswith("  participants.tsv")]
    assert len(lines) == 1
    assert "found 'VP00' (and 'VP01', 'VP02' and 57 others)" in lines[0]
    assert "(also in 59 further rows, the last is row 61)" in lines[0]


def test_letters_stand_for_the_sex_of_a_person(study):
    path = study / "participants.tsv"
    path.write_text("participant_id\tsex\nsub-01\tF\nsub-02\tm\n")
    assert [row.sex for row in Study(study).tables["participants"]] == ["female", "male"]
