"""The tutorial: each planted mistake is told as the page says, and mended as it says."""

import re

import pytest

from demo.practice import main as practice
from launch import command_of
from project import PROJECT
from study.check import main as check

GUIDE = PROJECT / "workflow" / "guide"


def mend(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_the_planted_mistakes_are_told_in_the_words_of_the_page_and_mended(
    tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    study = tmp_path / "Übung 1"
    practice([str(study)])
    told = re.findall(r"^\| `([^`]+)` \|", (GUIDE / "tutorial.md").read_text(), flags=re.M)
    assert len(told) == 4
    slip, empty, unit, clock = (sentence.split(" ... ")[-1] for sentence in told)
    with pytest.raises(SystemExit) as stopped:
        check([str(study)])
    assert slip in str(stopped.value)
    assert empty in str(stopped.value)
    assert unit in str(stopped.value)
    mend(study / "events.tsv", "\tcuf\t", "\tcuff\t")
    recordings = study / "recordings.tsv"
    mend(recordings, "\ts\t", "\tms\t")
    lines = recordings.read_text().splitlines()
    recordings.write_text("\n".join(line for line in lines if "sub-05_ses-2" not in line) + "\n")
    check([str(study)])
    printed = capsys.readouterr().out
    assert "6 participants, 11 visits, 11 files opened" in printed
    assert clock in printed
    mend(recordings, "\tms\tn/a", "\tms\t0")
    check([str(study)])
    assert clock not in capsys.readouterr().out


def test_every_command_of_the_page_does_what_the_page_says(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    page = (GUIDE / "tutorial.md").read_text()
    commands = re.findall(r"^    python3.11 scripts/launch.py (.+)$", page, flags=re.M)
    runs = []
    for words in map(str.split, commands):
        module = command_of(*words)[0]
        if words[0] in ("practice", "new"):
            (tmp_path / words[1]).mkdir()
            (tmp_path / words[1] / "study.yaml").touch()
        elif len(words) == 1:
            assert module == "snakemake"
            runs += words
    assert runs == ["squats", "my_study"]
    assert re.findall(r"`results/([^/`]+)/report.html`", page) == runs


def test_the_glossary_is_a_table_of_words_each_once():
    words = re.findall(r"^\| ([^|]+) \|", (GUIDE / "glossary.md").read_text(), flags=re.M)
    assert len(words) == len(set(words)) > 15
