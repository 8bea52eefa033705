"""Results of the run before come back when a run fails, and what it made waits for the next."""

import shutil
from types import SimpleNamespace

import pytest

from engine.remembered import changed_since, remembered
from engine.transaction import Transaction
from engine.whole_run import WholeRun
from results.manifest import sha256_of


@pytest.fixture
def place(tmp_path):
    """Results of a run that ended whole: a table, and a folder of pages of one person."""
    results = tmp_path / "results"
    (results / "sessions" / "sub-01").mkdir(parents=True)
    (results / "outcomes.tsv").write_text("before")
    (results / "sessions" / "sub-01" / "ses-1.html").write_text("before")
    begun(tmp_path).succeeded()
    return tmp_path


def begun(place, more=()):
    results, recording = place / "results", place / "a.edf"
    if not recording.exists():
        recording.write_text("recording")
    made = {"outcomes.tsv": None, "sessions/sub-01": "sub-01"} | dict.fromkeys(more)
    return Transaction(
        results,
        {str(results / file): person for file, person in made.items()},
        recordings=lambda: {str(recording): "sub-01"},
        tables=list,
        notes=place / "notes",
    )


def remake(run, place):
    """What Snakemake and a job do: keep what stands there, then put new files in its place."""
    results = place / "results"
    for file in (results / "outcomes.tsv", results / "sessions" / "sub-01"):
        run._keep(file)
    (results / "new.tsv").write_text("after")
    (results / "outcomes.tsv").rename(place / "aside")
    (results / "outcomes.tsv").write_text("after")
    (results / "sessions" / "sub-01").rename(place / "aside_pages")
    (results / "sessions" / "sub-01").mkdir()
    (results / "sessions" / "sub-01" / "ses-2.html").write_text("after")


def contents(place):
    results = place / "results"
    return {
        p.relative_to(results).as_posix(): p.read_text() for p in results.rglob("*") if p.is_file()
    }


BEFORE = {"outcomes.tsv": "before", "sessions/sub-01/ses-1.html": "before"}

AFTER = {"outcomes.tsv": "after", "sessions/sub-01/ses-2.html": "after", "new.tsv": "after"}


def test_a_run_that_fails_gives_everything_back_and_the_next_goes_on(place):
    run = begun(place, more=["new.tsv"])
    remake(run, place)
    run.failed()
    assert contents(place) == BEFORE
    following = begun(place, more=["new.tsv"])
    following._begin(dry=False)
    assert contents(place) == AFTER
    following.failed()
    assert contents(place) == BEFORE


def test_a_run_that_ends_well_keeps_what_it_made(place):
    run = begun(place, more=["new.tsv"])
    remake(run, place)
    run.succeeded()
    assert contents(place) == AFTER
    assert begun(place, more=["new.tsv"])._begin(dry=True) == []


def test_a_killed_run_is_no_alteration(place, capsys):
    remake(begun(place), place)
    assert begun(place)._begin(dry=True) == []
    assert "altered" not in capsys.readouterr().err


def test_what_was_altered_is_named_and_its_whole_folder_made_again(place, capsys):
    page = place / "results" / "sessions" / "sub-01" / "ses-1.html"
    page.write_text("Before")
    assert begun(place)._begin(dry=True) == [page.parent]
    assert (
        "altered since made and made again: sessions/sub-01/ses-1.html" in capsys.readouterr().err
    )


def test_a_changed_recording_puts_all_of_its_person_in_doubt(place, capsys):
    (place / "a.edf").write_text("Recording")
    assert begun(place)._begin(dry=True) == [place / "results" / "sessions" / "sub-01"]
    assert "sub-01 will be measured again" in capsys.readouterr().err


def test_what_the_study_no_longer_has_goes_unless_it_was_altered(place, capsys):
    leaver = place / "results" / "sessions" / "sub-01"
    run = begun(place)
    del run._made[leaver]
    run.succeeded()
    assert not leaver.exists()
    assert "no longer has them: sessions/sub-01/ses-1.html" in capsys.readouterr().err


def test_a_folder_of_results_that_was_removed_is_no_fault(place, capsys):
    for file in sorted((place / "results").rglob("*"), reverse=True):
        file.rmdir() if file.is_dir() else file.unlink()
    assert begun(place)._begin(dry=True) == []
    assert "gone" not in capsys.readouterr().err


def test_results_that_came_without_notes_are_held_against_their_manifest(place, capsys):
    results = place / "results"
    rows = [
        ("input", "raw", sha256_of(place / "a.edf")),
        ("result", "outcomes.tsv", sha256_of(results / "outcomes.tsv")),
    ]
    lines = ["\t".join(("kind", "file", "sha256")), *("\t".join(row) for row in rows)]
    (results / "manifest.tsv").write_text("\n".join(lines) + "\n")
    shutil.rmtree(place / "notes")
    assert begun(place)._begin(dry=True) == []
    assert capsys.readouterr().err == ""
    (results / "outcomes.tsv").write_text("altered")
    (place / "a.edf").write_text("another recording")
    pages = results / "sessions" / "sub-01"
    assert begun(place)._begin(dry=True) == [results / "outcomes.tsv", pages]
    said = capsys.readouterr().err
    assert "altered since made and made again: outcomes.tsv" in said
    assert "sub-01 will be measured again" in said


def test_a_file_where_results_should_stand_is_told(tmp_path):
    run = begun(tmp_path)
    run.results.write_text("not a folder")
    with pytest.raises(SystemExit, match="a file stands there"):
        run._try_to_write()


def test_the_same_bytes_at_another_time_are_no_change(tmp_path):
    file = tmp_path / "a.tsv"
    file.write_text("same")
    entries = remembered([file])
    file.write_text("same")
    assert changed_since(entries) == ([], [])
    file.write_text("Same")
    assert changed_since(entries) == ([], [str(file)])


@pytest.mark.parametrize("told", [True, False])
def test_a_run_that_snakemake_ends_without_a_word_gives_back_what_stood_there(told, capsys):
    ended, run = [], WholeRun.__new__(WholeRun)
    run._transaction = SimpleNamespace(failed=lambda: ended.append("given back"))
    run._is_open = not told
    run._ended()
    assert ended == ([] if told else ["given back"])
    assert ("Snakemake could not go on" in capsys.readouterr().err) is not told
