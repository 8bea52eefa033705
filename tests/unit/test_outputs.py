"""What a job makes takes its place whole, and nothing that stood there is lost before."""

import errno

import pytest

from engine.outputs import whole_or_not
from engine.step import NO_ROOM_STATUS, Input, Output, run_all


@pytest.fixture
def places(tmp_path):
    """A file and a folder of an earlier run."""
    (tmp_path / "pages").mkdir()
    (tmp_path / "pages" / "ses-1.html").write_text("earlier")
    (tmp_path / "beats.tsv").write_text("earlier")
    return tmp_path / "beats.tsv", tmp_path / "pages"


def make_both(beats: Output, pages: Output, *, fails: bool):
    beats.write_text("new")
    pages.mkdir()
    (pages / "ses-2.html").write_text("new")
    if fails:
        raise OSError(errno.ENOSPC, "No space left on device")


def contents(folder):
    return {
        p.relative_to(folder).as_posix(): p.read_text() for p in folder.rglob("*") if p.is_file()
    }


def test_files_and_folders_replace_those_of_the_run_before(places, tmp_path):
    beats, pages = places
    run_all([(make_both, {"beats": beats, "pages": pages, "fails": False})])
    assert contents(tmp_path) == {"beats.tsv": "new", "pages/ses-2.html": "new"}


def test_a_full_disk_is_one_plain_sentence_and_leaves_all_as_it_was(places, tmp_path, caplog):
    beats, pages = places
    with pytest.raises(SystemExit) as end:
        run_all([(make_both, {"beats": beats, "pages": pages, "fails": True})])
    assert end.value.code == NO_ROOM_STATUS
    assert contents(tmp_path) == {"beats.tsv": "earlier", "pages/ses-1.html": "earlier"}
    (record,) = caplog.records
    assert "No space left on device" in record.getMessage()
    assert "Make room on the disk, then run this again." in record.getMessage()
    assert record.exc_info is None


def test_a_later_step_reads_what_an_earlier_one_made_before_it_stands_in_its_place(tmp_path):
    def first(table: Output):
        table.write_text("measured")

    def second(table: Input, text: Output):
        assert not (tmp_path / "table.tsv").exists()
        text.write_text(table.read_text())

    table, text = tmp_path / "table.tsv", tmp_path / "text.md"
    run_all([(first, {"table": table}), (second, {"table": table, "text": text})])
    assert text.read_text() == "measured"
    assert table.read_text() == "measured"


def test_what_a_killed_job_left_is_cleared_by_the_next(places, tmp_path):
    beats, _ = places
    (tmp_path / ".beats.tsv.unfinished").mkdir()
    (tmp_path / ".beats.tsv.unfinished" / "beats.tsv").write_text("half")
    with whole_or_not([beats]) as made:
        made[beats].write_text("new")
    assert beats.read_text() == "new"
    assert not list(tmp_path.glob(".*"))
