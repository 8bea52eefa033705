"""Copies of the project in other folders, and small studies to run in them."""

import os
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from study.loading import Study
from study.problems import Problems, StudyError
from study.settings import Settings
from study.settings_files import default_values, merged

PROJECT = Path(__file__).resolve().parents[1]
PARTS = (
    "Snakefile",
    "CITATION.cff",
    "pyproject.toml",
    "requirements.lock",
    "config",
    "scripts",
    "workflow",
)
SNAKEMAKE = Path(sys.executable).with_name("snakemake")


def copy_of_project(folder):
    """A copy of everything that a run needs, without results."""
    folder.mkdir(parents=True)
    for part in PARTS:
        source = PROJECT / part
        if source.is_dir():
            shutil.copytree(source, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(source, folder / part)
    return folder


def snakemake(folder, *words, cores=2):
    """Run snakemake as a user would type it; gives what it printed and its exit status."""
    command = [SNAKEMAKE, "--cores", str(cores), *words]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=900)
    return done.stdout + done.stderr, done.returncode


def run_study(folder, study, *targets, cores=2):
    """Run a study to its end; a failure shows what was printed."""
    printed, status = snakemake(folder, "--config", f"study={study}", "--", *targets, cores=cores)
    assert status == 0, printed[-6000:]
    return folder / "results" / Path(study).name


def made(study, *names):
    """Results of a study, or those named, made in one process and without the engine's care."""
    results = study.with_name(f"{study.name}_results")
    printed, status = snakemake(
        *(study.parent, "--snakefile", PROJECT / "Snakefile", "-n", "--printshellcmds"),
        *("--config", f"study={study}", f"results={results}", "--"),
        *(results / name for name in names),
    )
    assert status == 0, printed[-6000:]
    done = subprocess.run(
        [sys.executable, PROJECT / "tests" / "one_process.py", results],
        cwd=study.parent,
        env=os.environ | {"PYTHONPATH": str(PROJECT / "scripts")},
        input=printed,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr[-6000:]
    return results


def write_tsv(path, rows):
    """Rows of dictionaries as a table of a study folder."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    lines = ["\t".join(columns)]
    lines += ["\t".join(str(row.get(name, "n/a")) for name in columns) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_tiny_study(folder, participants=("sub-01", "sub-02", "sub-03"), visits=(1, 2, 3)):
    """Some people, short visits, an exercise of arm and of leg: intervals and saturation."""
    (folder / "raw").mkdir(parents=True)
    orders = ("ABC", "BCA", "CAB", "ACB", "BAC", "CBA")
    write_tsv(
        folder / "participants.tsv",
        [{"participant_id": p, "age_years": 25 + n} for n, p in enumerate(participants)],
    )
    sessions, recordings, events, occlusion = [], [], [], []
    for n, person in enumerate(participants):
        order = orders[n % len(orders)]
        occlusion += [
            _labels(person, None)
            | {
                "limb": limb,
                "side": "right",
                "posture": "seated",
                "cuff_width_cm": 10,
                "occlusion_pressure_mmhg": 150 + 5 * n,
                "method": "doppler",
            }
            for limb in ("arm", "leg")
        ]
        for visit in visits:
            session = f"ses-{visit}"
            level = "ABC".index(order[visit - 1])
            sessions.append(_labels(person, session) | {"visit": visit, "sequence": order})
            events += _events(person, session, ("none", "low", "target")[level], level)
            stem = f"raw/{person}_{session}"
            intervals, saturation = _recorded(100 * n + visit, level)
            (folder / f"{stem}_intervals.txt").write_text(intervals, encoding="utf-8")
            (folder / f"{stem}_saturation.csv").write_text(saturation, encoding="utf-8")
            recordings += [
                _labels(person, session)
                | {
                    "signal": "rr",
                    "file": f"{stem}_intervals.txt",
                    "unit": "ms",
                    **dict.fromkeys(("channel", "time_column", "site", "position"), "n/a"),
                    "clock_offset_s": 0,
                },
                _labels(person, session)
                | {
                    "signal": "muscle_oxygen",
                    "file": f"{stem}_saturation.csv",
                    "channel": "smo2",
                    "time_column": "time",
                    "unit": "pct",
                    "site": "muscle",
                    "position": "distal",
                    "clock_offset_s": 0,
                },
            ]
    write_tsv(folder / "sessions.tsv", sessions)
    write_tsv(folder / "occlusion.tsv", occlusion)
    write_tsv(folder / "recordings.tsv", recordings)
    write_tsv(folder / "events.tsv", events)
    (folder / "study.yaml").write_text(
        'study:\n  title: "Invented tiny study"\n  conditions: ["none", "low", "target"]\n'
        "measure_outcomes:\n  baseline_settle_s: 20.0\n",
        encoding="utf-8",
    )
    return folder


def change(study, table, old, new, count=1):
    """Replace a text in a table of a study, which must stand there."""
    path = study / table
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, count), encoding="utf-8")


def message_of(study):
    """What a person reads of a study that is refused."""
    with pytest.raises(StudyError) as raised:
        Study(study)
    return str(raised.value)


SETS = (("curtsy", "leg", 160.0), ("pull", "arm", 300.0))
SET_S = 40.0


def settings_with(**sections):
    """The default settings with those of some sections changed."""
    return Settings.model_validate(merged(default_values(Problems()), sections))


def _labels(person, session):
    return {"participant_id": person} | ({"session_id": session} if session else {})


def _events(person, session, condition, level):
    labels = _labels(person, session)
    pressure = (0, 30, 90)[level]
    events = [labels | {"onset_s": 0, "duration_s": 140, "trial_type": "baseline"}]
    for exercise, limb, onset in SETS:
        row = labels | {
            "condition": condition,
            "exercise": exercise,
            "limb": limb,
            "side": "right",
            "posture": "seated",
            "bout": 1,
            "cuff_pressure_mmhg": pressure,
        }
        events.append(
            row | {"onset_s": onset, "duration_s": SET_S, "trial_type": "set", "reps_done": 12}
        )
        events.append(row | {"onset_s": onset - 10, "duration_s": SET_S + 12, "trial_type": "cuff"})
    events.append(labels | {"onset_s": 410, "duration_s": 180, "trial_type": "recovery"})
    return events


def _course(time_s, rest, worked, tau_s):
    """A value that moves towards `worked` in every set and back to `rest` after it."""
    value = np.full(time_s.shape, float(rest))
    for _, _, onset in SETS:
        into = np.clip(time_s - onset, 0, SET_S)
        after = np.clip(time_s - onset - SET_S, 0, None)
        value += (worked - rest) * (1 - np.exp(-into / tau_s)) * np.exp(-after / tau_s)
    return value


@cache
def _recorded(seed, level):
    """What two recorders wrote in a visit."""
    rng = np.random.default_rng(seed)
    return _intervals(rng, level), _saturation(rng, level)


def _intervals(rng, level):
    beats, phase = [0.0], rng.uniform(0, 6)
    while beats[-1] < 600:
        now = beats[-1]
        rate = _course(np.array([now]), 70, 100 + 3 * level, 15.0)[0]
        wave = 1 + 0.03 * np.sin(2 * np.pi * 0.25 * now + phase)
        beats.append(now + 60 / rate * wave)
    intervals = np.round(np.diff(beats) * 1000).astype(int)
    return "\n".join(map(str, intervals)) + "\n"


def _saturation(rng, level):
    time_s = np.arange(0, 600, 0.5)
    ripple = 1.5 * np.sin(2 * np.pi * 0.3 * time_s)
    working = sum(((time_s >= o) & (time_s < o + SET_S)).astype(float) for _, _, o in SETS)
    value = _course(time_s, 65, 50 - 8 * level, 10.0) + ripple * working
    value += rng.normal(0, 0.4, len(time_s))
    lines = [f"{t:.1f};{v:.1f}".replace(".", ",") for t, v in zip(time_s, value, strict=True)]
    return "time;smo2\n" + "\n".join(lines) + "\n"
