"""Read config.yaml and study.yaml, lay one over the other and check both."""

import difflib
from functools import lru_cache
from typing import get_args

from pydantic import ValidationError

from engine.code import SCRIPTS
from study.own_names import SECTION, faults_of_section
from study.problems import Problems, shown
from study.settings import RETIRED, Settings, moved_settings
from study.yaml_files import read_yaml, values_and_lines

CONFIG = SCRIPTS.parent / "config" / "config.yaml"
QUALITY_RULES = CONFIG.with_name("quality_rules.yaml")

# what a plan states holds for the setting that the steps read
PLANNED = {
    ("plan", "primary_outcomes"): ("study", "primary_outcomes"),
    ("plan", "smallest_effect"): ("compare_conditions", "smallest_effect"),
}


class Written:
    """Where study.yaml states a setting: its line, and its section where that is a former one."""

    def __init__(self, lines):
        self._lines = lines
        self._formerly = {}

    def stated_formerly(self, path, formerly):
        """Remember that the setting of a path stands in the section that had it before."""
        self._formerly[path] = formerly

    def place_of(self, path, *, named=1):
        """Place of a setting as a person finds it, and whether study.yaml holds a line of it.

        (`line 3, study.title`, True), or (`study.title`, False) where not even the first `named`
        names of the path stand in study.yaml.
        """
        for depth in range(len(path), 0, -1):
            if path[:depth] in self._formerly:
                path = (*self._formerly[path[:depth]], *path[depth:])
                break
        text = ".".join(path)
        for depth in range(len(path), named - 1, -1):
            if path[:depth] in self._lines:
                return f"line {self._lines[path[:depth]]}, {text}", True
        return text, False


def read_settings(folder, overrides, problems):
    """Default settings, what the study states over them, and both together; None with faults.

    What the study states is study.yaml with overrides laid over it, every setting in the section
    that has it now; without a title the study is called after its folder.
    """
    complete = default_values(problems)
    path = folder / "study.yaml"
    stands = path.exists()
    of_study, lines = read_yaml(path, problems) if stands else ({}, {})
    written = problems.written = Written(lines)
    if stands and of_study == {} and not path.read_bytes().strip():
        problems.add(
            path.name,
            "",
            "is empty; write what differs from config/config.yaml, first of all study: title, "
            "conditions and primary_outcomes, or delete the file to use the default settings",
        )
    if None in (complete, of_study):
        return None, None, None
    # the map of own words is no setting: it stays in the study
    names = of_study.pop(SECTION, None)
    for setting, message in faults_of_section(names) if names is not None else []:
        problems.add_setting(setting, message)
    default = _checked(complete, "config.yaml", Written({}), problems)
    both = [_in_present_sections(settings, written, problems) for settings in (of_study, overrides)]
    both = [_without_retired(settings, problems) for settings in both]
    stated = _as_planned(merged({"study": {}}, merged(*both)), written)
    together = merged(complete, stated)
    if default is not None:
        # a section of which the study states nothing is sound already
        together |= {name: section for name, section in default if name not in stated}
    resolved = _checked(together, "study.yaml", written, problems)
    if resolved is not None:
        if "title" not in stated["study"]:
            title = f"{resolved.study.title}: {folder.resolve().name}"
            of_study = resolved.study.model_copy(update={"title": title})
            resolved = resolved.model_copy(update={"study": of_study})
        for name in resolved.try_alternatives.alternatives:
            file = f"settings, alternative {name}"
            _checked(_under_alternative(resolved, name), file, Written({}), problems)
    return default, stated, resolved


def settings_of(folder):
    """Default settings, and those of a study folder. Raises StudyError with all problems."""
    problems = Problems()
    default, _, settings = read_settings(folder, {}, problems)
    problems.stop()
    return default, settings


def default_settings():
    """The settings of a study that states nothing."""
    problems = Problems()
    complete = default_values(problems)
    problems.stop()
    return Settings.model_validate(complete)


def default_values(problems):
    """Values of config.yaml with the quality rules; None where one of the files is unread."""
    complete, _ = read_yaml(CONFIG, problems, parsed=_parsed_once)
    rules, _ = read_yaml(QUALITY_RULES, problems, parsed=_parsed_once)
    return None if None in (complete, rules) else complete | {"quality_rules": rules}


# a process that checks many studies parses the long default file once
_parsed_once = lru_cache(maxsize=2)(values_and_lines)


def under_alternative(settings, name):
    """All settings as they are under one alternative."""
    return Settings.model_validate(_under_alternative(settings, name))


def _under_alternative(settings, name):
    """Sections of which an alternative changes something as values, the others as they were."""
    alternative = settings.try_alternatives.alternatives[name]
    changed = alternative.model_dump() if alternative else {}
    changed = {s: change for s, change in changed.items() if change and s in Settings.model_fields}
    return dict(settings) | merged(settings.model_dump(include=set(changed)), changed)


def _without_retired(stated, problems):
    """Settings of earlier studies that no longer decide anything are told and left out."""
    for name in RETIRED:
        section, setting = name.split(".")
        if isinstance(stated.get(section), dict) and setting in stated[section]:
            stated[section].pop(setting)
            problems.remarks.append(f"study.yaml, {name}: no longer decides anything; take it out.")
    alternatives = stated.get("try_alternatives")
    named = alternatives.get("alternatives") if isinstance(alternatives, dict) else None
    if isinstance(named, dict):
        for name, changes in list(named.items()):
            if isinstance(changes, dict) and _only_retired(changes):
                named[name] = None
                problems.remarks.append(
                    f"study.yaml, alternative {name}: changes only what no longer decides "
                    "anything, and is not run."
                )
            elif isinstance(changes, dict):
                named[name] = _without_retired(dict(changes), problems)
    return stated


def _only_retired(changes):
    stated = {
        f"{section}.{name}"
        for section, of_section in changes.items()
        if isinstance(of_section, dict)
        for name in of_section
    }
    return bool(stated) and stated <= set(RETIRED) and "edits" not in changes


def _as_planned(stated, written):
    """What only the plan states, stated for the steps as well."""
    for planned, used in PLANNED.items():
        plan = stated.get(planned[0])
        plan = plan.get(planned[1]) if isinstance(plan, dict) else None
        section = stated.setdefault(used[0], {})
        if plan and isinstance(section, dict) and used[1] not in section:
            stated = {**stated, used[0]: {**section, used[1]: plan}}
            written.stated_formerly(used, planned)
    return {name: below for name, below in stated.items() if below != {} or name == "study"}


def _in_present_sections(stated, written, problems, within=()):
    """What is stated, each setting in the section that has it now, in alternatives as well."""
    stated = {name: dict(v) if isinstance(v, dict) else v for name, v in stated.items()}
    _move_former_rules(stated, written, within)
    _move_cuffs(stated, written, problems, within)
    for moved, (section, name) in moved_settings().items():
        former, former_name = moved.split(".")
        if not (isinstance(stated.get(former), dict) and former_name in stated[former]):
            continue
        setting = stated[former].pop(former_name)
        present = stated.setdefault(section, {})
        if not isinstance(present, dict):
            continue
        path = (*within, section, name)
        if name in present and present[name] != setting:
            line_now, _ = written.place_of(path)
            line_there, _ = written.place_of((*within, former, former_name))
            problems.add(
                "study.yaml",
                line_there,
                f"found {setting!r}, but {line_now} says {present[name]!r}; the setting is now "
                f"{section}.{name}, keep that one and take out this one",
            )
        elif name not in present:
            written.stated_formerly(path, (*within, former, former_name))
        present.setdefault(name, setting)
    alternatives = stated.get("try_alternatives", {})
    if not within and isinstance(alternatives, dict):
        named = alternatives.get("alternatives")
        if isinstance(named, dict):
            path_of_all = ("try_alternatives", "alternatives")
            alternatives["alternatives"] = {
                name: _in_present_sections(changes, written, problems, (*path_of_all, str(name)))
                if isinstance(changes, dict)
                else changes
                for name, changes in named.items()
            }
    return stated


def _move_former_rules(settings, written, within):
    """Rules that a study states as measure_outcomes.gates; its list of outcomes is then whole."""
    former = settings.get("measure_outcomes")
    if not (isinstance(former, dict) and isinstance(former.get("gates"), dict)):
        return
    rules = settings.setdefault("quality_rules", {})
    for name, stated in former.pop("gates").items():
        if isinstance(stated, dict) and "outcomes" in stated:
            stated = {"families": [], "without": [], **stated}
        rules[name] = merged(stated, rules[name]) if name in rules else stated
        stated_at = (*within, "measure_outcomes", "gates", name)
        written.stated_formerly((*within, "quality_rules", name), stated_at)


CUFFS = ("check_safety", "cuffs"), ("cuffs",)


def _move_cuffs(stated, written, problems, within):
    """Cuffs may stand in a section of their own, since several tables name them."""
    section = stated.setdefault("check_safety", {}) if "cuffs" in stated else None
    if isinstance(section, dict) and "cuffs" in section:
        stated.pop("cuffs")
        in_safety, own_section = (written.place_of((*within, *path))[0] for path in CUFFS)
        problems.add(
            "study.yaml", own_section, f"stands beside {in_safety}; write all cuffs in one of them"
        )
    elif isinstance(section, dict):
        section["cuffs"] = stated.pop("cuffs")
        written.stated_formerly((*within, "check_safety", "cuffs"), (*within, "cuffs"))


def _checked(stated, file, written, problems):
    try:
        return Settings.model_validate(stated)
    except ValidationError as error:
        for problem in error.errors():
            line, _ = written.place_of(tuple(str(part) for part in problem["loc"]))
            problems.add(file, line, _message_of(problem))
        return None


def _message_of(problem):
    kind, entry = problem["type"], problem["input"]
    if kind == "extra_forbidden":
        known = _known_names(problem["loc"][:-1])
        near = difflib.get_close_matches(str(problem["loc"][-1]), known, 1)
        hint = f"; did you mean {near[0]!r}?" if near else f"; known: {', '.join(known)}"
        return f"is not a setting{hint}"
    if kind == "missing":
        return "is missing"
    if isinstance(entry, bool) and kind == "string_type":
        return (
            f"found {entry}, allowed: text; YAML reads an unquoted no, yes, on or off so, quote it"
        )
    if kind == "value_error":
        allowed = problem["msg"].removeprefix("Value error, ")
        # what several settings say together has their section as its place
        of_section = isinstance(entry, dict) and problem["loc"] and _known_names(problem["loc"])
        return f"allowed: {allowed}" if of_section else f"found {shown(entry)}, allowed: {allowed}"
    if kind in ("model_type", "dict_type"):
        return f"found {shown(entry)}, allowed: settings below it, as `name: value`, indented"
    words = problem["msg"].removeprefix("Input should be ")
    return f"found {shown(entry)}, allowed: {words[0].lower()}{words[1:]}"


def _known_names(path):
    """Names allowed at a place of the settings, for the nearest to a misspelt one."""
    model = Settings
    for part in path:
        fields = getattr(model, "model_fields", None)
        if fields is None:
            # a section whose entries are named by the study, as alternatives: all have one model
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


def merged(stated, changes):
    """Values with changes carried out, section by section; lists are replaced whole."""
    if not (isinstance(stated, dict) and isinstance(changes, dict)):
        return changes
    return {**stated, **{k: merged(stated[k], v) if k in stated else v for k, v in changes.items()}}


def changed_settings(default, settings):
    """Settings that differ: section.name, value in the first, value in the second."""
    return list(differences(default.model_dump(), settings.model_dump()))


def differences(first, second, path=""):
    """Settings that differ between two: path, value in the first, value in the second."""
    if isinstance(first, dict) and isinstance(second, dict):
        for name in sorted({*first, *second}):
            yield from differences(
                first.get(name), second.get(name), f"{path}.{name}" if path else name
            )
    elif first != second:
        yield path, first, second
