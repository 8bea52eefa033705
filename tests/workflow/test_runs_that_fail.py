"""A run that fails or is killed loses nothing, and says what happened in words."""

import os
import random
import re
import subprocess
import sys

import pytest

from benchmarks.kills import bytes_of, killed_run
from project import copy_of_project, run_study, snakemake, write_tiny_study

pytestmark = pytest.mark.engine


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """A study of one person, finished."""
    folder = copy_of_project(tmp_path_factory.mktemp("whole") / "project")
    write_tiny_study(folder / "tiny", ("sub-01",))
    run_study(folder, "tiny", cores=1)
    return folder


def test_three_kills_at_random_moments_end_in_the_same_bytes(finished, monkeypatch):
    monkeypatch.chdir(finished)
    nothing_else = finished / "nothing.yaml"
    nothing_else.write_text("measure_outcomes: {}\n")
    chance, results = random.Random(7), finished / "killed"
    for _ in range(3):
        after_s = chance.uniform(1.0, 20.0)
        killed_run("tiny", results, nothing_else, after_s, whole_group=chance.random() < 0.5)
    # a bare command, without a profile and without --unlock or --rerun-incomplete
    printed, status = snakemake(
        *(finished, "--config", "study=tiny", f"results={results}"), cores=1
    )
    assert status == 0, printed[-3000:]
    assert bytes_of(results) == bytes_of(finished / "results" / "tiny")


def test_results_that_were_altered_or_removed_are_named_and_made_again(finished):
    results = finished / "results" / "tiny"
    contrasts, beats = results / "contrasts.tsv", results / "beats" / "sub-01.tsv"
    before, at = contrasts.read_bytes(), contrasts.stat()
    contrasts.write_bytes(before.replace(b"0", b"1", 1))
    os.utime(contrasts, ns=(at.st_atime_ns, at.st_mtime_ns))
    aside = beats.rename(results / "aside.tsv")
    printed, status = snakemake(finished, "-n", "--config", "study=tiny")
    assert status == 0
    assert "altered since made and made again: contrasts.tsv" in printed
    assert "gone since made and made again: beats/sub-01.tsv" in printed
    planned = set(re.findall(r"^(?:local)?rule (\w+):", printed, flags=re.M))
    assert {"compare_conditions", "measure_participant", "write_report"} <= planned
    contrasts.write_bytes(before)
    aside.rename(beats)


def test_a_recording_altered_with_its_time_kept_is_told_and_measured_again(finished):
    recording = finished / "tiny" / "raw" / "sub-01_ses-2_intervals.txt"
    before, at = recording.read_bytes(), recording.stat()
    recording.write_bytes(before + b"800\n")
    os.utime(recording, ns=(at.st_atime_ns, at.st_mtime_ns))
    printed, _ = snakemake(finished, "-n", "--config", "study=tiny")
    recording.write_bytes(before)
    assert "recordings changed since the results were made: tiny/raw/sub-01_ses-2" in printed
    assert "sub-01 will be measured again" in printed
    assert "rule measure_participant:" in printed


def test_a_run_that_fails_gives_back_the_results_before_and_the_next_goes_on(finished):
    results, step = finished / "results" / "tiny", finished / "scripts" / "write_report.py"
    before, works = bytes_of(results), step.read_text(encoding="utf-8")
    step.write_text(works.replace("    files = [", '    raise OSError(28, "full")\n    files = ['))
    settings = finished / "tiny" / "study.yaml"
    settings.write_text(settings.read_text().replace("20.0", "21.0"))
    printed, status = snakemake(finished, "--config", "study=tiny", cores=1)
    assert status != 0
    assert "holds the results of the run before" in printed
    assert "Results cannot be written (No space left on device)" in printed
    assert "Traceback" not in printed
    assert bytes_of(results) == before
    step.write_text(works, encoding="utf-8")
    printed, status = snakemake(finished, "--config", "study=tiny", cores=1)
    assert status == 0, printed[-3000:]
    assert "rule measure_participant:" not in printed
    assert "baseline_settle_s: 21.0" in (results / "provenance" / "settings.yaml").read_text()
    assert bytes_of(results).keys() == before.keys()
    assert bytes_of(results)["manifest.tsv"] != before["manifest.tsv"]


def test_a_second_run_is_stopped_with_process_and_host_of_the_first(finished):
    holder = (
        "import sys, time; from engine.running import Running; Running(sys.argv[1]).begin(); "
        "print('held', flush=True); time.sleep(60)"
    )
    (place,) = (finished / ".snakemake" / "runs").glob("*tiny")
    first = subprocess.Popen(
        [sys.executable, "-c", holder, str(place)],
        env=os.environ | {"PYTHONPATH": str(finished / "scripts")},
        stdout=subprocess.PIPE,
    )
    first.stdout.readline()
    printed, status = snakemake(finished, "--config", "study=tiny")
    first.kill()
    first.wait()
    assert status == 1
    assert f"results/tiny is being made by another run (process {first.pid} on " in printed
    assert "Traceback" not in printed
    printed, status = snakemake(finished, "--config", "study=tiny")
    assert status == 0
    assert "Nothing to be done" in printed
