"""What a study contains: its tables, settings, outcomes and figures, checked before any job starts.

All problems are found together and each says where it is, what was found and what is allowed.
Only the standard library, pydantic and PyYAML are imported: this runs at every start of Snakemake.
"""

import ast
import csv
import difflib
import hashlib
import io
import json
import re
from collections import Counter
from contextlib import suppress
from pathlib import Path
from typing import get_args

import yaml
from pydantic import ValidationError

from declarations.settings import Settings
from declarations.tables import REQUIRED, TABLES
from step import SCRIPTS, StudyError

CONFIG = SCRIPTS.parent / "config" / "config.yaml"
MISSING = ("", "n/a")


def load_study(config):
    """The study that --config names, with its settings; a StudyError lists all problems.

    `config` is Snakemake's: `study` is the folder (default data_demo); further sections, as from
    --configfile, overrule study.yaml.
    """
    overrides = dict(config)
    folder = "data_demo"
    if isinstance(overrides.get("study"), str):
        folder = overrides.pop("study")
    return Study(Path(folder), overrides)


class Study:
    """A checked study: tables as lists of rows, settings as plain dictionaries."""

    def __init__(self, folder, overrides=None):
        self.folder = folder
        self.name = folder.resolve().name
        self.results = f"results/{self.name}"
        self.outcomes = names_in("outcomes")
        self.figures = names_in("figures")
        found = Problems()
        if not folder.is_dir():
            raise StudyError(f"There is no study folder {folder}: name one with --config study=...")
        self.tables = {name: read_table(folder / f"{name}.tsv", found) for name in TABLES}
        self.default_settings, self.settings = read_settings(folder, overrides or {}, found)
        if self.settings is not None:
            check_tables_together(self, found)
        found.stop()
        self.participants = sorted({row.participant_id for row in self.tables["recordings"]})
        asked = self.settings["try_alternatives"]["alternatives"]
        self._alternatives = {name: changes for name, changes in asked.items() if changes}
        self.alternatives = sorted(self._alternatives)

    def any_of(self, names):
        """A pattern that matches exactly the names that exist, for wildcards."""
        return "|".join(map(str, getattr(self, names))) or "none"

    def rows(self, *tables):
        """For rules: a digest of one participant's rows, so that only their change reruns it."""
        return lambda wildcards: self._digest(tables, wildcards.participant)

    def all_rows(self, *tables):
        """For rules: a digest of whole tables."""
        return self._digest(tables, None)

    def _digest(self, tables, participant):
        chosen = {
            table: [
                row.model_dump(mode="json")
                for row in self.tables[table]
                if participant in (None, row.participant_id)
            ]
            for table in tables
        }
        return hashlib.sha256(json.dumps(chosen, sort_keys=True).encode()).hexdigest()[:12]

    def raw_files(self, wildcards):
        """Raw files of one participant, each once, with the descriptions that stand beside them."""
        return self._raw_files(wildcards.participant)

    def all_raw_files(self):
        """Raw files of everybody, each once."""
        return self._raw_files(None)

    def _raw_files(self, participant):
        files = []
        for row in self.tables["recordings"]:
            if participant in (None, row.participant_id):
                path = self.folder / row.file
                files += [path, *sidecars(path)]
        return [str(path) for path in dict.fromkeys(files)]

    def files_for_figure(self, wildcards):
        """Result files that a figure says it needs."""
        per_person = {
            "beats": "beats/{}.tsv",
            "signals": "signals/{}.parquet",
            "oxygenation": "signals/{}_oxygenation.parquet",
        }
        files = []
        for need in header("figures", wildcards.figure)["NEEDS"]:
            pattern = per_person.get(need, f"{need}.tsv")
            people = self.participants if need in per_person else [None]
            files += [f"{self.results}/{pattern.format(person)}" for person in people]
        return files

    def changes_of(self, wildcards):
        """For rules: what one alternative changes, written so that a step reads it."""
        return json.dumps(self._alternatives[wildcards.alternative], ensure_ascii=False)

    def sections(self, *names):
        """Some sections of the settings."""
        return {name: self.settings[name] for name in names}

    def table_files(self):
        """Tables and settings that exist in the study folder."""
        names = [*(f"{name}.tsv" for name in TABLES), "study.yaml"]
        return [str(self.folder / name) for name in names if (self.folder / name).exists()]

    def changed_settings(self):
        """Settings that differ from config/config.yaml: section.name, usual value, value here."""
        return list(differences(self.default_settings, self.settings))


def names_in(folder):
    """Names of the modules of a folder: its listing is the list of outcomes, or of figures."""
    paths = (SCRIPTS / folder).glob("[!_]*.py")
    return sorted(path.stem for path in paths)


def header(folder, name):
    """The capitalised constants at the top of a module, read without importing it.

    One that refers to another name, as ASKED_OF does in many outcomes, is left out.
    """
    body = ast.parse((SCRIPTS / folder / f"{name}.py").read_text(encoding="utf-8")).body
    constants = {}
    for node in body:
        if isinstance(node, ast.Assign) and node.targets[0].id.isupper():
            with suppress(ValueError):
                constants[node.targets[0].id] = ast.literal_eval(node.value)
    return constants


def sidecars(path):
    """The description that stands beside a BIDS physiology file, when there is one."""
    if path.name.endswith("_physio.tsv.gz"):
        description = path.with_name(path.name.removesuffix(".tsv.gz") + ".json")
        if description.exists():
            yield description


def rows_of(study_folder, table, participant=None):
    """Checked rows of one table, of one participant or of everybody, for steps."""
    found = Problems()
    rows = read_table(Path(study_folder) / f"{table}.tsv", found)
    found.stop()
    return [row for row in rows if participant in (None, row.participant_id)]


class Problems:
    """Problems with their places, gathered so that a person sees all of them at once."""

    def __init__(self):
        self.lines = []
        # values of rows that were refused: what refers to them is not a further problem
        self.refused_rows = {}

    def add(self, file, place, message):
        self.lines.append(f"{file}, {place}: {message}" if place else f"{file}: {message}")

    def stop(self):
        if self.lines:
            lines = sorted(dict.fromkeys(self.lines), key=_by_file_and_row)
            count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
            raise StudyError("\n  ".join([f"{count} to mend before anything runs:", *lines]))


def _by_file_and_row(line):
    file, _, rest = line.partition(",")
    row = re.search(r"\d+", rest.partition(":")[0])
    return file, int(row[0]) if row else 0


# Tables


def read_table(path, found):
    """Rows of a table as declared, each knowing its row number; problems go to `found`.

    A byte-order mark, CRLF, spaces round a value and blank lines are accepted.
    """
    model, name = TABLES[path.stem], path.name
    if not path.exists():
        if path.stem in REQUIRED:
            found.add(name, "", f"the table is missing; it is needed in {path.parent}")
        return []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        found.add(name, "", f"is not UTF-8 text (byte {error.start}); save it as UTF-8")
        return []
    lines = [[cell.strip() for cell in line] for line in csv.reader(io.StringIO(text), "excel-tab")]
    header = lines[0] if lines else []
    while header and not header[-1]:
        header = header[:-1]
    required = [c for c, f in model.model_fields.items() if f.is_required() or c in model.needed]
    for column in required:
        if column not in header:
            near = difflib.get_close_matches(column, set(header) - set(model.model_fields), 1)
            separated = len(header) == 1 and any(mark in header[0] for mark in ",;")
            hint = f"; found {near[0]!r}: rename it" if near else ""
            hint = "; columns are separated by tabs, save it as TSV" if separated else hint
            found.add(name, "row 1", f"column {column} is missing{hint}")
    for column in sorted(set(header) - set(model.model_fields)):
        near = _nearly_declared(column, set(model.model_fields) - set(header))
        if near and near not in required:
            found.add(name, "row 1", f"column {column!r} is not known; did you mean {near!r}?")
    for column, times in Counter(header).items():
        if times > 1:
            found.add(name, "row 1", f"column {column!r} stands {times} times; keep one")
    if not set(required) <= set(header):
        return []
    rows = []
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cells):
            continue
        if len(cells) > len(header) and any(cells[len(header) :]):
            found.add(name, f"row {number}", f"{len(cells)} cells, the header has {len(header)}")
            continue
        values = {c: v for c, v in zip(header, cells, strict=False) if v not in MISSING}
        try:
            row = model.model_validate(values)
        except ValidationError as error:
            for problem in error.errors():
                found.add(name, *_in_words(problem, number, model))
            found.refused_rows.setdefault(path.stem, []).append(values)
            continue
        row.__dict__["row_number"] = number
        rows.append(row)
    return rows


def _in_words(problem, number, model):
    """Place and sentence of one problem of pydantic in a row of a table."""
    message, kind = problem["msg"], problem["type"]
    if kind == "value_error":
        place, _, rest = message.removeprefix("Value error, ").partition(": ")
        allowed, _, value = rest.partition("|")
        return f"row {number}, {place}", f"found {value!r}, allowed: {allowed}"
    column = str(problem["loc"][0])
    if kind == "missing":
        return f"row {number}, column {column}", "is empty, a value is required"
    value = problem["input"]
    field = model.model_fields[column]
    allowed = field.description or next(
        (m.description for m in field.metadata if getattr(m, "description", None)), message
    )
    hint = ""
    if kind == "literal_error":
        names = problem["ctx"]["expected"].replace("'", "").replace(" or ", ", ").split(", ")
        allowed = ", ".join(names)
        near = difflib.get_close_matches(str(value).lower(), names, 1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
    elif kind in ("float_parsing", "int_parsing") and "," in str(value):
        hint = "; write a point as decimal mark and no thousands mark"
    return f"row {number}, column {column}", f"found {value!r}, allowed: {allowed}{hint}"


# Settings


def read_settings(folder, overrides, found):
    """Settings of config.yaml alone and with study.yaml and overrides laid over them, checked."""
    complete = _read_yaml(CONFIG, found)
    own_file = folder / "study.yaml"
    own = _read_yaml(own_file, found) if own_file.exists() else {}
    if complete is None or own is None:
        return None, None
    usual = _checked(complete, "config.yaml", {}, found)
    lines = _lines_of(own_file) if own_file.exists() else {}
    resolved = _checked(laid_over(laid_over(complete, own), overrides), "study.yaml", lines, found)
    if resolved is not None:
        for name, changes in resolved["try_alternatives"]["alternatives"].items():
            changed = {k: v for k, v in (changes or {}).items() if k in Settings.model_fields}
            _checked(laid_over(resolved, changed), f"settings, alternative {name}", {}, found)
    return usual, resolved


def _checked(values, file, lines, found):
    try:
        return Settings.model_validate(values).model_dump()
    except ValidationError as error:
        for problem in error.errors():
            path = tuple(str(part) for part in problem["loc"])
            line = next(
                (lines[path[:n]] for n in range(len(path), 0, -1) if path[:n] in lines), None
            )
            place = ".".join(path) if line is None else f"line {line}, {'.'.join(path)}"
            found.add(file, place, _setting_in_words(problem, values))
        return None


def _setting_in_words(problem, values):
    kind, value = problem["type"], problem["input"]
    if kind == "extra_forbidden":
        known = _known_names(problem["loc"][:-1])
        near = difflib.get_close_matches(str(problem["loc"][-1]), known, 1)
        hint = f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known)}"
        return f"is not a setting{hint}"
    if kind == "missing":
        return "is missing"
    if isinstance(value, bool) and kind == "string_type":
        return (
            f"found {value}, allowed: text; YAML reads an unquoted no, yes, on or off so, quote it"
        )
    return f"found {value!r}; {problem['msg'][0].lower()}{problem['msg'][1:]}"


def _known_names(path):
    """Names allowed at a place of the settings, for the nearest to a misspelt one."""
    model = Settings
    for part in path:
        fields = getattr(model, "model_fields", None)
        if fields is None:
            # things by their name: the part is a name, and all of them are of one model
            model = _model_within(model)
        elif part in fields:
            model = fields[part].annotation
        else:
            break
    return sorted(getattr(model, "model_fields", {}))


def _model_within(annotation):
    """The section that dict[str, section] or dict[str, section | None] holds."""
    inner = get_args(get_args(annotation)[-1]) or get_args(annotation)
    return next((part for part in inner if hasattr(part, "model_fields")), None)


def laid_over(lower, upper):
    """`upper` over `lower`, section by section; lists are replaced whole."""
    if not (isinstance(lower, dict) and isinstance(upper, dict)):
        return upper
    return {
        **lower,
        **{k: laid_over(lower[k], v) if k in lower else v for k, v in upper.items()},
    }


def differences(usual, here, path=""):
    if isinstance(usual, dict) and isinstance(here, dict):
        for name in sorted({*usual, *here}):
            yield from differences(
                usual.get(name), here.get(name), f"{path}.{name}" if path else name
            )
    elif usual != here:
        yield path, usual, here


def _read_yaml(path, found):
    """Values of a YAML file; a key that stands twice is a problem, not a silent choice."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        root = yaml.compose(text)
    except UnicodeDecodeError:
        found.add(path.name, "", "is not UTF-8 text; save it as UTF-8")
        return None
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        place = f"line {mark.line + 1}" if mark else ""
        found.add(path.name, place, f"cannot be read: {getattr(error, 'problem', error)}")
        return None
    if root is None:
        return {}
    if not isinstance(root, yaml.MappingNode):
        found.add(path.name, "line 1", "must start with a section name followed by a colon")
        return None
    for key, line in _repeated_keys(root):
        found.add(path.name, f"line {line}", f"{key!r} stands twice; keep one")
    return yaml.safe_load(text)


def _repeated_keys(node):
    if isinstance(node, yaml.MappingNode):
        seen = set()
        for key, value in node.value:
            if key.value in seen:
                yield key.value, key.start_mark.line + 1
            seen.add(key.value)
            yield from _repeated_keys(value)
    elif isinstance(node, yaml.SequenceNode):
        for item in node.value:
            yield from _repeated_keys(item)


def _lines_of(path):
    """Line of every key and list item of a YAML file, by its path."""
    lines = {}

    def walk(node, place):
        if isinstance(node, yaml.MappingNode):
            for key, value in node.value:
                lines[(*place, key.value)] = key.start_mark.line + 1
                walk(value, (*place, key.value))
        elif isinstance(node, yaml.SequenceNode):
            for number, item in enumerate(node.value):
                lines[(*place, str(number))] = item.start_mark.line + 1
                walk(item, (*place, str(number)))

    try:
        walk(yaml.compose(path.read_text(encoding="utf-8-sig")), ())
    except yaml.YAMLError:
        return {}
    return lines


# Tables and settings together


def check_tables_together(study, found):
    """What no single row can show: keys, references, files, overlaps, edits of other files."""
    tables, settings = study.tables, study.settings
    _check_unique(tables["participants"], ("participant_id",), "participants.tsv", found)
    _check_unique(tables["sessions"], ("participant_id", "session_id"), "sessions.tsv", found)
    _check_unique(tables["sessions"], ("participant_id", "visit"), "sessions.tsv", found)
    _check_unique(tables["edits"], ("edit_id",), "edits.tsv", found)
    _check_unique(
        tables["recordings"],
        ("participant_id", "session_id", "signal", "file", "channel"),
        "recordings.tsv",
        found,
    )
    _check_unique(
        [row for row in tables["events"] if row.trial_type in ("baseline", "rest", "recovery")],
        ("participant_id", "session_id", "trial_type", "onset_s"),
        "events.tsv",
        found,
    )
    people = {row.participant_id for row in tables["participants"]}
    people |= {row.get("participant_id") for row in found.refused_rows.get("participants", [])}
    visits = {(row.participant_id, row.session_id) for row in tables["sessions"]}
    visits |= {
        (row.get("participant_id"), row.get("session_id"))
        for row in found.refused_rows.get("sessions", [])
    }
    for name in ("sessions", "occlusion", "recordings", "events", "edits"):
        for row in tables[name]:
            place = f"row {row.row_number}"
            if row.participant_id not in people:
                _unknown(found, name, place, "participant_id", row.participant_id, people)
            elif (
                getattr(row, "session_id", None)
                and (row.participant_id, row.session_id) not in visits
            ):
                own = {s for p, s in visits if p == row.participant_id}
                _unknown(found, name, place, "session_id", row.session_id, own)
    _check_recordings(study, found)
    _check_events(study, found)
    _check_edits(study, found)
    for number, primary in enumerate(settings["study"]["primary_outcomes"], start=1):
        if primary["outcome"] not in study.outcomes:
            near = difflib.get_close_matches(primary["outcome"], study.outcomes, 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            place = f"study.primary_outcomes, number {number}"
            found.add("study.yaml", place, f"{primary['outcome']!r} is not an outcome{hint}")
    for rule, gate in settings["measure_outcomes"]["gates"].items():
        for outcome in set(gate["outcomes"]) - set(study.outcomes):
            near = difflib.get_close_matches(outcome, study.outcomes, 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            place = f"measure_outcomes.gates.{rule}"
            found.add("settings", place, f"{outcome!r} is not an outcome{hint}")


def _nearly_declared(column, absent):
    """The declared column that a header lacks only its unit of, or differs from by a letter."""
    absent = sorted(absent)
    without_unit = [name for name in absent if name.rpartition("_")[0] == column]
    return next(iter(without_unit or difflib.get_close_matches(column, absent, 1, 0.93)), None)


def _check_unique(rows, columns, file, found):
    seen = {}
    for row in rows:
        key = tuple(getattr(row, column) for column in columns)
        if key in seen:
            shown = ", ".join(str(part) for part in key if part is not None)
            found.add(file, f"row {row.row_number}", f"{shown} stands already in row {seen[key]}")
        seen.setdefault(key, row.row_number)


def _unknown(found, table, place, column, value, known):
    names = known if isinstance(known, list) else sorted(filter(None, known))
    near = difflib.get_close_matches(str(value), names, 1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    allowed = ", ".join(names) or "none declared"
    found.add(
        f"{table}.tsv", f"{place}, column {column}", f"found {value!r}, allowed: {allowed}{hint}"
    )


def _check_recordings(study, found):
    marks_in_session = Counter(
        (row.participant_id, row.session_id)
        for row in study.tables["events"]
        if row.trial_type == "sync"
    )
    for row in study.tables["recordings"]:
        place = f"row {row.row_number}"
        path = study.folder / row.file
        if not path.is_file():
            near = difflib.get_close_matches(path.name, _names_beside(path), 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            found.add("recordings.tsv", f"{place}, column file", f"{row.file} does not exist{hint}")
        marks, expected = (
            len(row.sync_marks()),
            marks_in_session[row.participant_id, row.session_id],
        )
        if marks and marks != expected:
            found.add(
                "recordings.tsv",
                f"{place}, column sync_marks_s",
                f"{marks} marks, the session has {expected} sync events; give one for each",
            )


def _names_beside(path):
    return [p.name for p in path.parent.iterdir()] if path.parent.is_dir() else []


def _check_events(study, found):
    known = {
        "condition": study.settings["study"]["conditions"],
        "exercise": study.settings["study"]["exercises"],
    }
    latest = {}
    supplied = study.settings["segment_oxygenation"]["supply_boundaries"]
    for row in study.tables["events"]:
        for column in ("onset_s", "duration_s"):
            if getattr(row, column) is None and not supplied:
                found.add(
                    "events.tsv",
                    f"row {row.row_number}, column {column}",
                    "is empty; write it, or let the recording supply it with "
                    "segment_oxygenation.supply_boundaries: true in study.yaml",
                )
    for row in sorted(
        study.tables["events"],
        key=lambda r: (r.participant_id, r.session_id, r.onset_s is None, r.onset_s or 0.0),
    ):
        place = f"row {row.row_number}"
        for column, names in known.items():
            value = getattr(row, column)
            if value is not None and names and value not in names:
                _unknown(found, "events", place, column, value, names)
        if row.trial_type == "set" and row.onset_s is not None and row.duration_s is not None:
            session = (row.participant_id, row.session_id)
            before = latest.get(session)
            if before and row.onset_s < before.onset_s + before.duration_s - 1e-9:
                found.add(
                    "events.tsv",
                    f"{place}, column onset_s",
                    f"begins at {row.onset_s} s, before the set of row {before.row_number} ends",
                )
            latest[session] = row


def _check_edits(study, found):
    digests = {}
    for row in study.tables["edits"]:
        files = [
            study.folder / r.file
            for r in study.tables["recordings"]
            if (r.participant_id, r.session_id, r.signal)
            == (row.participant_id, row.session_id, row.signal)
        ]
        for path in files:
            if path.is_file() and path not in digests:
                digests[path] = hashlib.sha256(path.read_bytes()).hexdigest()
        known = [digests.get(path) for path in files]
        if row.file_sha256.lower() not in known:
            place = f"row {row.row_number}, column file_sha256"
            files_named = ", ".join(path.name for path in files) or "no such recording"
            found.add(
                "edits.tsv",
                place,
                f"edit {row.edit_id} was made on another file than {files_named}; look again and "
                "add a new row",
            )
