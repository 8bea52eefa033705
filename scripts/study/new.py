"""Begin a study: a folder with tables, settings, orders of conditions and session sheets.

python3.11 scripts/launch.py new FOLDER            asks for everything
python3.11 scripts/launch.py new FOLDER --people 12 --conditions none,low,target
                                        --exercises "squat:leg:vastus lateralis,press:arm"

Nothing that exists is written over.
"""

import re
import secrets
import sys
from pathlib import Path

import yaml

from engine.command_line import faults_told, parser_of
from recordings.writing import write_rows
from results.words import counted
from study.orders import METHODS, drawn_orders, sealed_record, write_record
from study.session_forms import VISITS, write_sheets
from study.tables import TABLES, allowed_in

LIMBS = ("leg", "arm")
WRITTEN_TABLES = ("participants", "sessions", "recordings", "events", "occlusion", "titration")

# columns for what few studies have, which a person adds where they do
NOT_OFFERED = {
    "sessions": ("date_shifted",),
    "recordings": (
        *("limb", "adipose_thickness_mm", "source_detector_mm", "encoding", "separator", "decimal"),
        *("first_row", "time_format", "overlap", "declared_over_header", "declared_reason"),
        *("scale", "proposed"),
    ),
    "events": ("event_id", "cuff"),
    "occlusion": ("cuff", "override", "override_by", "override_reason"),
    "titration": ("cuff",),
}


def main(words):
    """The command."""
    asked = parser().parse_args(words)
    folder = Path(asked.folder)
    if folder.exists() and any(folder.iterdir()):
        sys.exit(f"{folder} holds files already; name a folder that is not there yet.")
    if len(words) == 1 and sys.stdin.isatty():
        ask(asked)
    try:
        plan = plan_of(asked)
    except ValueError as fault:
        sys.exit(f"{fault}.")
    with faults_told():
        for line in write_study(folder, plan):
            print(line)


def parser():
    """Options of the command, each with the default that a question offers."""
    options = parser_of("new", __doc__)
    options.add_argument("folder")
    for name, default, says in QUESTIONS:
        options.add_argument(f"--{name.replace('_', '-')}", default=default, help=says)
    return options


# name, default, what is asked
QUESTIONS = (
    ("title", "Study with limb cuffs", "title on the report"),
    ("people", "10", "number of people planned"),
    ("conditions", "none,low,target", "conditions, reference first, separated by commas"),
    ("no_cuff", "none", "the condition without a cuff; empty where every condition has one"),
    (
        "shares",
        "",
        "planned percent of the occlusion pressure, as low=20,target=60; empty where it is open",
    ),
    (
        "exercises",
        "squat:leg:vastus lateralis",
        "exercises with limb and muscle under the sensor, as squat:leg:vastus lateralis,press:arm",
    ),
    ("bouts", "3", "sets of each exercise in a visit"),
    ("reps", "15", "repetitions planned in a set"),
    ("visits", "", "visits of a person; empty: one for each condition; 1: all conditions in one"),
    ("order", "balanced", "orders of conditions: balanced (Williams) or random"),
    ("seed", "", "seed of the orders; empty: drawn by this machine"),
    ("heart", "rr", "heart recording: ecg, rr (beat intervals) or none"),
    ("saturation", "yes", "muscle oxygen saturation recorded: yes or no"),
)


def ask(asked):
    """Ask for each option; an empty answer takes what is offered."""
    for name, default, says in QUESTIONS:
        answer = input(f"{says} [{default or 'empty'}]: ").strip()
        if answer:
            setattr(asked, name, answer)


def plan_of(asked):
    """What was asked for, checked, as a dictionary. Raises ValueError for what cannot be."""
    conditions = _listed(asked.conditions)
    if not 1 <= len(conditions) <= 6 or len(set(conditions)) < len(conditions):
        raise ValueError(f"conditions are 1 to 6 different names, found {asked.conditions!r}")
    no_cuff = asked.no_cuff if asked.no_cuff in conditions else None
    if asked.no_cuff and no_cuff is None and asked.no_cuff != "none":
        raise ValueError(
            f"no-cuff is {asked.no_cuff!r}, allowed: {', '.join(conditions)}, or empty"
        )
    visits = int(asked.visits) if asked.visits else len(conditions)
    if visits not in (1, len(conditions)):
        raise ValueError(f"visits is {visits}, allowed: 1, or one for each of the conditions")
    if asked.order not in METHODS:
        raise ValueError(f"order is {asked.order!r}, allowed: {' or '.join(METHODS)}")
    if asked.heart not in ("ecg", "rr", "none"):
        raise ValueError(f"heart is {asked.heart!r}, allowed: ecg, rr, none")
    if asked.saturation not in ("yes", "no"):
        raise ValueError(f"saturation is {asked.saturation!r}, allowed: yes, no")
    if asked.heart == "none" and asked.saturation == "no":
        raise ValueError("nothing is recorded; allowed: a heart recording, saturation, or both")
    shares = {}
    for entry in _listed(asked.shares):
        condition, _, percent = entry.partition("=")
        if condition not in conditions or not re.fullmatch(r"\d+(\.\d+)?", percent):
            raise ValueError(f"shares holds {entry!r}, allowed: as {conditions[-1]}=60")
        if not 0 < float(percent) <= 80:
            raise ValueError(f"shares holds {entry!r}, allowed: above 0 to 80 percent")
        shares[condition] = float(percent)
    return {
        "title": asked.title,
        "people": [f"sub-{n:02d}" for n in range(1, _number(asked.people, "people", 999) + 1)],
        "conditions": conditions,
        "no_cuff": no_cuff,
        "shares": shares,
        "exercises": dict(map(_exercise, _listed(asked.exercises))),
        "bouts": _number(asked.bouts, "bouts", 20),
        "reps": _number(asked.reps, "reps", 200),
        "visits": visits,
        "order": asked.order,
        "seed": int(asked.seed) if asked.seed else secrets.randbelow(10**9),
        "heart": asked.heart,
        "saturation": asked.saturation == "yes",
    }


def _listed(text):
    return [name.strip() for name in text.split(",") if name.strip()]


def _number(text, name, most):
    if not re.fullmatch(r"\d+", str(text)) or not 1 <= int(text) <= most:
        raise ValueError(f"{name} is {text!r}, allowed: a whole number from 1 to {most}")
    return int(text)


def _exercise(entry):
    name, limb, muscle = [part.strip() for part in [*entry.split(":"), "", ""][:3]]
    if not name or limb not in ("", *LIMBS):
        raise ValueError(f"exercises holds {entry!r}, allowed: as squat:leg:vastus lateralis")
    return name, {"limb": limb or "leg", "muscle": muscle or None}


def write_study(folder, plan):
    """Write everything; gives a line on each thing that was written."""
    (folder / "raw").mkdir(parents=True)
    people = plan["people"]
    visits = [
        {"participant_id": person, "session_id": f"ses-{visit}", "visit": str(visit)}
        for person in people
        for visit in range(1, plan["visits"] + 1)
    ]
    planned_rows = {
        "participants": [{"participant_id": person} for person in people],
        "sessions": visits,
    }
    for name in WRITTEN_TABLES:
        if name in ("occlusion", "titration") and plan["no_cuff"] and len(plan["conditions"]) == 1:
            continue
        columns, planned = columns_of(name), planned_rows.get(name, [])
        lines = [columns, *([row.get(column, "n/a") for column in columns] for row in planned)]
        write_rows(lines, folder / f"{name}.tsv")
    (folder / "study.yaml").write_text(settings_of(plan), encoding="utf-8")
    visit_plan = {key: plan[key] for key in ("shares", "exercises", "bouts", "reps", "visits")}
    text = yaml.safe_dump(visit_plan, sort_keys=False, allow_unicode=True)
    head = "# What is planned in a visit: session sheets are made from it (launch.py sheets).\n"
    (folder / VISITS).write_text(head + text, encoding="utf-8")
    (folder / "README.md").write_text(readme_of(folder.name, plan), encoding="utf-8")
    planned = f"{counted(len(people), 'person', 'people')}, {counted(len(visits), 'visit')}"
    yield f"{folder}: {planned} planned."
    if len(plan["conditions"]) > 1:
        orders = drawn_orders(people, len(plan["conditions"]), plan["order"], plan["seed"])
        write_record(folder, list(sealed_record(orders)))
        yield (
            f"Orders of conditions were drawn ({plan['order']}, seed {plan['seed']}: note it apart "
            "from the study) and lie sealed in allocation.tsv."
        )
    sheets, _ = write_sheets(folder, people)
    yield f"{len(sheets)} files of session sheets in {folder / 'sheets'}."
    yield f"Next: read {folder / 'README.md'}; python3.11 scripts/launch.py check {folder}"


def columns_of(name):
    """Columns of a table in a new study."""
    return [c for c in TABLES[name].model_fields if c not in NOT_OFFERED.get(name, ())]


def settings_of(plan):
    """study.yaml of a new study, with comments."""
    conditions = ", ".join(map(_quoted, plan["conditions"]))
    exercises = ", ".join(map(_quoted, plan["exercises"]))
    lines = [
        "# Only what differs from config/config.yaml; config/SETTINGS.md explains every setting.",
        "study:",
        f"  title: {_quoted(plan['title'])}",
        f"  conditions: [{conditions}]   # reference first; A, B, ... in the orders",
        f"  exercises: [{exercises}]",
        "  # Decide before the first recording, then: launch.py freeze",
        "  primary_outcomes:",
        *(f"    - {{outcome: {o}, window: {w}}}" for o, w in primary_outcomes(plan)),
        "protocol:",
        "  # in this condition a set has no cuff; null where every condition has one",
        f"  no_cuff_condition: {_quoted(plan['no_cuff']) if plan['no_cuff'] else 'null'}",
    ]
    muscles = {name: each["muscle"] for name, each in plan["exercises"].items() if each["muscle"]}
    if plan["saturation"] and muscles:
        lines += [
            "segment_oxygenation:",
            "  # the sensor on the working muscle: site in recordings",
        ]
        lines += ["  working_muscle:"]
        lines += [f"    {_quoted(name)}: {_quoted(muscle)}" for name, muscle in muscles.items()]
    lines += [
        "# Own words of your tables, mapped once (they stay in the study):",
        "# names:",
        "#   columns: {VP: participant_id}",
        "#   participants: {MK04: sub-01}",
    ]
    return "\n".join(lines) + "\n"


def primary_outcomes(plan):
    """Outcomes that can be primary with what is recorded."""
    if plan["saturation"]:
        yield "smo2_nadir_pct", "set"
    if plan["heart"] != "none":
        yield "mean_hr_bpm", "set"


def _quoted(text):
    return '"' + str(text).replace("\\", "\\\\").replace('"', '\\"') + '"'


def readme_of(name, plan):
    """README of a new study: what to do when, and what each column of its tables holds."""
    heart = {"ecg": "ECG", "rr": "beat intervals", "none": "no heart recording"}[plan["heart"]]
    text = (
        Path(__file__)
        .with_name("new_readme.md")
        .read_text(encoding="utf-8")
        .format(
            name=name,
            title=plan["title"],
            people=len(plan["people"]),
            visits=plan["visits"],
            conditions=", ".join(plan["conditions"]),
            recorded=heart + (", muscle oxygen saturation" if plan["saturation"] else ""),
        )
    )
    for table in WRITTEN_TABLES:
        text += f"\n### {table}.tsv\n\n| column | what it holds |\n|---|---|\n"
        for column in columns_of(table):
            said = allowed_in(TABLES[table].model_fields[column]).replace("|", "\\|")
            text += f"| {column} | {said} |\n"
    return text


if __name__ == "__main__":
    main(sys.argv[1:])
