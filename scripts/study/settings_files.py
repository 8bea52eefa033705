"""Read config.yaml and study.yaml, lay one over the other and check both."""

import difflib
from contextlib import suppress
from typing import get_args

import yaml
from pydantic import ValidationError

from engine.code import SCRIPTS
from study.settings import Settings

CONFIG = SCRIPTS.parent / "config" / "config.yaml"

# the reader in C takes a twentieth of the time; not every build of PyYAML has it
YAML = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


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


def lines_of(path):
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
