"""Session sheets: for each visit a page to print and a workbook to fill in.

python3.11 scripts/launch.py sheets STUDY      write all sheets again

Beside them stand a titration sheet and a run sheet of clock marks. A column of a sheet is declared
once, for the page and for the workbook.
"""

import sys
from pathlib import Path

from cuff.cautions import CAUTIONS
from results.typesetting import TEMPLATES, set_pdfs
from study.orders import LETTERS, opened_orders
from study.problems import Problems
from study.rows import rows_of
from study.settings_files import settings_of
from study.table_forms import is_as_written, write_workbook
from study.tables import SkinColour, StopReason, choices_of
from study.yaml_files import read_yaml

VISITS = "visits.yaml"
FOLDER = "sheets"

# a share of the occlusion pressure is looked up for pressures of this range, in mmHg
LOOKED_UP_MMHG = range(100, 261, 10)

LABELS = {"participant_id": None, "session_id": None}

# times of the cuff of a set, which become a row of their own
CUFF_TIMES = ("inflated_time", "released_time")

# columns of a sheet of the workbook: heading and share of the width, where the page has it
EVENTS = LABELS | {
    "trial_type": ("event", 27),
    "onset_time": ("onset", 14),
    "end_time": ("end", 14),
    "condition": ("condition", 16),
    "exercise": None,
    "limb": None,
    "side": None,
    "posture": None,
    "bout": None,
    "cuff_pressure_mmhg": ("cuff mmHg", 11),
    "inflated_time": ("inflated", 14),
    "released_time": ("released", 14),
    "reps_planned": None,
    "reps_done": ("reps done / planned", 12),
    "to_failure": None,
    "load_kg": ("load kg", 10),
    "rpe": ("exer\u00adtion", 9),
    "pain": ("pain 0–10", 9),
    "numbness": ("numb", 10),
    "capillary_refill_s": ("refill s", 9),
    "distal_flow": ("flow", 8),
    "skin_colour": ("skin", 10),
    "systolic_mmhg": None,
    "diastolic_mmhg": None,
    "stopped_early": None,
    "stop_reason": ("stop reason", 14),
    "reason": None,
    "note": None,
}

STATE = {
    "session_start": "Session start (clock time, zero of the session)",
    "sleep_h": "Slept, h",
    "caffeine_h": "Since caffeine, h",
    "exercise_h": "Since hard exercise, h",
    "room_c": "Room, °C",
    "expectation": "Expects or believes",
    "note": "Note",
}

OCCLUSION = LABELS | {
    "limb": ("limb", 13),
    "side": ("side", 13),
    "posture": ("posture", 17),
    "cuff_width_cm": ("cuff, cm", 14),
    "method": ("method", 20),
    "occlusion_pressure_mmhg": ("mmHg", 15),
}

TITRATION = LABELS | {
    "limb": None,
    "side": None,
    "posture": None,
    "cuff_width_cm": None,
    "pressure_mmhg": ("pressure, mmHg", 19),
    "capillary_refill_s": ("refill, s", 15),
    "distal_flow": ("flow (yes, no)", 15),
    "skin_colour": ("skin colour", 18),
    "pain": ("pain 0–10", 13),
    "numbness": ("numb\u00adness", 15),
    "smo2_pct": ("saturation, %", 19),
    "accepted": ("accepted (yes, no)", 18),
    "note": ("note", 36),
}

_STEPS_OF_TITRATION = 12


def main(words):
    """The command."""
    if len(words) != 1 or not Path(words[0]).is_dir():
        sys.exit(__doc__.strip())
    study = Path(words[0])
    people = {row.participant_id for row in rows_of(study, "sessions")}
    print(*lines_of_written(*write_sheets(study, people)), sep="\n")


def lines_of_written(written, kept):
    """What a person is told of the sheets that `write_sheets` wrote and kept."""
    return [
        *(f"Written: {path}" for path in written),
        *(f"Kept, as it may be filled in: {path}; to have it anew, move it away" for path in kept),
    ]


def write_sheets(study, people):
    """Write page and workbook of every visit of some people; conditions where the order is open.

    Returns the paths that were written and those of workbooks that somebody saved, which are kept.
    """
    pages, workbooks = sheets_of(study, people)
    kept = [path for path in workbooks if path.exists() and not is_as_written(path)]
    (study / FOLDER).mkdir(exist_ok=True)
    set_pdfs(TEMPLATES / "sheets.typ", pages)
    for path in workbooks.keys() - kept:
        write_workbook(path, workbooks[path])
    return sorted({*pages, *workbooks} - {*kept}), sorted(kept)


def sheets_of(study, people):
    """Content of every page, and of every workbook, by the path that it is written to."""
    plan = plan_of_visits(study)
    _, settings = settings_of(study)
    orders, workbooks = opened_orders(study), {}
    pages = {
        study / FOLDER / "titration.pdf": page_of_titration(settings),
        study / FOLDER / "clock_marks.pdf": {"kind": "clock marks", "title": settings.study.title},
    }
    for row in rows_of(study, "sessions"):
        if row.participant_id in people:
            done = conditions_of_visit(row, orders.get(row.participant_id), plan, settings)
            events = list(planned_events(row, done, plan, settings))
            stem = study / FOLDER / f"{row.participant_id}_{row.session_id}"
            pages[stem.with_suffix(".pdf")] = page_of_visit(row, done, events, plan, settings)
            workbooks[stem.with_suffix(".xlsx")] = workbook_of_visit(row, events)
    return pages, workbooks


def plan_of_visits(study):
    """What is planned in a visit; without a plan one exercise that is still to be named."""
    path = study / VISITS
    plan, _ = read_yaml(path, Problems()) if path.is_file() else ({}, {})
    unknown = {
        "exercises": {"": {"limb": "leg"}},
        "bouts": 3,
        "reps": 15,
        "shares": {},
        "visits": 0,
    }
    return unknown | (plan or {})


def conditions_of_visit(row, order, plan, settings):
    """Conditions of a visit in the order done; empty where the order is not open."""
    conditions = settings.study.conditions
    if len(conditions) == 1:
        return list(conditions)
    if order is None:
        return []
    named = [conditions[LETTERS.index(letter)] for letter in order]
    return named if plan["visits"] == 1 else named[row.visit - 1 : row.visit]


def planned_events(row, done, plan, settings):
    """Rows of the sheet that are planned: resting, sets, recovery, and marks of the clocks."""
    labels = {"participant_id": row.participant_id, "session_id": row.session_id}
    yield labels | {"trial_type": "sync"}
    yield labels | {"trial_type": "baseline"}
    for condition in done or [""] * (1 if plan["visits"] != 1 else len(settings.study.conditions)):
        for exercise, about in plan["exercises"].items():
            for bout in range(1, plan["bouts"] + 1):
                uncuffed = condition and condition == settings.protocol.no_cuff_condition
                yield labels | {
                    "trial_type": "set",
                    "condition": condition,
                    "exercise": exercise,
                    "limb": about.get("limb", ""),
                    "bout": bout,
                    "reps_planned": plan["reps"],
                    "cuff_pressure_mmhg": 0 if uncuffed else "",
                }
    yield labels | {"trial_type": "recovery"}
    yield labels | {"trial_type": "sync"}


def workbook_of_visit(row, events):
    """Sheets of the workbook of a visit: rows of cells, the header first."""
    labels = {"participant_id": row.participant_id, "session_id": row.session_id}
    return {
        "visit": _cells(LABELS | STATE, [labels]),
        "events": _cells(EVENTS, events),
        "occlusion": _cells(OCCLUSION, [labels] * 2),
        "titration": _cells(TITRATION, [labels] * _STEPS_OF_TITRATION),
    }


def _cells(columns, events):
    return [list(columns), *([row.get(column, "") for column in columns] for row in events)]


def target_pressures(occlusion_mmhg, shares):
    """Planned pressures in mmHg for an occlusion pressure, by condition, rounded to the mmHg.

    `shares`: percent of the occlusion pressure by condition.
    """
    return {name: round(occlusion_mmhg * share / 100) for name, share in shares.items()}


def page_of_titration(settings):
    """Content of the sheet on which the target pressure of a person is looked for."""
    return _common(settings) | {
        "kind": "titration",
        "columns": _printed(TITRATION),
        "steps": _STEPS_OF_TITRATION,
    }


def page_of_visit(row, done, events, plan, settings):
    """Content of the page of a visit."""
    highest = settings.check_safety.highest_share_pct
    shares = {name: share for name, share in plan["shares"].items() if share <= highest}
    above = {name: share for name, share in plan["shares"].items() if share > highest}
    looked_up = [[mmhg, *target_pressures(mmhg, shares).values()] for mmhg in LOOKED_UP_MMHG]
    sealed = not done and len(settings.study.conditions) > 1
    return _common(settings) | {
        "kind": "visit",
        "visit": [row.participant_id, row.session_id, f"visit {row.visit}"],
        "conditions": done,
        "condition": "sealed until the order is opened (launch.py open-order)" if sealed else "",
        "columns": _printed(EVENTS),
        "rows": [_shown(event) for event in events],
        "state": [label for column, label in STATE.items() if column != "note"],
        "occlusion": _printed(OCCLUSION),
        "shares": [f"{name}, {share:g} %" for name, share in shares.items()],
        "looked_up": [list(map(str, column)) for column in zip(*looked_up, strict=True)],
        "above": [f"{name} at {share:g} %" for name, share in above.items()],
        "rpe_scale": settings.study.rpe_scale,
        "stop_reasons": choices_of(StopReason),
        "skin_colours": choices_of(SkinColour),
    }


def _common(settings):
    limits = settings.check_safety
    known = {name: getattr(limits, name) for name in type(limits).model_fields if name != "cuffs"}
    limits_in_words = {
        name: None if limit is None else f"{limit:g}" for name, limit in known.items()
    }
    return {"title": settings.study.title, "limits": limits_in_words, "cautions": CAUTIONS}


def _printed(columns):
    return [list(on_page) for on_page in columns.values() if on_page]


def _shown(event):
    """What stands on the page already of an event, by its columns."""
    name = {"sync": "clock mark"}.get(event["trial_type"], event["trial_type"])
    if name == "set":
        name = f"{event['exercise'] or 'set'} {event['bout']}"
    planned = f"/ {event['reps_planned']}" if "reps_planned" in event else ""
    written = event | {"trial_type": name, "reps_done": planned}
    return [str(written.get(column, "")) for column, on_page in EVENTS.items() if on_page]


if __name__ == "__main__":
    main(sys.argv[1:])
