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
import os
import re
from collections import Counter
from contextlib import suppress
from itertools import product
from pathlib import Path
from typing import get_args
from urllib.parse import quote

import yaml
from pydantic import ValidationError

from declarations.settings import Settings
from declarations.tables import REQUIRED, TABLES, allowed_in, choices_of, meant_by
from step import SCRIPTS, StudyError
from study_checks import check_tables_together

CONFIG = SCRIPTS.parent / "config" / "config.yaml"
MISSING = ("", "n/a")
# the reader in C takes a twentieth of the time; not every build of PyYAML has it
YAML = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def load_study(config):
    """The study that --config names, with its settings; a StudyError lists all problems.

    `config` is Snakemake's: `study` is the folder (default data_demo), `results` where its results
    go (default results/<name of the folder>); further sections, as from --configfile, overrule
    study.yaml.
    """
    overrides = dict(config)
    folder, results = "data_demo", overrides.pop("results", None)
    if not isinstance(overrides.get("study", {}), dict):
        folder = str(overrides.pop("study"))
    # however a person writes the way to the same folder, nothing runs again
    study = Study(Path(os.path.relpath(folder)), overrides, results)
    study.refuse_results_beside_raw()
    return study


class Study:
    """A checked study: tables as lists of rows, settings as plain dictionaries."""

    def __init__(self, folder, overrides=None, results=None):
        self.folder = folder
        self.name = folder.resolve().name
        self.results = f"results/{self.name}" if results is None else Path(str(results)).as_posix()
        self.outcomes = names_in("outcomes")
        self.figures = names_in("figures")
        found = Problems()
        if not folder.is_dir():
            raise StudyError(f"There is no study folder {folder}: name one with --config study=...")
        self.tables = {name: read_table(folder / f"{name}.tsv", found) for name in TABLES}
        self.setting_lines = _lines_of(folder / "study.yaml")
        self.default_settings, self.stated, self.settings = read_settings(
            folder, overrides or {}, self.setting_lines, found
        )
        if self.settings is not None:
            check_tables_together(self, found)
        found.stop()
        self._remarks = found.remarks
        self.participants = sorted({row.participant_id for row in self.tables["recordings"]})
        asked = self.settings["try_alternatives"]["alternatives"]
        self._alternatives = {name: changes for name, changes in asked.items() if changes}
        self.alternatives = sorted(self._alternatives)

    @property
    def unstated(self):
        """What belongs to every study and is not said by this one, so that the usual holds."""
        wanted = ["title"]
        if any(row.trial_type == "set" for row in self.tables["events"]):
            wanted += ["conditions", "primary_outcomes"]
        return [name.replace("_", " ") for name in wanted if name not in self.stated["study"]]

    def notes(self):
        """What a person who starts a run should know and need not mend, a line each."""
        lines = list(self._remarks)
        if self.unstated:
            names = " and ".join(filter(None, [", ".join(self.unstated[:-1]), self.unstated[-1]]))
            lines.append(f"study.yaml names no {names}; the usual of config/config.yaml holds.")
        earlier = self._other_folder_of_results()
        if earlier:
            lines.append(
                f"{self.results} held the results of another study folder, {earlier}, and is "
                f"written over; results={self.results}_2 behind --config would keep them apart."
            )
        return "".join(f"Note: {line}\n" for line in lines)

    def measured_in(self, outcome):
        """Windows in which an outcome is measured; None where its file does not say so plainly."""
        return windows_of(outcome)

    def scale_of(self, outcome):
        """The scale on which an outcome is compared: identity or ratio."""
        return header("outcomes", outcome)["SCALE"]

    def lost_results(self, rules):
        """Files that a rule makes and that are absent beside others that it made.

        Snakemake asks for a file only where something needs it, and compares neither code nor
        settings of a job of which a file is absent: a rule that gained an output would never run.
        """
        names = {
            "participant": self.participants,
            "figure": self.figures,
            "alternative": self.alternatives,
        }
        lost = []
        for rule in rules:
            # Snakemake has written the names that a wildcard may have behind it
            patterns = [re.sub(r"\{(\w+),[^}]*\}", r"{\1}", str(file)) for file in rule.output]
            used = [name for name in names if any(f"{{{name}}}" in text for text in patterns)]
            for values in product(*(names[name] for name in used)):
                labels = dict(zip(used, values, strict=True))
                files = [pattern.format(**labels) for pattern in patterns]
                absent = [file for file in files if not Path(file).exists()]
                lost += absent if len(absent) < len(files) else []
        return lost

    def refuse_results_beside_raw(self):
        """Results never stand where the study stands, nor among its recordings."""
        results, own = Path(self.results).resolve(), self.folder.resolve()
        if own.is_relative_to(results) or results.is_relative_to(own / "raw"):
            raise StudyError(f"Results cannot go to {self.results}: the study itself stands there.")

    def _other_folder_of_results(self):
        """The folder that the results were made from, where it is another that still exists."""
        if not (Path(self.results).exists() and self._made_from.exists()):
            return None
        earlier = Path(self._made_from.read_text(encoding="utf-8"))
        # a folder that is gone was moved: this is then the same study at its new place
        if not (earlier / "recordings.tsv").exists() or earlier.samefile(self.folder):
            return None
        return earlier

    def claim_results(self):
        """Remember, beside Snakemake's own notes, from which folder the results are made.

        Not among the results: they are the same bytes wherever the study stands.
        """
        self._made_from.parent.mkdir(parents=True, exist_ok=True)
        self._made_from.write_text(os.path.relpath(self.folder.resolve()), encoding="utf-8")

    @property
    def _made_from(self):
        return Path(".snakemake") / "made_from" / quote(self.results, safe="")

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

    One that is the name of another, as ASKED_OF is of a constant of the folder in many outcomes,
    has its value; one that is computed is left out.
    """
    shared = {} if name == "__init__" else header(folder, "__init__")
    body = ast.parse((SCRIPTS / folder / f"{name}.py").read_text(encoding="utf-8")).body
    constants = {}
    for node in body:
        if not (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)):
            continue
        constant = node.targets[0].id
        if isinstance(node.value, ast.Name):
            known = shared | constants
            if node.value.id in known:
                constants[constant] = known[node.value.id]
        elif constant.isupper():
            with suppress(ValueError):
                constants[constant] = ast.literal_eval(node.value)
    return constants


def windows_of(outcome):
    """Windows in which an outcome is measured, read without importing it; None where unclear."""
    asked_of = header("outcomes", outcome).get("ASKED_OF")
    if asked_of is None:
        return None
    return list(dict.fromkeys(place.rpartition("/")[2] for place in asked_of))


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
        self._found = []
        # values of rows that were refused: what refers to them is not a further problem
        self.refused_rows = {}
        # tables that could not be read at all: nothing is compared with them
        self.unread_tables = set()
        # what is odd and may still be meant
        self.remarks = []

    def add(self, file, place, message):
        self._found.append((file, place, message))

    def add_unread(self, path, place, message):
        """A problem that leaves nothing of a table to be checked."""
        self.add(path.name, place, message)
        self.unread_tables.add(path.stem)

    def stop(self):
        if self._found:
            lines = _one_line_for_each(self._found)
            count = "1 problem" if len(lines) == 1 else f"{len(lines)} problems"
            raise StudyError("\n  ".join([f"{count} to mend before anything runs:", *lines]))


def _one_line_for_each(found):
    """Problems in order of file and row; the same one in many rows is one line."""
    rows_of_each = {}
    for file, place, message in dict.fromkeys(found):
        row = re.match(r"row (\d+)", place)
        rest = place[row.end() :] if row else place
        rows_of_each.setdefault((file, rest, message), []).append(int(row[1]) if row else None)
    lines = []
    for (file, rest, message), rows in rows_of_each.items():
        number = rows[0]
        place = rest if number is None else f"row {number}{rest}"
        if number is None:
            line = re.search(r"\d+", place)
            number = int(line[0]) if line else 0
        where = f"{file}, {place}" if place else file
        lines.append(((file, number), f"{where}: {message}{also_in(rows[1:])}"))
    return [line for _, line in sorted(lines, key=lambda numbered: numbered[0])]


def also_in(rows):
    """The end of a message that holds for further rows of a table."""
    if not rows:
        return ""
    if len(rows) > 5:
        return f" (also in {len(rows)} further rows, the last is row {rows[-1]})"
    return f" (also in {'row' if len(rows) == 1 else 'rows'} {', '.join(map(str, rows))})"


# Tables


def read_table(path, found):
    """Rows of a table as declared, each knowing its row number; problems go to `found`.

    A byte-order mark, CRLF, spaces round a value and blank lines are accepted.
    """
    model, name = TABLES[path.stem], path.name
    if not path.exists():
        if path.stem in REQUIRED:
            found.add_unread(path, "", f"the table is missing; it is needed in {path.parent}")
        return []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        found.add_unread(path, "", f"is not UTF-8 text (byte {error.start}); save it as UTF-8")
        return []
    lines = [[cell.strip() for cell in line] for line in csv.reader(io.StringIO(text), "excel-tab")]
    header = lines[0] if lines else []
    while header and not header[-1]:
        header = header[:-1]
    required = [c for c, f in model.model_fields.items() if f.is_required() or c in model.needed]
    problem = _header_problem(header, required, model)
    if problem:
        found.add_unread(path, "row 1", problem)
        return []
    for column in sorted(set(header) - set(model.model_fields)):
        near = _nearly_declared(column, set(model.model_fields) - set(header))
        if near and near not in required:
            found.add(name, "row 1", f"column {column!r} is not known; did you mean {near!r}?")
    for column, times in Counter(header).items():
        if times > 1:
            found.add(name, "row 1", f"column {column!r} stands {times} times; keep one")
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
    if path.stem in REQUIRED and not any(any(cells) for cells in lines[1:]):
        found.add_unread(path, "", "holds a header and no rows")
    return rows


def _header_problem(header, required, model):
    """Why a header cannot be that of a table, in one sentence; empty where nothing is missing."""
    absent = [column for column in required if column not in header]
    if not absent:
        return ""
    missing = f"column {absent[0]} is missing" if len(absent) == 1 else "columns are missing: "
    missing += ", ".join(absent) if len(absent) > 1 else ""
    of_each = {column: choices_of(model.model_fields[column].annotation) for column in absent}
    told = [f"in {column}: {', '.join(choices)}" for column, choices in of_each.items() if choices]
    allowed = f"; allowed {'; '.join(told)}" if told else ""
    if len(header) == 1 and any(mark in header[0] for mark in ",;"):
        return f"{missing}; columns are separated by tabs, save it as TSV"
    renamed = [
        f"found {near[0]!r}: rename it"
        for column in absent
        if (near := difflib.get_close_matches(column, set(header) - set(model.model_fields), 1))
    ]
    if not renamed and not set(header) & set(model.model_fields):
        shown = ", ".join(repr(cell) for cell in header[:4]) or "nothing"
        return f"{missing}; row 1 must name the columns, found {shown}"
    return "; ".join([missing, *renamed]) + allowed


def _nearly_declared(column, absent):
    """The declared column that a header lacks only its unit of, or differs from by a letter."""
    absent = sorted(absent)
    without_unit = [name for name in absent if name.rpartition("_")[0] == column]
    return next(iter(without_unit or difflib.get_close_matches(column, absent, 1, 0.93)), None)


def _in_words(problem, number, model):
    """Place and sentence of one problem of pydantic in a row of a table."""
    message, kind = problem["msg"], problem["type"]
    if kind == "value_error":
        place, _, rest = message.removeprefix("Value error, ").partition(": ")
        allowed, _, value = rest.partition("|")
        return f"row {number}, {place}", f"found {value!r}, allowed: {allowed}"
    column = str(problem["loc"][0])
    field = model.model_fields[column]
    choices = choices_of(field.annotation)
    allowed = ", ".join(choices) or allowed_in(field) or message
    if kind == "missing":
        return f"row {number}, column {column}", f"is empty, a value is required: {allowed}"
    value = problem["input"]
    hint = ""
    if kind == "literal_error":
        near = meant_by(str(value), choices)
        hint = f"; did you mean {near!r}?" if near else ""
    elif kind in ("float_parsing", "int_parsing") and "," in str(value):
        hint = "; write a point as decimal mark and no thousands mark"
    return f"row {number}, column {column}", f"found {value!r}, allowed: {allowed}{hint}"


# Settings


def read_settings(folder, overrides, lines, found):
    """Settings of config.yaml, what the study states over them, and both together, checked.

    What the study states is study.yaml with overrides laid over it; without a title it is called
    after its folder.
    """
    complete = _read_yaml(CONFIG, found)
    own_file = folder / "study.yaml"
    own = _read_yaml(own_file, found) if own_file.exists() else {}
    if own_file.exists() and not own_file.read_bytes().strip():
        found.add(
            own_file.name,
            "",
            "is empty; write what differs from config/config.yaml, first of all study: title, "
            "conditions and primary_outcomes, or delete the file to use the usual settings",
        )
    if complete is None or own is None:
        return None, None, None
    usual = _checked(complete, "config.yaml", {}, found)
    stated = laid_over({"study": {}}, laid_over(own, overrides))
    together = laid_over(complete, stated)
    resolved = _checked(together, "study.yaml", lines, found)
    if resolved is not None:
        if "title" not in stated["study"]:
            resolved["study"]["title"] += f": {folder.resolve().name}"
        for name, changes in resolved["try_alternatives"]["alternatives"].items():
            changed = {k: v for k, v in (changes or {}).items() if k in Settings.model_fields}
            _checked(laid_over(resolved, changed), f"settings, alternative {name}", {}, found)
    return usual, stated, resolved


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
    if kind == "value_error":
        return f"found {value!r}, allowed: {problem['msg'].removeprefix('Value error, ')}"
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
        root = yaml.compose(text, YAML)
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
    return yaml.load(text, YAML)


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
    """Line of every key and list item of a YAML file, by its path; nothing without a file."""
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

    with suppress(OSError, UnicodeDecodeError, yaml.YAMLError):
        walk(yaml.compose(path.read_text(encoding="utf-8-sig"), YAML), ())
    return lines
