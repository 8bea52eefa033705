"""How an outcome is made, in words and names, read without importing what measures it.

An outcome says its recipe (RECIPE) with the names of settings in braces; what it is made from
follows from the names of parameters, as in measuring/inputs.py.
"""

import ast
from functools import cache
from itertools import chain

from engine.code import SCRIPTS, syntax_tree
from engine.listings import described, header
from study.settings import MeasureOutcomes, Protocol, by_name

SETTINGS = frozenset(chain(MeasureOutcomes.model_fields, Protocol.model_fields))

# recordings that an outcome rests on, by what it asks for
RECORDED = {
    "beats": ("ecg", "rr"),
    "respiration": ("respiration", "ecg", "rr"),
    "traces": ("muscle_oxygen",),
}


def recipe_of(outcome, settings):
    """The definition of an outcome in words, with the settings of the run in their places."""
    named = by_name(settings.measure_outcomes, settings.protocol)
    return described(outcome).RECIPE.format(**named)


def meaning_of_window(window, settings):
    """What a window is, in words, with the settings of the run in their places."""
    named = by_name(settings.measure_outcomes, settings.protocol)
    parts = header("windows", window)["SAYS"].split("`")
    said = "".join(
        f"{named[part]:g} s" if part in named and part.endswith("_s") else part for part in parts
    )
    return f"{said[0].upper()}{said[1:]}."


def settings_behind(outcome, window):
    """Names of the settings that an outcome and its window read, in alphabetical order."""
    return sorted(asked_for(outcome, window) & SETTINGS)


def recordings_behind(outcome, window):
    """Signals of recordings.tsv that an outcome may be read from."""
    named = getattr(described(outcome), "RECORDED", None)
    if named:
        return [named]
    asked = asked_for(outcome, window)
    return list(dict.fromkeys(chain(*(RECORDED[name] for name in RECORDED if name in asked))))


def functions_behind(outcome):
    """Functions of ours that compute an outcome, as `muscle.levels.nadir`, the first one first."""
    path = f"outcomes/{outcome}"
    waiting, functions, seen = [(path, _functions(path)["measure"])], [], set()
    while waiting:
        module_path, function = waiting.pop(0)
        functions += _calls(module_path, function)
        for name in _parameters(function):
            if name in _makers() and name not in seen:
                seen.add(name)
                waiting.append(_makers()[name])
    return list(dict.fromkeys(functions))


def asked_for(outcome, window):
    """Everything that an outcome and its window are made from, whatever makes it."""
    waiting = [*_parameters(_functions(f"outcomes/{outcome}")["measure"])]
    waiting += _parameters(_functions(f"windows/{window}")["cut"])
    asked = set()
    while waiting:
        name = waiting.pop()
        if name not in asked:
            asked.add(name)
            if name in _makers():
                waiting += _parameters(_makers()[name][1])
    return asked


@cache
def _makers():
    """Place and syntax of what measuring/inputs.py and measuring/properties.py make, by name."""
    modules = ("measuring/properties", "measuring/inputs")
    return {
        name: (path, function)
        for path in modules
        for name, function in _functions(path).items()
        if not name.startswith("_")
    }


@cache
def _functions(path):
    body = syntax_tree(SCRIPTS / f"{path}.py").body
    return {node.name: node for node in body if isinstance(node, ast.FunctionDef)}


def _parameters(function):
    return [parameter.arg for parameter in function.args.args]


def _calls(path, function):
    """Calls of a function to functions of ours, by the names under which they are imported."""
    imported = _imports(path)
    for node in ast.walk(function):
        if not isinstance(node, ast.Call):
            continue
        called = ast.unparse(node.func).split(".")
        name = ".".join([imported.get(called[0], ""), *called[1:]])
        folder = name.split(".")[0]
        if folder in ("heart", "muscle") and name.rsplit(".", 1)[-1].islower():
            yield name


@cache
def _imports(path):
    names = {}
    for node in syntax_tree(SCRIPTS / f"{path}.py").body:
        if isinstance(node, ast.ImportFrom):
            names |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
    return names


def said_of_function(name):
    """First sentence of the docstring of a function of ours."""
    module, _, function = name.rpartition(".")
    said = ast.get_docstring(_functions(module.replace(".", "/"))[function]) or ""
    return " ".join(said.split("\n\n")[0].split())
