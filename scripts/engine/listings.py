"""The windows, outcomes and figures: every file of their folder."""

import ast
import importlib.util
from contextlib import suppress
from functools import cache
from itertools import chain
from types import SimpleNamespace

from engine.code import SCRIPTS, syntax_tree


@cache
def modules_of(folder):
    """Modules of a folder by name, in order of name; file names may begin with a number."""
    modules = {}
    for name in names_in(folder):
        spec = importlib.util.spec_from_file_location(name, SCRIPTS / folder / f"{name}.py")
        modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(modules[name])
    return modules


def outcome_modules():
    """Every outcome by its name."""
    return modules_of("outcomes")


@cache
def window_modules():
    """Every window by its name, in the order of a visit."""
    modules = modules_of("windows")
    return {name: modules[name] for name in windows()}


def windows():
    """Names of all windows, in the order of a visit."""
    return list(_windows(SCRIPTS))


@cache
def _windows(_scripts):
    return sorted(names_in("windows"), key=lambda name: header("windows", name)["ORDER"])


def figure_modules():
    """Every figure by its name."""
    return modules_of("figures")


def names_in(folder):
    """Names of the modules of a folder: its listing is the list of outcomes, or of figures."""
    paths = (SCRIPTS / folder).glob("[!_]*.py")
    return sorted(path.stem for path in paths)


def needs_of(folder):
    """Everything that the modules of a folder say they need, in order of name."""
    return sorted({need for name in names_in(folder) for need in header(folder, name)["NEEDS"]})


def header(folder, name):
    """The capitalised constants at the top of a module, read without importing it.

    One that is the name of another, as ASKED_OF is of a constant of the folder in many outcomes,
    has its value; one that is computed is left out.
    """
    return _constants(SCRIPTS / folder, name)


@cache
def _constants(folder, name):
    shared = {} if name == "__init__" else _constants(folder, "__init__")
    body = syntax_tree(folder / f"{name}.py").body
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


@cache
def described(outcome):
    """LABEL, UNIT, SCALE and the like of an outcome, read without importing what measures it."""
    return SimpleNamespace(**{"EVIDENCE": None} | header("outcomes", outcome))


def docstring(folder, name):
    """What a module says of itself, read without importing it."""
    return ast.get_docstring(syntax_tree(SCRIPTS / folder / f"{name}.py"))


def functions_in(module):
    """Names of the public functions of a module of ours, read without importing it."""
    body = syntax_tree(SCRIPTS / f"{module}.py").body
    names = [node.name for node in body if isinstance(node, ast.FunctionDef)]
    return [name for name in names if not name.startswith("_")]


def families():
    """The family of every outcome, read without importing it."""
    return {name: header("outcomes", name)["FAMILY"] for name in names_in("outcomes")}


def windows_of(outcome):
    """Windows in which an outcome is measured, read without importing it; None where unclear."""
    asked_of = header("outcomes", outcome).get("ASKED_OF")
    if asked_of is None:
        return None
    return [
        name for name in windows() if asked_of in chain(*header("windows", name)["ASKED"].values())
    ]
