"""Kill runs at random moments, fill the disk, start two at once, set the clock back.

python3.11 scripts/launch.py benchmark kills --study folder --kills 50

The study is run undisturbed under two values of a setting. Then, again and again, the setting is
changed, so that everything has to be made again, the run is killed up to three times (SIGKILL, to
Snakemake alone or to its jobs too), and taken up. Every file must then have the bytes of the
undisturbed run under that setting, without a word to unlock.

Before that come a limit of file sizes, a full disk (where a small one can be mounted), a second run
while one is alive, and results from the future: the run says in plain words what is wrong, what
stood there before is whole, and the next run ends right.
"""

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

from engine.command_line import parser_of
from results.manifest import sha256_of

# the time of a run, and what the engine notes for itself
NOT_COMPARED = ("ro-crate-metadata.json", ".snakemake_timestamp")

# seconds left out at the start of a baseline
SETTLED_S = (20.0, 21.0)


def main():
    words = parser_of("benchmark kills", __doc__)
    words.add_argument("--study", default="data_demo")
    words.add_argument("--kills", type=int, default=50)
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        faults = faults_of(asked.study, asked.kills, asked.seed, Path(temporary))
    print("\n".join(faults) or f"{asked.kills} kills: every run ended in the same bytes.")
    sys.exit(bool(faults))


def faults_of(study, kills, seed, folder):
    """What went wrong, a line each; empty where every run that was taken up ended the same."""
    began = time.monotonic()
    settings = {s: folder / f"{s:g}.yaml" for s in SETTLED_S}
    for settled_s, path in settings.items():
        path.write_text(f"measure_outcomes:\n  baseline_settle_s: {settled_s}\n")
    undisturbed = {s: bytes_of(run(study, folder / f"{s:g}", f)) for s, f in settings.items()}
    length_s = (time.monotonic() - began) / len(settings)
    results = folder / "killed"
    run(study, results, settings[SETTLED_S[0]])
    faults = adversities(study, results, settings, undisturbed, length_s)
    return faults + killed_runs(study, results, settings, undisturbed, length_s, kills, seed)


def adversities(study, results, settings, undisturbed, length_s):
    """Faults under a limit of file sizes, a full disk, two runs at once and results of tomorrow.

    `results` are whole under the first setting at the start and at the end of each.
    """
    first, second = SETTLED_S
    faults = []

    def expect(name, is_so):
        print(f"{name}: {'as it should be' if is_so else 'FAULT'}", flush=True)
        if not is_so:
            faults.append(name)

    def failed_plainly(done):
        said = done.stdout + done.stderr
        return done.returncode != 0 and "Traceback" not in said

    def expect_right(name, results, settled_s):
        expect(name, bytes_of(run(study, results, settings[settled_s])) == undisturbed[settled_s])

    limited = attempt(study, results, settings[second], preexec_fn=limit_file_sizes)
    expect("a limit of file sizes is told in plain words", failed_plainly(limited))
    expect("results before it are whole", bytes_of(results) == undisturbed[first])
    expect_right("the run after it ends right", results, second)

    with small_disk(results.parent / "disk") as disk:
        if disk is None:
            print("a full disk: not tried, none can be mounted here", flush=True)
        else:
            results_on_disk = disk / "results"
            run(study, results_on_disk, settings[first])
            filler = disk / "filler"
            free = os.statvfs(disk)
            filler.write_bytes(bytes(max(0, free.f_bavail * free.f_frsize - FREE_BYTES)))
            full = attempt(study, results_on_disk, settings[second])
            expect("a full disk is told in plain words", failed_plainly(full))
            expect("results before it are whole", bytes_of(results_on_disk) == undisturbed[first])
            filler.unlink()
            expect_right("the run after it ends right", results_on_disk, second)

    alive = subprocess.Popen(
        command(study, results, settings[first]),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    # so that the first is under way and has not ended, however busy the machine was before
    time.sleep(min(length_s / 4, 5.0))
    beside = attempt(study, results, settings[first])
    expect(
        "a second run is stopped",
        failed_plainly(beside) and "another run" in beside.stdout + beside.stderr,
    )
    expect(
        "the first of two ends right", alive.wait() == 0 and bytes_of(results) == undisturbed[first]
    )

    tomorrow = time.time() + 86_400
    for path in results.rglob("*"):
        os.utime(path, (tomorrow, tomorrow))
    expect_right("results from the future are made again under another setting", results, second)
    expect_right("and back", results, first)
    return faults


FREE_BYTES = 200_000
LARGEST_FILE_BYTES = 100_000


def limit_file_sizes():
    """No file of this process may grow beyond a limit that its results exceed."""
    import resource

    resource.setrlimit(resource.RLIMIT_FSIZE, (LARGEST_FILE_BYTES, LARGEST_FILE_BYTES))


@contextmanager
def small_disk(mount):
    """A disk of 200 MB in memory at a place, or None where this user cannot mount one."""
    mount.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=200m", "tmpfs", str(mount)]
    try:
        mounted = subprocess.run(words, capture_output=True).returncode == 0  # noqa: S603
    except OSError:
        mounted = False
    try:
        yield mount if mounted else None
    finally:
        if mounted:
            subprocess.run(["umount", str(mount)], check=True)  # noqa: S603, S607


def killed_runs(study, results, settings, undisturbed, length_s, kills, seed):
    """Faults after kills at random moments, a line each."""
    chance, faults, done, number = random.Random(seed), [], 0, 0
    while done < kills:
        number += 1
        now = SETTLED_S[number % 2]
        for again in range(min(chance.randint(1, 3), kills - done)):
            after_s, whole_group = chance.uniform(0.2, length_s), chance.random() < 0.5
            ended_s = killed_run(study, results, settings[now], after_s, whole_group=whole_group)
            if ended_s is not None:
                # no kill; where everything had to be made, it tells how long a run takes by now
                length_s = length_s if again else ended_s
                break
            done += 1
            whom = "all processes" if whole_group else "snakemake alone"
            print(f"kill {done}, after {after_s:.1f} s, of {whom}", flush=True)
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


def attempt(study, results, settings, **more):
    """A run, whatever becomes of it."""
    words = command(study, results, settings)
    return subprocess.run(words, capture_output=True, text=True, **more)


def run(study, results, settings):
    """A run to its end; its folder of results."""
    done = attempt(study, results, settings)
    if done.returncode:
        raise RuntimeError((done.stdout + done.stderr)[-3000:])
    return results


def killed_run(study, results, settings, after_s, *, whole_group):
    """A run that is killed. Where it ended by itself before, after how many seconds."""
    began = time.monotonic()
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
        return None
    return time.monotonic() - began


def bytes_of(results):
    """SHA-256 of every result by its path."""
    return {
        path.relative_to(results).as_posix(): sha256_of(path)
        for path in sorted(results.rglob("*"))
        if path.is_file()
        and path.name not in NOT_COMPARED
        and "logs" not in path.relative_to(results).parts
    }


if __name__ == "__main__":
    main()
