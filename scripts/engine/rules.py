"""What a rule needs to know of its step: the shell command, and whether both agree on names.

Both are read from the signature of the step, without importing it.
"""

import ast
import os
import sys
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter

from engine.code import SCRIPTS, syntax_tree
from study.problems import StudyError

PLACES = {"Input": "input", "Inputs": "input", "Output": "output", "Outputs": "output"}

NOT_ARGUMENTS = {"code", "rows"}


def prepare_jobs():
    """Let jobs find this Python and these scripts, and stamp no dates into what they write."""
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    os.environ["PYTHONPATH"] = str(SCRIPTS)
    os.environ["SOURCE_DATE_EPOCH"] = "0"


def command(name):
    """The shell command of the rule that runs scripts/<name>.py, read from the step's signature."""
    words = [f"python -m {name}"]
    for argument, place in _places(name).items():
        words.append(f"--{argument} {{{place}.{argument}:q}}")
    return " ".join([*words, "> {log:q} 2>&1"])


def parameter(value):
    """A value as a step reads it back: a section, a list or a number in JSON, text as it is."""
    text = value if isinstance(value, str) else TypeAdapter(type(value)).dump_json(value).decode()
    # Snakemake would look for wildcards in a text that no function gives
    return lambda wildcards: text


def check_steps(rules):
    """Every rule and the function it calls agree on names; said in the dry run, not hours later."""
    for rule in rules:
        if not (rule.shellcmd or "").startswith("python -m "):
            continue
        name = rule.shellcmd.split()[2]
        takes = _places(name)
        gives = {**_named(rule.input, "input"), **_named(rule.output, "output")}
        gives |= {n: "params" for n in dict(rule.params.items()) if n not in NOT_ARGUMENTS}
        if takes != gives:
            only_rule = sorted(set(gives.items()) - set(takes.items()))
            only_step = sorted(set(takes.items()) - set(gives.items()))
            raise StudyError(
                f"Rule {rule.name} and scripts/{name}.py disagree: "
                f"only the rule has {only_rule}, only the function has {only_step}."
            )


def _named(files, place):
    return dict.fromkeys(dict(files.items()), place)


@cache
def _places(name):
    """Parameters of the step's function, each with the place it comes from, in order."""
    (function,) = (
        node
        for node in syntax_tree(SCRIPTS / f"{name}.py").body
        if isinstance(node, ast.FunctionDef) and node.name == name
    )
    parameters = [*function.args.args, *function.args.kwonlyargs]
    return {p.arg: PLACES.get(ast.unparse(p.annotation), "params") for p in parameters}
