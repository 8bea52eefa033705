"""Session sheets: a page to print and a workbook to fill in for each visit, and taking it back in.

python3.11 scripts/launch.py sheets STUDY                      write all sheets again
python3.11 scripts/launch.py take-in STUDY sheets/sub-01_ses-1.xlsx

A workbook is taken in whole or not at all, once for a visit, after the same checks as any table.
"""

import sys
from pathlib import Path

from cuff.cautions import CAUTIONS
from study.clock_times import ClockTimeError, moment_of, seconds_after
from study.orders import LETTERS, opened_orders
from study.problems import Problems, StudyError
from study.rows import read_table, rows_of, rows_of_cells
from study.settings_files import read_settings
from study.table_forms import cells_of_sheets, write_workbook
from study.tables import TABLES
from study.yaml_files import read_yaml

VISITS = "visits.yaml"

FOLDER = "sheets"

# a share of the occlusion pressure is looked up for pressures of this range, in mmHg
LOOKED_UP_MMHG = range(100, 261, 10)

EVENT_COLUMNS = (
    *("participant_id", "session_id", "trial_type", "onset_time", "end_time", "condition"),
    *("exercise", "limb", "side", "posture", "bout", "cuff_pressure_mmhg", "reps_planned"),
    *("reps_done", "to_failure", "load_kg", "rpe", "pain", "numbness", "capillary_refill_s"),
    *("distal_flow", "skin_colour", "systolic_mmhg", "diastolic_mmhg", "stopped_early"),
    *("stop_reason", "reason", "note"),
)

STATE_COLUMNS = (
    *("session_start", "sleep_h", "caffeine_h", "exercise_h", "room_c", "expectation", "note"),
)

OCCLUSION_COLUMNS = (
    *("participant_id", "session_id", "limb", "side", "posture", "cuff_width_cm"),
    *("occlusion_pressure_mmhg", "method"),
)

TITRATION_COLUMNS = (
    *("participant_id", "session_id", "limb", "side", "posture", "cuff_width_cm", "pressure_mmhg"),
    *("capillary_refill_s", "distal_flow", "skin_colour", "pain", "numbness", "smo2_pct"),
    *("accepted", "note"),
)

# tables that a workbook is taken into, beside the state of the visit in sessions.tsv
TAKEN_IN = ("events", "occlusion", "titration")

_STEPS_OF_TITRATION = 8

# what a page has for the rows of its events
_ROWS_MM = 130.0


def main(words):
    """The two commands."""
    if len(words) == 1 and Path(words[0]).is_dir():
        study = Path(words[0])
        for path in write_sheets(study, sorted({r.participant_id for r in _sessions(study)})):
            print(path)
    elif len(words) == 2 and Path(words[0]).is_dir():
        try:
            for line in take_in(Path(words[0]), Path(words[1])):
                print(line)
        except StudyError as fault:
            sys.exit(str(fault))
    else:
        sys.exit(__doc__.strip())


def write_sheets(study, people):
    """Write page and workbook of every visit of some people; conditions where the order is open."""
    plan = plan_of_visits(study)
    folder = study / FOLDER
    folder.mkdir(exist_ok=True)
    settings = _settings(study)
    titration = folder / "titration.html"
    titration.write_text(page_of_titration(settings), encoding="utf-8")
    orders, written = opened_orders(study), [titration]
    for row in _sessions(study):
        if row.participant_id not in people:
            continue
        done = conditions_of_visit(row, orders.get(row.participant_id), plan, settings)
        events = list(planned_events(row, done, plan, settings))
        stem = folder / f"{row.participant_id}_{row.session_id}"
        page = page_of_visit(row, done, events, plan, settings)
        stem.with_suffix(".html").write_text(page, encoding="utf-8")
        write_workbook(stem.with_suffix(".xlsx"), workbook_of_visit(row, events))
        written += [stem.with_suffix(".html"), stem.with_suffix(".xlsx")]
    return written


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


def _settings(study):
    problems = Problems()
    _, _, settings, _ = read_settings(study, {}, problems)
    problems.stop()
    return settings


def _sessions(study):
    return rows_of(study, "sessions")


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
    """Rows of the sheet that are planned: resting, sets, recovery."""
    labels = {"participant_id": row.participant_id, "session_id": row.session_id}
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


def workbook_of_visit(row, events):
    """Sheets of the workbook of a visit: rows of cells, the header first."""
    labels = {"participant_id": row.participant_id, "session_id": row.session_id}
    state = {"participant_id": row.participant_id, "session_id": row.session_id}
    steps = [labels] * _STEPS_OF_TITRATION
    return {
        "visit": _cells(("participant_id", "session_id", *STATE_COLUMNS), [state]),
        "events": _cells(EVENT_COLUMNS, events),
        "occlusion": _cells(OCCLUSION_COLUMNS, [labels, labels]),
        "titration": _cells(TITRATION_COLUMNS, steps),
    }


def _cells(columns, rows):
    return [list(columns), *([row.get(column, "") for column in columns] for row in rows)]


def target_pressures(occlusion_mmhg, shares):
    """Planned pressures in mmHg for an occlusion pressure, by condition, rounded to the mmHg.

    `shares`: percent of the occlusion pressure by condition.
    """
    return {name: round(occlusion_mmhg * share / 100) for name, share in shares.items()}


def _rendered(template, **known):
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    templates = Path(__file__).resolve().parents[2] / "workflow" / "templates"
    page = Environment(
        loader=FileSystemLoader(templates), autoescape=True, undefined=StrictUndefined
    )
    return page.get_template(template).render(**known)


def page_of_titration(settings):
    """The sheet on which the target pressure of a person is looked for, to print on A4."""
    return _rendered(
        "titration_sheet.html.jinja",
        title=settings.study.title,
        limits=settings.check_safety,
        cautions=CAUTIONS,
    )


def page_of_visit(row, done, events, plan, settings):
    """The sheet of a visit as a page to print on A4."""
    highest = settings.check_safety.highest_share_pct
    shares = {name: share for name, share in plan["shares"].items() if share <= highest}
    return _rendered(
        "session_sheet.html.jinja",
        row_mm=f"{min(8.0, _ROWS_MM / max(len(events), 1)):.1f}",
        title=settings.study.title,
        row=row,
        conditions=done,
        n_conditions=len(settings.study.conditions),
        events=events,
        shares=shares,
        above={name: share for name, share in plan["shares"].items() if share > highest},
        looked_up=[(mmhg, target_pressures(mmhg, shares)) for mmhg in LOOKED_UP_MMHG],
        limits=settings.check_safety,
        rpe_scale=settings.study.rpe_scale,
        cautions=CAUTIONS,
    )


def take_in(study, path):
    """Take a filled workbook into the tables of a study; a line on each table.

    Raises StudyError with all problems, before anything is written.
    """
    sheets = cells_of_sheets(path, ("visit", *TAKEN_IN))
    states = _filled(sheets["visit"], STATE_COLUMNS)
    if len(sheets["visit"]) < 2 or len(states) > 1:
        raise StudyError(f"{path.name}, sheet visit: one row is needed, for one visit")
    state = dict(zip(sheets["visit"][0], sheets["visit"][1], strict=False))
    visit = (state.get("participant_id"), state.get("session_id"))
    known = {(row.participant_id, row.session_id) for row in _sessions(study)}
    if visit not in known:
        raise StudyError(
            f"{path.name}, sheet visit: {' '.join(map(str, visit))} has no row in sessions.tsv"
        )
    taken = {"events": _timed_events(sheets["events"], state.get("session_start"), path)}
    for name, needed in (("occlusion", "occlusion_pressure_mmhg"), ("titration", "pressure_mmhg")):
        taken[name] = _rows_with(sheets[name], needed)
    _refuse_twice(study, visit, taken, path)
    _refuse_faults(study, taken, path)
    for name, rows in taken.items():
        if rows:
            _append(study / f"{name}.tsv", rows)
            yield f"{name}.tsv: {len(rows)} rows of {' '.join(visit)}"
    _write_state(study / "sessions.tsv", visit, state)
    yield f"sessions.tsv: state of {' '.join(visit)}"


def _as_dicts(cells):
    header = cells[0] if cells else []
    for number, row in enumerate(cells[1:], start=2):
        values = {c: v for c, v in zip(header, row, strict=False) if c and v not in ("", "n/a")}
        yield number, values


def _filled(cells, columns):
    return [row for _, row in _as_dicts(cells) if any(column in row for column in columns)]


def _rows_with(cells, needed):
    return [row for _, row in _as_dicts(cells) if needed in row]


def _timed_events(cells, session_start, path):
    """Rows of events that were done: with an onset, and a duration from the time of the end."""
    rows = []
    for number, row in _as_dicts(cells):
        if "onset_time" not in row:
            continue
        if not session_start:
            raise StudyError(
                f"{path.name}, sheet visit: session_start is empty; write the time of zero"
            )
        end = row.pop("end_time", None)
        try:
            onset = moment_of(row["onset_time"])
            if end is not None:
                row["duration_s"] = f"{seconds_after(onset, moment_of(end)):g}"
        except ClockTimeError as fault:
            raise StudyError(f"{path.name}, sheet events, row {number}: {fault}") from None
        if row["trial_type"] == "sync":
            row.setdefault("duration_s", "0")
        rows.append(row)
    return rows


def _refuse_twice(study, visit, taken, path):
    for name in TAKEN_IN:
        there = read_table(study / f"{name}.tsv", Problems())
        if taken[name] and any((r.participant_id, r.session_id) == visit for r in there):
            raise StudyError(
                f"{path.name}: {name}.tsv holds rows of {' '.join(visit)} already; a visit is "
                "taken in once, correct the table instead"
            )


def _refuse_faults(study, taken, path):
    """The rows under the same checks as those of a table."""
    problems = Problems()
    for name, rows in taken.items():
        columns = list(dict.fromkeys(column for row in rows for column in row))
        if rows:
            # onsets are placed on the session clock with the tables, where the start is written
            cells = [columns, *([row.get(column, "") for column in columns] for row in rows)]
            problems.files_named[f"{name}.tsv"] = f"{path.name}, sheet {name}, of the rows done"
            rows_of_cells(study / f"{name}.tsv", cells, problems, placed=False)
    problems.stop()


def _append(path, rows):
    """Add rows to a table, and the columns that it does not have yet."""
    text = path.read_text(encoding="utf-8-sig") if path.exists() else ""
    header, *there = [line.split("\t") for line in text.splitlines()] or [[]]
    columns = list(dict.fromkeys([*header, *(column for row in rows for column in row)]))
    columns += [c for c in TABLES[path.stem].needed if c not in columns]
    lines = [line + ["n/a"] * (len(columns) - len(line)) for line in there if any(line)]
    lines += [[row.get(column, "n/a") for column in columns] for row in rows]
    _write_whole(path, [columns, *lines])


def _write_state(path, visit, state):
    header, *rows = [line.split("\t") for line in path.read_text(encoding="utf-8-sig").splitlines()]
    noted = {c: v for c, v in state.items() if c in STATE_COLUMNS and v not in ("", "n/a")}
    header += [column for column in noted if column not in header]
    whose = header.index("participant_id"), header.index("session_id")
    for row in rows:
        row += ["n/a"] * (len(header) - len(row))
        if tuple(row[at] for at in whose) == visit:
            for column, value in noted.items():
                row[header.index(column)] = value
    _write_whole(path, [header, *rows])


def _write_whole(path, lines):
    """A table written beside the old one and put in its place."""
    beside = path.with_suffix(".tsv.new")
    text = "\n".join("\t".join(cell.replace("\t", " ") for cell in line) for line in lines)
    beside.write_text(text + "\n", encoding="utf-8")
    beside.replace(path)


if __name__ == "__main__":
    main(sys.argv[1:])
