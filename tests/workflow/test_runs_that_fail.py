"""A run that fails or is killed loses nothing, and says what happened in words."""

import os
import re
import signal
import subprocess
import sys
import time

from benchmarks.kills import bytes_of
from project import SNAKEMAKE, snakemake


def test_a_kill_in_the_middle_of_a_run_ends_in_the_same_bytes(finished):
    results = finished / "killed"
    # the text of the methods rests on all tables and on no figure, each of which would cost seconds
    words = ("--config", "study=tiny", f"results={results}", "--", str(results / "methods.md"))
    started = subprocess.Popen(
        [SNAKEMAKE, "--cores", "1", *words],
        cwd=finished,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    while started.poll() is None and not (results / "beats" / "sub-01.tsv").exists():
        time.sleep(0.1)
    os.killpg(started.pid, signal.SIGKILL)
    assert started.wait() == -signal.SIGKILL
    assert not (results / "methods.md").exists()
    # a bare command, without a profile and without --unlock or --rerun-incomplete
    printed, status = snakemake(finished, *words, cores=1)
    assert status == 0, printed[-3000:]
    again, whole = bytes_of(results), bytes_of(finished / "results" / "tiny")
    assert {"beats/sub-02.tsv", "contrasts.tsv", "methods.md"} <= again.keys()
    assert again.items() <= whole.items()


def test_what_was_altered_or_removed_since_is_named_and_made_again(finished):
    """Results by hand, and a recording whose time was kept."""
    results = finished / "results" / "tiny"
    contrasts, beats = results / "contrasts.tsv", results / "beats" / "sub-01.tsv"
    recording = finished / "tiny" / "raw" / "sub-02_ses-2_intervals.txt"
    before = {path: path.read_bytes() for path in (contrasts, recording)}
    for path, content in before.items():
        at = path.stat()
        path.write_bytes(content.replace(b"0", b"1", 1))
        os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))
    aside = beats.rename(results / "aside.tsv")
    printed, status = snakemake(finished, "-n", "--config", "study=tiny")
    aside.rename(beats)
    for path, content in before.items():
        path.write_bytes(content)
    assert status == 0
    assert "altered since made and made again: contrasts.tsv" in printed
    assert "gone since made and made again: beats/sub-01.tsv" in printed
    assert "recordings changed since the results were made: tiny/raw/sub-02_ses-2" in printed
    assert "sub-02 will be measured again" in printed
    again = re.findall(r"rule measure_participant:.*?wildcards: participant=(\S+)", printed, re.S)
    assert set(again) == {"sub-01", "sub-02"}
    planned = set(re.findall(r"^(?:local)?rule (\w+):", printed, flags=re.M))
    assert {"compare_conditions", "write_report"} <= planned


def test_a_run_that_fails_gives_back_the_results_before_and_the_next_goes_on(finished):
    results, step = finished / "results" / "tiny", finished / "scripts" / "write_report.py"
    before, works = bytes_of(results), step.read_text(encoding="utf-8")
    step.write_text(works.replace("    files = [", '    raise OSError(28, "full")\n    files = ['))
    settings = finished / "tiny" / "study.yaml"
    settings.write_text(settings.read_text() + "compare_conditions:\n  confidence: 0.9\n")
    printed, status = snakemake(finished, "--config", "study=tiny", cores=1)
    assert status != 0
    assert "holds the results of the run before" in printed
    assert "Results cannot be written (No space left on device)" in printed
    assert "Traceback" not in printed
    assert bytes_of(results) == before
    step.write_text(works, encoding="utf-8")
    printed, status = snakemake(finished, "--config", "study=tiny", cores=1)
    assert status == 0, printed[-3000:]
    assert "rule compare_conditions:" not in printed
    assert "confidence: 0.9\n" in (results / "provenance" / "settings.yaml").read_text()
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
