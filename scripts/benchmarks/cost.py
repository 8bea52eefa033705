"""What a study costs: CPU, memory and bytes of a whole run, as JSON that later runs compare with.

    python3.11 scripts/launch.py benchmark cost --out cost.json [--study FOLDER] [--cores 1]
                       [--checkout FOLDER] [--against earlier.json] [--neurokit]

Runs the study from nothing in a new folder, then asks for nothing new, then for one person alone.
CPU seconds are those of whole process trees (user and system, from wait4); seconds differ from one
machine and hour to the next, so every cost is also given in units: one unit is the CPU of a fresh
interpreter that imports numpy, pandas and pyarrow, measured in the same run. `--against` prints how
many times the cost of an earlier run each cost is, in units. `--checkout` measures another copy of
the project, with the environment of that copy. `--neurokit` adds a plain neurokit2 script on one
ECG session and the same windows, in one process of one thread. It is held against two things: the
whole job of a person over the person's sessions (saturation, cuff pressures and session pages
among it), and `our_ecg_session`, one process that takes the same ECG of the same session alone
from its file to all outcomes, without pages. Timings are no tests: nothing here fails because it
is slow.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

PROJECT = Path(__file__).resolve().parents[2]
UNIT = "import numpy, pandas, pyarrow"

# as Snakemake gives a job of one thread
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

# Snakemake starts every job as `bash -c <text>`, and bash reads the file that BASH_ENV names first.
JOB_METER = """\
if [ -z "${COST_OF_JOB:-}" ] && [ -n "${BASH_EXECUTION_STRING:-}" ]; then
  export COST_OF_JOB=1
  exec %(python)s %(meter)s "$BASH_EXECUTION_STRING"
fi
"""

JOB_METER_PYTHON = """\
import json, os, sys, time
started = time.monotonic()
child = os.posix_spawn("/bin/bash", ["bash", "-c", sys.argv[1]], os.environ)
_, status, used = os.wait4(child, 0)
row = {
    "command": sys.argv[1],
    "environment": dict(os.environ),
    "cpu_s": used.ru_utime + used.ru_stime,
    "peak_mb": used.ru_maxrss / 1024,
    "wall_s": time.monotonic() - started,
}
with open(os.environ["COST_OF_JOBS"], "a") as jobs:
    jobs.write(json.dumps(row) + "\\n")
sys.exit(os.waitstatus_to_exitcode(status))
"""


@dataclass
class Run:
    """One command and the jobs that it started; `cpu_s` is that of the whole tree."""

    cpu_s: float
    wall_s: float
    output: str
    jobs: list[dict] = field(default_factory=list)


@dataclass(frozen=True)
class Study:
    """A study as one checkout runs it, with its results in a folder of their own."""

    checkout: Path
    folder: Path
    results: Path
    cores: int

    def run(self, *words: str) -> Run:
        """Run Snakemake for these targets and measure it and each of its jobs."""
        command = [
            str(self.checkout / ".venv/bin/snakemake"),
            *words,
            *("--cores", str(self.cores), "--scheduler", "greedy"),
            *("--config", f"study={self.folder}", f"results={self.results}"),
        ]
        with metered_jobs() as (environment, metered):
            run = measured(command, self.checkout, environment)
            run.jobs = metered()
        return run


@contextmanager
def metered_jobs() -> Iterator[tuple]:
    """An environment in which every shell job writes down what it used, and a way to read that."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        meter, start, metered = folder / "meter.py", folder / "start.sh", folder / "jobs.jsonl"
        meter.write_text(JOB_METER_PYTHON)
        start.write_text(JOB_METER % {"python": sys.executable, "meter": meter})
        environment = os.environ | {"BASH_ENV": str(start), "COST_OF_JOBS": str(metered)}

        def read():
            lines = metered.read_text().splitlines() if metered.exists() else []
            return [json.loads(line) for line in lines]

        yield environment, read


def measured(command: list[str], where: Path, environment: dict | None = None) -> Run:
    """Run a command to its end; stop with its last lines when it fails."""
    with tempfile.TemporaryFile("w+", encoding="utf-8") as said:
        started = time.monotonic()
        child = subprocess.Popen(
            command, cwd=where, env=environment, stdout=said, stderr=subprocess.STDOUT
        )
        _, status, used = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        wall_s = time.monotonic() - started
        said.seek(0)
        output = said.read()
    if child.returncode:
        sys.exit(f"{' '.join(command)}\nended with {child.returncode}:\n{output[-3000:]}")
    return Run(used.ru_utime + used.ru_stime, wall_s, output)


def unit_cpu_s(python: Path) -> float:
    """CPU of the unit: the median of five fresh interpreters, the first warms the disk."""
    runs = [measured([str(python), "-c", UNIT], PROJECT).cpu_s for _ in range(6)]
    return statistics.median(runs[1:])


def step_of(command: str) -> str:
    """The rule of a job, from the log that its command writes to."""
    named = re.search(r"/logs/(\w+)(?:/[^/\s]+)?\.log", command)
    return named[1] if named else command.split()[0]


def by_step(jobs: list[dict]) -> dict[str, dict]:
    """Jobs, CPU, wall time and peak memory of every step, the dearest first."""
    steps: dict[str, dict] = {}
    for job in jobs:
        step = steps.setdefault(
            step_of(job["command"]), {"jobs": 0, "cpu_s": 0.0, "wall_s": 0.0, "peak_mb": 0.0}
        )
        step["jobs"] += 1
        step["cpu_s"] += job["cpu_s"]
        step["wall_s"] += job["wall_s"]
        step["peak_mb"] = max(step["peak_mb"], job["peak_mb"])
        step["longest_command_bytes"] = max(
            step.get("longest_command_bytes", 0), len(job["command"].encode())
        )
    return dict(sorted(steps.items(), key=lambda of_step: -of_step[1]["cpu_s"]))


def bytes_in(folder: Path) -> int:
    """Bytes of all files below a folder, or of one file."""
    files = [folder] if folder.is_file() else folder.rglob("*")
    return sum(path.stat().st_size for path in files if path.is_file())


def rows_of(path: Path) -> list[dict]:
    """Rows of a table of a study or of results."""
    with path.open(encoding="utf-8-sig", newline="") as table:
        return list(csv.DictReader(table, delimiter="\t"))


def bytes_of_recordings(study: Path) -> int:
    """Bytes of all raw files that recordings.tsv names, each counted once."""
    return sum(bytes_in(study / file) for file in {r["file"] for r in rows_of(recordings(study))})


def recordings(study: Path) -> Path:
    return study / "recordings.tsv"


def first_ecg(study: Path) -> dict | None:
    """The row of the first ECG in EDF; None where a study has none."""
    listed = rows_of(recordings(study))
    is_ecg = (r["signal"] == "ecg" and r["file"].endswith(".edf") for r in listed)
    return next((row for row, chosen in zip(listed, is_ecg, strict=True) if chosen), None)


def our_ecg_session(study: Study, ecg: dict, folder: Path) -> Run | None:
    """Our steps from this ECG alone to the outcomes of its session, as one process without pages.

    A study of the one session and the one recording is run; the job of its person is then called
    once more up to its outcomes. None where a person takes several jobs, as in early checkouts.
    """
    if not (study.checkout / "scripts/write_session_pages.py").exists():
        return None
    alone = Study(study.checkout, folder / "one_ecg", folder / "one_ecg_results", study.cores)
    of_session = {key: ecg[key] for key in ("participant_id", "session_id")}
    write_part(study.folder, alone.folder, ecg, of_session)
    target = alone.results / f"participants/{ecg['participant_id']}/outcomes.tsv.gz"
    (job,) = alone.run(str(target), "-q", "all").jobs
    steps, _, _ = job["command"].partition(" --then write_session_pages")
    return measured(["bash", "-c", steps], study.checkout, job["environment"])


def write_part(study: Path, into: Path, recording: dict, of_session: dict) -> None:
    """A copy of a study that holds one recording and what its tables say of its session."""
    (into / recording["file"]).parent.mkdir(parents=True)
    shutil.copy(study / recording["file"], into / recording["file"])
    if (study / "study.yaml").exists():
        shutil.copy(study / "study.yaml", into)
    for name in ("participants", "sessions", "recordings", "events"):
        listed = rows_of(study / f"{name}.tsv")
        only = recording if name == "recordings" else of_session
        with (into / f"{name}.tsv").open("w", encoding="utf-8", newline="") as table:
            written = csv.DictWriter(table, listed[0], delimiter="\t", lineterminator="\n")
            written.writeheader()
            written.writerows(
                row for row in listed if all(row.get(k, v) == v for k, v in only.items())
            )


def neurokit_session(study: Study, ecg: dict, folder: Path) -> Run:
    """A plain neurokit2 script on one ECG, over the windows that our run measured."""
    session = {key: ecg[key] for key in ("participant_id", "session_id")}

    def of_session(table: str) -> list[dict]:
        return [row for row in rows_of(study.results / table) if session.items() <= row.items()]

    clock = next(row for row in of_session("sync.tsv") if row["signal"] == "ecg")
    spans = {
        (float(row["start_s"]), float(row["end_s"]))
        for row in of_session("quality.tsv")
        if row["signal"] == "beats"
    }
    offset_s = float(clock["offset_s"])
    lines = [f"{start - offset_s}\t{end - offset_s}" for start, end in sorted(spans)]
    windows = folder / "windows.tsv"
    windows.write_text("\n".join(["start_s\tend_s", *lines]) + "\n")
    script = Path(__file__).with_name("plain_session.py")
    python = study.checkout / ".venv/bin/python"
    command = [
        str(python),
        str(script),
        str(study.folder / ecg["file"]),
        ecg["channel"],
        str(windows),
    ]
    return measured(command, folder, os.environ | ONE_THREAD)


def measure(checkout: Path, folder: Path, *, cores: int, neurokit: bool, keep: Path | None) -> dict:
    """Everything that this benchmark knows of one checkout and one study."""
    python = checkout / ".venv/bin/python"
    person = rows_of(folder / "participants.tsv")[0]["participant_id"]
    sessions = rows_of(folder / "sessions.tsv")
    with tempfile.TemporaryDirectory() as temporary:
        results = keep or Path(temporary) / "results"
        study = Study(checkout, folder, results, cores)
        alone = Study(checkout, folder, Path(temporary) / "alone", cores)
        units = [unit_cpu_s(python)]
        plan = study.run("-n", "-q", "all")
        whole = study.run("-q", "all")
        units.append(unit_cpu_s(python))
        again = study.run("-q", "all")
        plan_again = study.run("-n", "-q", "all")
        if again.jobs:
            sys.exit(f"A second run was not idle: {sorted(by_step(again.jobs))}")
        # packed or not, as the checkout writes it
        (outcomes,) = results.glob(f"participants/{person}/outcomes.tsv*")
        chain = alone.run(str(alone.results / outcomes.relative_to(results)), "-q", "all")
        ecg = first_ecg(folder) if neurokit else None
        if ecg:
            plain = neurokit_session(study, ecg, Path(temporary))
            our_ecg = our_ecg_session(study, ecg, Path(temporary))
        units.append(unit_cpu_s(python))
        sizes = {path.name: bytes_in(path) for path in sorted(results.iterdir())}
        if keep is None:
            shutil.rmtree(results)
    own_sessions = sum(row["participant_id"] == person for row in sessions)
    of_person = sum(job["cpu_s"] for job in chain.jobs)
    cpu_s = {
        "whole": whole.cpu_s,
        "jobs": sum(job["cpu_s"] for job in whole.jobs),
        "per_session": whole.cpu_s / len(sessions),
        "plan": plan.cpu_s,
        "nothing_to_do": again.cpu_s,
        "nothing_to_do_plan": plan_again.cpu_s,
        "one_person": of_person,
    }
    recorded = bytes_of_recordings(folder)
    ratios = {"results_to_recordings": sum(sizes.values()) / recorded}
    if ecg:
        cpu_s["neurokit2_session"] = plain.cpu_s
        ratios["neurokit2_to_our_session"] = plain.cpu_s / (of_person / own_sessions)
    if ecg and our_ecg:
        cpu_s["our_ecg_session"] = our_ecg.cpu_s
        ratios["neurokit2_to_our_ecg_session"] = plain.cpu_s / our_ecg.cpu_s
    unit = statistics.median(units)
    steps = by_step(whole.jobs)
    return {
        "study": folder.name,
        "people": len({row["participant_id"] for row in sessions}),
        "sessions": len(sessions),
        "cores": cores,
        "commit": commit_of(checkout),
        "unit": UNIT,
        "unit_cpu_s": unit,
        "jobs": len(whole.jobs),
        "wall_s": whole.wall_s,
        "peak_mb": max(step["peak_mb"] for step in steps.values()),
        "cpu_s": cpu_s,
        "in_units": {name: cost / unit for name, cost in cpu_s.items()},
        "ratios": ratios,
        "bytes": {"recordings": recorded, "results": sum(sizes.values()), "parts": sizes},
        "steps": steps,
    }


def commit_of(checkout: Path) -> str:
    """The commit that was measured, marked when files differ from it."""
    words = ["git", "-C", str(checkout), "describe", "--always", "--dirty", "--exclude=*"]
    return subprocess.run(words, capture_output=True, text=True).stdout.strip() or "unknown"


def summary(cost: dict) -> str:
    """One line per cost, then one per step."""
    lines = [
        f"{cost['study']} at {cost['commit']}: {cost['people']} people, "
        f"{cost['sessions']} sessions, {cost['jobs']} jobs, largest {cost['peak_mb']:.0f} MB, "
        f"results {cost['ratios']['results_to_recordings']:.2f} times the recordings"
    ]
    for name, cpu_s in cost["cpu_s"].items():
        lines.append(f"{name:24} {cpu_s:9.2f} CPU s {cost['in_units'][name]:9.1f} units")
    if ratio := cost["ratios"].get("neurokit2_to_our_session"):
        lines.append(f"neurokit2 costs {ratio:.1f} times a session in the job of a person")
    if ratio := cost["ratios"].get("neurokit2_to_our_ecg_session"):
        lines.append(f"neurokit2 costs {ratio:.1f} times the ECG of one session alone")
    for name, step in cost["steps"].items():
        lines.append(
            f"  {name:24} {step['jobs']:5d} jobs {step['cpu_s']:9.2f} CPU s "
            f"{step['peak_mb']:6.0f} MB {step['longest_command_bytes']:8d} bytes of command"
        )
    return "\n".join(lines)


def comparison(cost: dict, earlier: dict) -> str:
    """How many times the earlier cost each cost is, both in units of their own run."""
    lines = [f"{'times the cost of ' + earlier['commit']:40} {'before':>9} {'now':>9} {'ratio':>6}"]
    for name in cost["in_units"].keys() & earlier["in_units"].keys():
        lines.append(
            _compared(f"{name} (units)", earlier["in_units"][name], cost["in_units"][name])
        )
    for name in cost["ratios"].keys() & earlier["ratios"].keys():
        lines.append(_compared(name, earlier["ratios"][name], cost["ratios"][name]))
    lines.append(_compared("largest job (MB)", earlier["peak_mb"], cost["peak_mb"]))
    lines.append(_compared("jobs", earlier["jobs"], cost["jobs"]))
    return "\n".join([lines[0], *sorted(lines[1:])])


def _compared(name: str, before: float, now: float) -> str:
    return f"{name:40} {before:9.2f} {now:9.2f} {now / before:6.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--checkout", type=Path, default=PROJECT, help="copy of the project")
    parser.add_argument("--study", type=Path, help="study folder; the demo of the checkout")
    parser.add_argument("--cores", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="where the results stay; else they are removed")
    parser.add_argument("--neurokit", action="store_true", help="a plain neurokit2 script as well")
    parser.add_argument("--out", type=Path, help="JSON file to write")
    parser.add_argument("--against", type=Path, help="JSON file of an earlier run")
    chosen = parser.parse_args()
    checkout = chosen.checkout.resolve()
    study = (chosen.study or checkout / "data_demo").resolve()
    keep = chosen.keep and chosen.keep.resolve()
    if keep and keep.exists():
        sys.exit(f"{keep} exists: a run from nothing needs a new folder.")
    cost = measure(checkout, study, cores=chosen.cores, neurokit=chosen.neurokit, keep=keep)
    if chosen.out:
        chosen.out.write_text(json.dumps(cost, indent=2) + "\n", encoding="utf-8")
    print(summary(cost))
    if chosen.against:
        print(comparison(cost, json.loads(chosen.against.read_text(encoding="utf-8"))))


if __name__ == "__main__":
    main()
