"""What a study knows about outcomes and results before anything runs."""

import re
import shutil
import sysconfig
from itertools import chain
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import launch
from comparison.outcome_tables import why_absent
from engine.listings import header, names_in, outcome_modules, window_modules, windows_of
from project import write_tiny_study
from study.loading import load_study
from study.problems import Problems, StudyError
from study.rows import rows_of


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder to run in, with a tiny study beside it and another of the same name."""
    (tmp_path / "run").mkdir()
    monkeypatch.chdir(tmp_path / "run")
    write_tiny_study(tmp_path / "one" / "tiny", participants=("sub-01",))
    shutil.copytree(tmp_path / "one" / "tiny", tmp_path / "two" / "tiny")
    return tmp_path


def test_the_windows_read_from_every_outcome_are_those_that_it_is_measured_in():
    for name, module in outcome_modules().items():
        asked = [
            w
            for w, cut in window_modules().items()
            if module.ASKED_OF in chain(*cut.ASKED.values())
        ]
        assert windows_of(name) == asked, name


def test_windows_that_are_computed_are_left_open_and_not_guessed(tmp_path, monkeypatch):
    (tmp_path / "outcomes").mkdir()
    (tmp_path / "outcomes" / "__init__.py").write_text('SET = "the set"\n')
    (tmp_path / "windows").mkdir()
    (tmp_path / "windows" / "__init__.py").write_text("")
    (tmp_path / "windows" / "set.py").write_text('ORDER = 1\nASKED = {"set": ("the set",)}\n')
    (tmp_path / "windows" / "rest.py").write_text('ORDER = 2\nASKED = {"rest": ("rest",)}\n')
    (tmp_path / "outcomes" / "plain.py").write_text("ASKED_OF = SET\nHERE = ASKED_OF\n")
    (tmp_path / "outcomes" / "computed.py").write_text("ASKED_OF = kind_of(SET)\nx.y = 1\n")
    monkeypatch.setattr("engine.listings.SCRIPTS", tmp_path)
    assert names_in("outcomes") == ["computed", "plain"]
    assert header("outcomes", "plain")["HERE"] == "the set"
    assert windows_of("plain") == ["set"]
    assert windows_of("computed") is None


def test_results_of_another_study_of_the_same_name_are_not_written_over_in_silence(folder):
    first = load_study({"study": str(folder / "one" / "tiny")})
    first.claim_results()
    (folder / "run" / "results" / "tiny").mkdir(parents=True)
    assert load_study({"study": "../one/../one/tiny/"}).folder == first.folder
    assert "another study folder" not in first.notes()
    note = load_study({"study": "../two/tiny"}).notes()
    assert "held the results of another study folder, ../one/tiny, and is written over" in note
    second = load_study({"study": "../two/tiny", "results": "results/tiny_2"})
    assert second.results == "results/tiny_2"
    assert "another study folder" not in second.notes()


def test_a_study_that_was_moved_keeps_its_results(folder):
    load_study({"study": "../one/tiny"}).claim_results()
    (folder / "run" / "results" / "tiny").mkdir(parents=True)
    (folder / "one").rename(folder / "moved")
    assert "another study folder" not in load_study({"study": "../moved/tiny"}).notes()


def test_whose_results_they_are_is_not_written_among_the_results(folder):
    load_study({"study": "../one/tiny"}).claim_results()
    assert not (folder / "run" / "results").exists()


@pytest.mark.parametrize("results", ["../one/tiny/raw/out", "../one/tiny", ".."])
def test_results_never_stand_where_the_study_stands(folder, results):
    with pytest.raises(StudyError, match="the study itself stands there"):
        load_study({"study": "../one/tiny", "results": results})


def test_a_folder_named_with_a_number_is_a_study_folder(folder):
    (folder / "one" / "tiny").rename(folder / "run" / "2031")
    assert load_study({"study": 2031}).results == "results/2031"


def test_the_digest_of_a_participants_rows_changes_with_them_alone(folder):
    write_tiny_study(folder / "one" / "two_people", participants=("sub-01", "sub-02"))
    table = folder / "one" / "two_people" / "events.tsv"
    before = load_study({"study": "../one/two_people"})
    lines = table.read_text(encoding="utf-8").splitlines()
    n = next(i for i, line in enumerate(lines) if line.startswith("sub-01") and "\t12" in line)
    lines[n] = lines[n].replace("\t12", "\t11")
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    after = load_study({"study": "../one/two_people"})

    def digest(study, tables, person):
        return study.participant_rows(*tables)(SimpleNamespace(participant=person))

    assert digest(after, ["events"], "sub-01") != digest(before, ["events"], "sub-01")
    assert digest(after, ["sessions"], "sub-01") == digest(before, ["sessions"], "sub-01")
    assert digest(after, ["events"], "sub-02") == digest(before, ["events"], "sub-02")


@pytest.mark.parametrize(
    ("done", "window_there", "said"),
    [
        (False, False, "low was not done"),
        (True, False, "low has no such window"),
        (True, True, "is not measured in this window in low"),
    ],
)
def test_a_contrast_without_values_says_what_is_absent(done, window_there, said):
    rows = pd.DataFrame({"value": [], "reason": []})
    assert why_absent(rows, "low", done=done, window_there=window_there) == said


def test_the_set_up_script_takes_a_study_folder_wherever_it_is_called_from(folder, monkeypatch):
    monkeypatch.setattr(launch, "PROJECT", folder / "run")
    command = launch.command_of("../one/tiny", "results/tiny/report.html")
    assert command[:3] == ["snakemake", "--config", "study=../one/tiny"]
    assert command[-1] == "results/tiny/report.html"
    more = launch.command_of("../one/tiny", "-n", "--config", "results=results/tiny_2")
    # Snakemake keeps the last --config only
    assert more.count("--config") == 1
    assert more[-2:] == ["study=../one/tiny", "results=results/tiny_2"]
    monkeypatch.chdir(folder / "one")
    assert "study=../one/tiny" in launch.command_of("tiny")


def test_the_set_up_script_says_what_it_takes():
    with pytest.raises(SystemExit, match="neither a study folder nor one of: demo, tests, "):
        launch.command_of("no_such_folder")


@pytest.mark.parametrize(
    ("words", "command"),
    [
        ("benchmark cost --out cost.json", "benchmarks.cost --out cost.json"),
        ("step find_beats --help", "find_beats --help"),
        ("demo-data", "demo.make --into data_demo"),
        ("one-person", "demo.one_person --into one_person"),
        ("sample-size --sd 2 --effect 3", "comparison.sample_size --sd 2 --effect 3"),
        ("pages", "study.reference_pages"),
    ],
)
def test_a_tool_is_called_by_its_name(words, command):
    assert launch.command_of(*words.split()) == command.split()


@pytest.mark.parametrize("name", ["", "scoring", "no_such"])
def test_the_set_up_script_lists_the_benchmarks_there_are(name):
    with pytest.raises(SystemExit, match="no benchmark; name one of: beats, breathing, claims, "):
        launch.command_of("benchmark", name)


def test_every_benchmark_that_is_listed_can_be_run():
    benchmarks = (launch.SCRIPTS / "benchmarks").glob("[!_]*.py")
    for path in (p for p in benchmarks if p.stem not in launch.NO_TOOLS):
        assert '__name__ == "__main__"' in path.read_text(encoding="utf-8"), path.stem


@pytest.mark.parametrize("word", ["--help", "-h"])
def test_the_set_up_script_explains_itself_and_sets_nothing_up(capsys, monkeypatch, word):
    monkeypatch.setattr(launch, "set_up_environment", None)
    launch.main([word])
    assert "path/to/study    your own" in capsys.readouterr().out


@pytest.mark.parametrize("system", ["nt", "posix"])
def test_the_python_of_an_environment_is_where_each_system_keeps_it(system):
    scripts = Path(sysconfig.get_path("scripts", f"{system}_venv", {"base": "environment"}))
    python = launch.python_of(Path("environment"), system)
    assert (python.parent, python.stem) == (scripts, "python")


def test_a_study_folder_called_like_a_command_is_told(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "review").mkdir()
    assert launch.command_of("review")[0] == "sessions.review"
    (tmp_path / "review" / "study.yaml").touch()
    with pytest.raises(SystemExit, match="study folder as well; run that as ./review"):
        launch.command_of("review")
    assert launch.command_of("./review")[0] == "snakemake"


def test_the_set_up_script_never_empties_an_environment_behind_a_link(tmp_path, monkeypatch):
    (tmp_path / "shared").mkdir()
    (tmp_path / "shared" / "kept").touch()
    (tmp_path / ".venv").symlink_to(tmp_path / "shared")
    monkeypatch.setattr(launch, "ENVIRONMENT", tmp_path / ".venv")
    with pytest.raises(SystemExit, match="is a link to"):
        launch.set_up_environment()
    assert (tmp_path / "shared" / "kept").exists()


def test_twenty_problems_are_named_and_the_others_counted():
    problems = Problems()
    for number in range(2, 32):
        problems.add("events.tsv", f"row {number}, column onset_s", f"problem {number}")
    with pytest.raises(StudyError) as told:
        problems.stop()
    first, *lines, last = str(told.value).splitlines()
    assert first == "30 problems to mend before anything runs:"
    assert len(lines) == 20
    assert lines[-1].endswith("row 21, column onset_s: problem 21")
    assert last.strip() == "and 10 more, shown once these are mended"


def test_words_of_the_front_door_are_told_from_where_a_person_stands(tmp_path, monkeypatch):
    monkeypatch.setattr(launch, "PROJECT", tmp_path / "project")
    (tmp_path / "lab").mkdir()
    monkeypatch.chdir(tmp_path / "lab")
    command = launch.command_of("new", "Prüfung 1", "--people", "4")
    assert command == ["study.new", str(tmp_path / "lab" / "Prüfung 1"), "--people", "4"]
    assert launch.command_of("new", "--help") == ["study.new", "--help"]
    assert launch.command_of("open-order", ".", "sub-01") == [
        "study.orders",
        str(Path.cwd()),
        "sub-01",
    ]
    (tmp_path / "project" / "mine").mkdir(parents=True)
    assert launch.command_of("look", "../project/mine") == ["study.look", "mine"]
    with pytest.raises(SystemExit, match="offline needs one folder"):
        launch.of_wheels("offline", "no_such_folder")


def dumped(study_rows):
    return [(row.row_number, row.model_dump()) for row in study_rows]


@pytest.mark.parametrize("table", ["events", "sessions", "recordings", "occlusion", "edits"])
def test_a_person_alone_has_the_rows_that_the_person_has_among_everybody(tmp_path, table):
    """Events named by their order in a visit, recordings by files that two people share."""
    alone = write_tiny_study(tmp_path / "alone")
    recordings = alone / "recordings.tsv"
    shared = re.sub("sub-0[23]_ses-1_intervals", "Meier", recordings.read_text())
    recordings.write_text(shared)
    together = shutil.copytree(alone, tmp_path / "together")
    of_everybody = rows_of(together, table)
    for person in ("sub-03", "sub-02", "sub-01", "sub-99"):
        theirs = [row for row in of_everybody if row.participant_id == person]
        assert dumped(rows_of(alone, table, person)) == dumped(theirs)
        assert dumped(rows_of(together, table, person)) == dumped(theirs)


def test_a_fault_in_a_row_of_one_person_is_no_fault_of_another(tmp_path):
    study = write_tiny_study(tmp_path / "study")
    events = study / "events.tsv"
    *above, last = events.read_text().splitlines()
    events.write_text("\n".join([*above, last.replace("410", "late")]) + "\n")
    assert last.startswith("sub-03")
    assert rows_of(study, "events", "sub-01")
    for asked in ("sub-03", None):
        with pytest.raises(StudyError, match="events.tsv.*column onset_s"):
            rows_of(study, "events", asked)
