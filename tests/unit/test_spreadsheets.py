"""Tables that LibreOffice Calc wrote with German settings, see known/spreadsheets/README.md."""

import shutil

import pytest

from project import PROJECT
from study.problems import Problems, StudyError
from study.rows import read_table

WRITTEN = PROJECT / "tests" / "known" / "spreadsheets"

TABLES = ("participants", "sessions", "events")


def rows_in(folder):
    problems = Problems()
    rows = {name: read_table(folder / f"{name}.tsv", problems) for name in TABLES}
    problems.stop()
    return rows


def fault_of(tmp_path, file, table):
    shutil.copy(WRITTEN / file, tmp_path / f"{table}{(WRITTEN / file).suffix}")
    problems = Problems()
    assert read_table(tmp_path / f"{table}.tsv", problems) == []
    with pytest.raises(StudyError) as stopped:
        problems.stop()
    return str(stopped.value)


@pytest.fixture(params=["study.ods", "study.xlsx", "text"])
def rows(request, tmp_path):
    folder = tmp_path / "Übung Eins"
    if request.param == "text":
        shutil.copytree(WRITTEN / "text", folder)
        (folder / "study.yaml").write_text("names: {decimal: comma}\n")
    else:
        folder.mkdir()
        shutil.copy(WRITTEN / request.param, folder)
    return rows_in(folder)


def test_numbers_dates_times_and_truth_values_are_those_that_were_typed(rows):
    first, second = rows["participants"]
    assert (first.sex, first.body_mass_kg, second.stature_cm) == ("female", 71.5, 181.5)
    starts = [row.session_start.replace(" ", "T")[:16] for row in rows["sessions"]]
    assert starts == ["2031-05-24T09:30", "2031-06-01T14:05"]
    _, control, cuffed, recovery = rows["events"][:4]
    assert [row.onset_s for row in rows["events"][:4]] == [60.0, 600.0, 930.0, 1200.0]
    assert (control.duration_s, control.stopped_early, control.note) == (45.5, False, "Übung; gut")
    assert (cuffed.cuff_pressure_mmhg, cuffed.stopped_early) == (35.5, True)
    assert recovery.duration_s == 1250.0


def test_a_mark_of_thousands_is_asked_for_and_never_read_as_a_fraction(tmp_path):
    asked = fault_of(tmp_path, "thousands.csv", "events")
    assert "'1.250' may be a fraction or thousands" in asked
    (tmp_path / "study.yaml").write_text("names: {decimal: comma}\n")
    onsets = [row.onset_s for row in read_table(tmp_path / "events.tsv", Problems())]
    assert onsets == [60.0, 1250.0]


@pytest.mark.parametrize(
    ("file", "table", "says"),
    [
        ("unicode_text.tsv", "events", "with a decimal comma, as '45,5', and with a point"),
        ("percent.ods", "titration", "found '0.62', allowed: saturation of the muscle"),
        ("percent.xlsx", "titration", "found '0.62', allowed: saturation of the muscle"),
        ("titled.xlsx", "participants", "row 1 must name the columns, which stand in row 2"),
        ("short_years.csv", "sessions", "'24.05.31 09:30'; write the year with four digits"),
    ],
)
def test_what_may_be_read_in_two_ways_is_told_and_not_read(tmp_path, file, table, says):
    assert says in fault_of(tmp_path, file, table)
