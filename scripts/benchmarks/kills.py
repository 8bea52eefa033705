"""Kill runs at random moments and see whether the next run ends in the same bytes.

python3.11 scripts/launch.py benchmark kills --study folder --kills 50

The study is run undisturbed under two values of a setting. Then, again and again, the setting is
changed, so that everything has to be made again, the run is killed up to three times (SIGKILL, to
Snakemake alone or to its jobs too), and taken up. Every file must then have the bytes of the
undisturbed run under that setting, without a word to unlock.
"""

import argparse
import hashlib
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

# the time of a run, and what the engine notes for itself
NOT_COMPARED = ("ro-crate-metadata.json", ".snakemake_timestamp")

# seconds left out at the start of a baseline
SETTLED_S = (20.0, 21.0)


def main():
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("--study", default="data_demo")
    words.add_argument("--kills", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        faults = killed_runs(asked.study, asked.kills, asked.seed, Path(temporary))
    print("\n".join(faults) or f"{asked.kills} kills: every run ended in the same bytes.")
    sys.exit(bool(faults))


def killed_runs(study, kills, seed, folder):
    """What went wrong, a line each; empty where every run that was taken up ended the same."""
    chance, faults, done = random.Random(seed), [], 0
    began = time.monotonic()
    settings = {s: folder / f"{s:g}.yaml" for s in SETTLED_S}
    for settled_s, path in settings.items():
        path.write_text(f"measure_outcomes:\n  baseline_settle_s: {settled_s}\n")
    undisturbed = {s: bytes_of(run(study, folder / f"{s:g}", f)) for s, f in settings.items()}
    length_s = (time.monotonic() - began) / len(settings)
    results = folder / "killed"
    run(study, results, settings[SETTLED_S[0]])
    number = 0
    while done < kills:
        number += 1
        now = SETTLED_S[number % 2]
        for _ in range(min(chance.randint(1, 3), kills - done)):
            after_s, whole_group = chance.uniform(0.2, length_s), chance.random() < 0.5
            killed = killed_run(study, results, settings[now], after_s, whole_group=whole_group)
            done += 1
            whom = "all processes" if whole_group else "snakemake alone"
            told = f"kill {done}, after {after_s:.1f} s, of {whom}"
            print(told if killed else f"{told}: had ended", flush=True)
        try:
            after = bytes_of(run(study, results, settings[now]))
        except RuntimeError as fault:
            faults.append(f"run after kill {done} failed: {fault}")
            continue
        wanted = undisturbed[now]
        differing = [f for f in wanted.keys() | after.keys() if wanted.get(f) != after.get(f)]
        if differing:
            faults.append(f"after kill {done} other bytes: {', '.join(sorted(differing))}")
    return faults


def command(study, results, settings):
    """The run of a study as a user would type it, with the default profile."""
    return [
        *(str(Path(sys.executable).with_name("snakemake")), "--cores", "1", "--quiet", "all"),
        *("--workflow-profile", "workflow/profiles/default"),
        *("--config", f"study={study}", f"results={results}"),
        *("--configfile", str(settings)),
    ]


def run(study, results, settings):
    """A run to its end; its folder of results."""
    done = subprocess.run(command(study, results, settings), capture_output=True, text=True)
    if done.returncode:
        raise RuntimeError((done.stdout + done.stderr)[-3000:])
    return results


def killed_run(study, results, settings, after_s, *, whole_group):
    """A run that is killed; whether it was still alive then."""
    started = subprocess.Popen(
        command(study, results, settings),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        started.wait(after_s)
    except subprocess.TimeoutExpired:
        if whole_group:
            os.killpg(started.pid, signal.SIGKILL)
        else:
            started.kill()
        started.wait()
        return True
    return False


def bytes_of(results):
    """SHA-256 of every result by its path."""
    return {
        path.relative_to(results).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(results.rglob("*"))
        if path.is_file()
        and path.name not in NOT_COMPARED
        and "logs" not in path.relative_to(results).parts
    }


if __name__ == "__main__":
    main()
