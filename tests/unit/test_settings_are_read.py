"""Every declared setting is read by a step that is given it, and no step reads another."""

import ast
import inspect
import re
from functools import cache
from pathlib import Path

import pytest
import yaml
from pydantic import BaseModel

from engine.code import SCRIPTS, _files_of, _imports_of, syntax_tree
from project import PROJECT
from study import settings
from study.settings import setting_sections

STEPS = sorted(set(SCRIPTS.glob("*.py")) - {SCRIPTS / "launch.py"})
TEMPLATES = "".join(
    path.read_text(encoding="utf-8")
    for path in sorted((PROJECT / "workflow" / "templates").rglob("*.jinja"))
)
DECLARED = [
    (section, name)
    for section, declared in setting_sections().items()
    for name in declared.model_fields
]


@pytest.mark.parametrize(("section", "name"), DECLARED, ids=lambda text: text)
def test_every_setting_is_read_by_a_step_that_is_given_it(section, name):
    kind = setting_sections()[section].__name__
    given = [path for path in STEPS if {kind, "Settings"} & set(kinds_of(path).values())]
    # the study's own facts, and what rules and checks pick from the settings by name
    wired = names_read(SCRIPTS / "study") | wired_names(section)
    read = wired.union(*(names_read(path) for path in given))
    assert name in read, f"{section}.{name} is declared and read by none of {given}"


@pytest.mark.parametrize("path", STEPS, ids=lambda path: path.stem)
def test_a_step_reads_only_settings_that_it_is_given(path):
    kinds = kinds_of(path)
    for node in ast.walk(syntax_tree(path)):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            model = getattr(settings, kinds.get(node.value.id, ""), None)
            if inspect.isclass(model) and issubclass(model, BaseModel):
                assert hasattr(model, node.attr) or node.attr in model.model_fields, (
                    f"{path.name}, line {node.lineno}: {model.__name__} has no {node.attr}"
                )


def test_a_setting_that_no_step_reads_would_be_found():
    assert "a_setting_that_nobody_reads" not in set().union(*(names_read(p) for p in STEPS))


def test_the_file_of_defaults_holds_what_is_declared_in_the_order_of_the_declarations():
    path = PROJECT / "config" / "config.yaml"
    written = yaml.safe_load(path.read_text(encoding="utf-8"))
    declared = {name: list(model.model_fields) for name, model in setting_sections().items()}
    for section, names in declared.items():
        assert list(written.get(section, {})) == names, (
            f"write the settings of {section} in config/config.yaml in this order: {names}"
        )
    assert list(written) == list(declared), (
        f"write the sections of config/config.yaml in this order: {list(declared)}"
    )


@cache
def kinds_of(path):
    """Classes of the parameters of a step, by name."""
    (function,) = (n for n in syntax_tree(path).body if isinstance(n, ast.FunctionDef))
    parameters = [*function.args.args, *function.args.kwonlyargs]
    return {p.arg: ast.unparse(p.annotation) for p in parameters}


@cache
def names_read(start):
    """Attributes that a script and what it imports read, and what outcomes ask for by name."""
    waiting = sorted(start.glob("*.py")) if start.is_dir() else [start]
    seen, names = set(), set(re.findall(r"\.(\w+)", TEMPLATES))
    while waiting:
        path = waiting.pop()
        if path in seen or path == Path(settings.__file__):
            continue
        seen.add(path)
        names |= attributes_of(path)
        if not start.is_dir():
            imported = imported_by(path)
            waiting += [file for name in imported for file in _files_of(name)]
            # figures are found by their folder
            listed = "figures" if "engine.listings.figure_modules" in imported else ""
            waiting += (SCRIPTS / listed).glob("*.py") if listed else []
    if any(path.parent.name == "measuring" for path in seen):
        # windows, properties and outcomes ask for settings by the names of parameters
        asking = [
            p for f in ("windows", "outcomes", "measuring") for p in (SCRIPTS / f).glob("*.py")
        ]
        asking += seen
        names = names.union(*(parameters_of(path) for path in asking))
    return names


@cache
def imported_by(path):
    return _imports_of(syntax_tree(path), path)


@cache
def attributes_of(path):
    tree = syntax_tree(path)
    return {node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute)}


@cache
def parameters_of(path):
    return {node.arg for node in ast.walk(syntax_tree(path)) if isinstance(node, ast.arg)}


@cache
def wired_names(section):
    """Settings of a section that a rule gives to its step one by one."""
    rules = "".join(
        path.read_text(encoding="utf-8") for path in (PROJECT / "workflow").rglob("*.smk")
    )
    return set(re.findall(rf"SETTINGS\.{section}\.(\w+)", rules))
