"""Tables as people and spreadsheets write them: every line is one row, whatever stands in it."""

import os

import pytest

from project import write_tiny_study
from study.cells import TableFault, cells_of_text
from study.outside import Refused, open_outside
from study.problems import Problems
from study.rows import read_table


def cells(text):
    return cells_of_text(text.encode())


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))


def read(path):
    problems = Problems()
    return read_table(path, problems), problems


def told(problems):
    return [f"{file}, {where}: {message}" for file, where, message in problems._gathered]


def test_a_quotation_mark_that_opens_a_note_stays_in_its_cell():
    assert cells('a\tnote\n1\t"felt heavy\n2\tfine\n') == [
        ["a", "note"],
        ["1", '"felt heavy'],
        ["2", "fine"],
    ]


def test_an_opening_quotation_mark_takes_no_further_cells_of_its_line():
    assert cells('"felt heavy\t5\t3')[0] == ['"felt heavy', "5", "3"]


def test_a_cell_in_quotation_marks_is_read_as_spreadsheets_write_it():
    assert cells('"a ""b""\tc"\t5')[0] == ['a "b"\tc', "5"]


def test_a_cell_broken_over_two_lines_is_refused_with_its_row():
    with pytest.raises(TableFault, match="goes on over the end") as raised:
        cells('id\tnote\tpain\n1\t"felt\nheavy"\t5\n')
    assert raised.value.where == "row 2"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_of_all_systems_give_the_same_rows(end):
    assert cells("\ufeffa\tb\n1\t 2 \n\n3\t4\n\n".replace("\n", end)) == [
        ["a", "b"],
        ["1", "2"],
        [""],
        ["3", "4"],
        [""],
    ]


@pytest.mark.parametrize("sign", ["\0", "\x1b", "\x0b"])
def test_control_signs_are_refused_with_their_row(sign):
    with pytest.raises(TableFault) as raised:
        cells(f"a\tb\n1\t2{sign}3\n")
    assert raised.value.where == "row 2"


def test_a_cell_as_long_as_a_book_is_refused():
    with pytest.raises(TableFault, match="200000 signs"):
        cells("a\tb\n1\t" + "x" * 200_000)


@pytest.mark.parametrize("table", ["events", "recordings"])
def test_every_filled_line_is_a_row_whatever_a_note_begins_with(study, table):
    path = study / f"{table}.tsv"
    before, _ = read(path)
    lines = path.read_text().splitlines()
    lines[0] += "\tremark"
    marked = [f'{line}\t"{n} felt heavy' for n, line in enumerate(lines[1:])]
    path.write_text("\n".join([lines[0], *marked]) + "\n")
    after, problems = read(path)
    assert len(after) == len(before) == len(lines) - 1
    assert not told(problems)


@pytest.mark.parametrize("value", ["1_000", "1e999", "nan", "0x10", "12,5"])
def test_what_is_no_plain_finite_number_is_refused(study, value):
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("\t160.0\t", f"\t{value}\t", 1))
    _, problems = read(path)
    assert any("column onset_s: found" in line and value in line for line in told(problems))


def test_a_column_that_nothing_reads_is_told_once_with_the_one_that_is_meant(study):
    path = study / "events.tsv"
    path.write_text(path.read_text().replace("cuff_pressure_mmhg", "pressure", 1))
    _, problems = read(path)
    assert problems.remarks == [
        "events.tsv: column 'pressure' (meant 'cuff_pressure_mmhg'?): kept in the study, read by "
        "nothing."
    ]


def test_a_header_in_capitals_is_told_as_such(study):
    path = study / "participants.tsv"
    path.write_text(path.read_text().replace("participant_id", "PARTICIPANT_ID"))
    _, problems = read(path)
    assert "found 'PARTICIPANT_ID': rename it participant_id" in told(problems)[0]


def test_a_folder_a_pipe_and_a_device_are_refused_before_they_are_read(tmp_path):
    (tmp_path / "folder.tsv").mkdir()
    os.mkfifo(tmp_path / "pipe.tsv")
    for name, kind in (("folder.tsv", "is a folder"), ("pipe.tsv", "is a pipe")):
        with pytest.raises(Refused, match=kind):
            open_outside(tmp_path / name, tmp_path, 1000)
    with pytest.raises(Refused, match="is a device"):
        open_outside("/dev/zero", "/", 1000)


def test_a_link_is_followed_inside_the_study_and_not_out_of_it(tmp_path):
    study, elsewhere = tmp_path / "study", tmp_path / "elsewhere.txt"
    study.mkdir()
    (study / "raw.txt").write_text("800\n")
    elsewhere.write_text("800\n")
    (study / "inside.txt").symlink_to("raw.txt")
    (study / "outside.txt").symlink_to(elsewhere)
    (study / "loop.txt").symlink_to("loop.txt")
    assert open_outside(study / "inside.txt", study, 1000).content == b"800\n"
    with pytest.raises(Refused, match="outside of the study folder"):
        open_outside(study / "outside.txt", study, 1000)
    with pytest.raises((Refused, OSError)):
        open_outside(study / "loop.txt", study, 1000)


def test_a_file_larger_than_allowed_is_refused_unread(tmp_path):
    (tmp_path / "large.txt").write_bytes(b"0" * 1001)
    with pytest.raises(Refused, match="up to 0.001 MB"):
        open_outside(tmp_path / "large.txt", tmp_path, 1000)


def test_a_gzip_file_that_unfolds_without_bound_is_refused(tmp_path):
    import gzip

    path = tmp_path / "bomb.gz"
    path.write_bytes(gzip.compress(b"0" * 5_000_000) + gzip.compress(b"1"))
    opened = open_outside(path, tmp_path, 1_000_000)
    assert opened.unfolded().endswith(b"01")
    with pytest.raises(Refused, match="unfolds to more than 2 MB"):
        opened.unfolded(2_000_000)
    path.write_bytes(path.read_bytes()[:-30])
    with pytest.raises(Refused, match="damaged or cut off"):
        open_outside(path, tmp_path, 1_000_000).unfolded()
