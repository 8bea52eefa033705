"""Write a small invented study with four planted mistakes, for the tutorial.

python3.11 scripts/launch.py practice FOLDER

Six people, two visits, beat intervals only: see workflow/guide/tutorial.md.
"""

import random
from math import exp, pi, sin
from pathlib import Path

from engine.command_line import parser_of
from recordings.writing import write_rows

PEOPLE = [f"sub-{number:02d}" for number in range(1, 7)]
CONDITIONS = ("no_cuff", "cuff")

# exercise, onset and duration of the sets of a visit, in s on the session clock
SETS = [("squat", 240.0, 45.0), ("squat", 345.0, 45.0), ("squat", 450.0, 45.0)]

END_S = 760.0

# heart rate at rest and in work, bpm, without and with a cuff: invented
REST_BPM, WORK_BPM = 68.0, {"no_cuff": 112.0, "cuff": 119.0}

SETTINGS = """\
study:
  title: "Practice: three sets of squats with and without cuffs"
  conditions: ["no_cuff", "cuff"]
  exercises: [squat]
  primary_outcomes:
    - {outcome: mean_hr_bpm, window: set}
protocol:
  no_cuff_condition: "no_cuff"
"""


def intervals_ms(condition, seed):
    """Beat intervals of a visit in ms: rest, three sets and recovery, with breathing and noise."""
    rng = random.Random(seed)
    faster = rng.gauss(0, 4)
    now_s, intervals = 0.0, []
    while now_s < END_S:
        rise = 0.0
        for _, onset_s, duration_s in SETS:
            into_s = min(max(now_s - onset_s, 0.0), duration_s)
            after_s = max(now_s - onset_s - duration_s, 0.0)
            rise = max(rise, (1 - exp(-into_s / 15)) * exp(-after_s / 30))
        rate_bpm = REST_BPM + faster + (WORK_BPM[condition] - REST_BPM) * rise
        wave = 1 + 0.03 * (1 - rise) * sin(2 * pi * 0.25 * now_s)
        length_ms = round(60000 / rate_bpm * wave + rng.gauss(0, 6))
        intervals.append(length_ms)
        now_s += length_ms / 1000
    return intervals


def write_practice(folder, *, with_mistakes=True):
    """Write the study, with its planted mistakes or without."""
    (folder / "raw").mkdir(parents=True)
    sessions, recordings, events = [], [], []
    for number, person in enumerate(PEOPLE):
        order = "AB" if number % 2 == 0 else "BA"
        for visit, letter in enumerate(order, start=1):
            condition = CONDITIONS["AB".index(letter)]
            labels = [person, f"ses-{visit}"]
            file = f"raw/{person}_ses-{visit}.txt"
            beats = intervals_ms(condition, seed=100 * number + visit)
            (folder / file).write_text("\n".join(map(str, beats)) + "\n")
            sessions.append([*labels, str(visit), order])
            recordings.append([*labels, "rr", file, "ms", "0"])
            events.append([*labels, "0", "200", "baseline", *["n/a"] * 3])
            events += [
                [*labels, f"{onset:g}", f"{length:g}", "set", condition, exercise, str(bout)]
                for bout, (exercise, onset, length) in enumerate(SETS, start=1)
            ]
            events.append([*labels, "500", "240", "recovery", *["n/a"] * 3])
    if with_mistakes:
        # unit, clock, misspelt condition, a file that was not copied whole
        recordings[2][4] = "s"
        recordings[5][5] = "n/a"
        next(row for row in events if row[5] == "cuff")[5] = "cuf"
        (folder / recordings[9][3]).write_text("")
    visit = ["participant_id", "session_id"]
    timed = ["onset_s", "duration_s", "trial_type", "condition", "exercise", "bout"]
    for name, lines in {
        "participants": [visit[:1], *([person] for person in PEOPLE)],
        "sessions": [[*visit, "visit", "sequence"], *sessions],
        "recordings": [[*visit, "signal", "file", "unit", "clock_offset_s"], *recordings],
        "events": [[*visit, *timed], *events],
    }.items():
        write_rows(lines, folder / f"{name}.tsv")
    (folder / "study.yaml").write_text(SETTINGS, encoding="utf-8")


def main(words=None):
    """The command."""
    options = parser_of("practice", __doc__)
    options.add_argument("folder", type=Path)
    folder = options.parse_args(words).folder
    if folder.exists():
        options.error(f"{folder} is there already; name another folder")
    write_practice(folder)
    print(f"{folder} holds an invented study with four mistakes: launch.py check {folder}")


if __name__ == "__main__":
    main()
