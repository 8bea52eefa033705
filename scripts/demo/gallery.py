"""Write and run four invented studies of different shapes, and a page that shows their reports.

python3.11 scripts/launch.py gallery FOLDER

Costs some two minutes on two cores; what was made is not made again.
"""

import csv
import os
import shutil
import subprocess
import sys
from pathlib import Path

from demo.one_person import write_one_person
from demo.practice import write_practice
from engine.command_line import parser_of
from recordings.writing import write_rows
from results.typesetting import TEMPLATES

PROJECT = Path(__file__).resolve().parents[2]
DEMO = PROJECT / "data_demo"
PEOPLE_WITHOUT_LOG = ("sub-04", "sub-05")

# exercises of the demo study that they leave out, and the muscles that work in them
LEFT_OUT = {"calf_raise": "gastrocnemius", "band_row": "biceps brachii"}


def without_cuff_log(folder):
    """Two people of the demo study whose cuffs nobody noted or recorded beside the sets."""
    folder.mkdir(parents=True)
    words = {"cuff", "cuff_pressure", *LEFT_OUT, *LEFT_OUT.values()}
    settings = (DEMO / "study.yaml").read_text(encoding="utf-8")
    for exercise, muscle in LEFT_OUT.items():
        settings = settings.replace(f"    {exercise}: {muscle}\n", "")
        settings = settings.replace(f", {exercise}", "")
    (folder / "study.yaml").write_text(settings, encoding="utf-8")
    for person in PEOPLE_WITHOUT_LOG:
        shutil.copytree(DEMO / "raw" / person, folder / "raw" / person)
    for name in ("participants", "sessions", "occlusion", "recordings", "events"):
        with (DEMO / f"{name}.tsv").open(encoding="utf-8", newline="") as file:
            header, *table = csv.reader(file, "excel-tab")
        whose = header.index("participant_id")
        kept = [row for row in table if row[whose] in PEOPLE_WITHOUT_LOG and not words & set(row)]
        write_rows([header, *kept], folder / f"{name}.tsv")


# name, title, what it shows, and what writes it; None where it lies in the project
GALLERY = (
    (
        "data_demo",
        "Ten people, three conditions",
        "ECG or beat intervals, saturation of four muscles, three visits each: every figure, table "
        "and claim.",
        None,
    ),
    (
        "one_person",
        "One person, one visit",
        "Three pressures one after the other: set by set, with no comparison between people.",
        write_one_person,
    ),
    (
        "intervals_only",
        "Beat intervals only",
        "Six people, two conditions with labels of their own, one file of intervals a visit.",
        lambda folder: write_practice(folder, with_mistakes=False),
    ),
    (
        "no_cuff_log",
        "No cuff log",
        "Two people whose cuff pressures stand on the sets alone: what can be said of pressures, "
        "and what cannot.",
        without_cuff_log,
    ),
)


def main(words=None):
    """The command; exit status 1 where a study did not run."""
    options = parser_of("gallery", __doc__)
    options.add_argument("folder", type=Path)
    folder = options.parse_args(words).folder
    failed = []
    for name, title, _, write in GALLERY:
        study = DEMO if write is None else folder / "studies" / name
        if not study.exists():
            write(study)
        print(f"{title}: {study}", flush=True)
        settings = [f"study={os.path.relpath(study)}", f"results={os.path.relpath(folder / name)}"]
        command = ["snakemake", "--cores", "2", "--config", *settings]
        told = os.environ | {"CUFFSTUDY_PROGRESS": "yes"}
        if subprocess.run([sys.executable, "-m", *command], cwd=PROJECT, env=told).returncode:
            failed.append(title)
    (folder / "index.html").write_text(gallery_page(), encoding="utf-8")
    print(f"Open {folder / 'index.html'}")
    if failed:
        sys.exit(f"Did not run to the end: {', '.join(failed)}.")


def gallery_page():
    """HTML of the page, which links to the results beside it."""
    from report.page import templates_of
    from report.policy import inlined

    templates = templates_of(TEMPLATES)
    shown = [dict(zip(("name", "title", "says"), entry, strict=False)) for entry in GALLERY]
    texts = inlined(templates, style=["report.css", "start.css"])
    return templates.get_template("gallery.html.jinja").render(studies=shown, **texts)


if __name__ == "__main__":
    main()
