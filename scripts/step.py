"""Run one step of the workflow, for Snakemake or by hand, and know what code a step consists of.

A step is a script with one function of the same name. Its parameters say everything a rule must
give it: files first, annotated `Input`, `Inputs`, `Output` or `Outputs`, then settings by name.
From that one signature come the shell command of the rule, the options of the command line and the
check that rule and function agree.
"""

import argparse
import ast
import atexit
import hashlib
import inspect
import json
import logging
import os
import re
import sys
import textwrap
import time
from functools import cache
from pathlib import Path
from types import CodeType
from typing import Annotated

SCRIPTS = Path(__file__).resolve().parent
STARTED = time.time()

Input = Annotated[Path, "input"]
Inputs = Annotated[list[Path], "input"]
Output = Annotated[Path, "output"]
Outputs = Annotated[list[Path], "output"]

PLACES = {"Input": "input", "Inputs": "input", "Output": "output", "Outputs": "output"}
NOT_ARGUMENTS = {"code", "rows"}


class StudyError(Exception):
    """Something that a person can mend: where it is, what was found, what to do."""


def prepare_jobs():
    """Let jobs find this Python and these scripts, and stamp no dates into what they write."""
    os.environ["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    os.environ["PYTHONPATH"] = str(SCRIPTS)
    os.environ["SOURCE_DATE_EPOCH"] = "0"


def run(step):
    """Call `step` with the arguments of the command line; say in one line what went wrong."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    logging.captureWarnings(True)
    logging.getLogger("fontTools").setLevel(logging.WARNING)
    arguments = _arguments_of(step)
    try:
        step(**arguments)
    except StudyError as problem:
        logging.error("%s", problem)
        sys.exit(1)
    except Exception:
        logging.exception("%s: a fault of the program, not of your recordings", step.__name__)
        sys.exit(2)


def _arguments_of(step):
    module = inspect.getmodule(step)
    parser = argparse.ArgumentParser(
        description=module.__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name, parameter in inspect.signature(step).parameters.items():
        kind = parameter.annotation
        several = kind in (Inputs, Outputs)
        parser.add_argument(
            f"--{name}",
            type=Path if getattr(kind, "__metadata__", None) else _value,
            nargs="*" if several else None,
            required=True,
            help=kind.__metadata__[0] if getattr(kind, "__metadata__", None) else "setting",
        )
    return vars(parser.parse_args())


def _value(text):
    """A setting as written in JSON; what is not JSON is text."""
    try:
        return json.loads(text)
    except json.JSONDecodeError:
        return text


def command(name):
    """The shell command of the rule that runs scripts/<name>.py, read from the step's signature."""
    words = [f"python -m {name}"]
    for argument, place in _places(name).items():
        words.append(f"--{argument} {{{place}.{argument}:q}}")
    return " ".join([*words, "> {log:q} 2>&1"])


def settings_of(section):
    """The settings of one section as parameters of a rule, each written so that a step reads it."""
    return {name: json.dumps(value, ensure_ascii=False) for name, value in section.items()}


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
        for node in _tree(SCRIPTS / f"{name}.py").body
        if isinstance(node, ast.FunctionDef) and node.name == name
    )
    parameters = [*function.args.args, *function.args.kwonlyargs]
    return {p.arg: PLACES.get(ast.unparse(p.annotation), "params") for p in parameters}


def code_of(*names):
    """The code behind a rule, as a parameter: when it changes, Snakemake reruns the rule.

    A name may hold a wildcard of the rule or a pattern: `figures/{figure}`, `outcomes/*`.
    """
    return lambda wildcards: fingerprint(
        *(name.format(**dict(wildcards.items())) for name in names)
    )


@cache
def fingerprint(*names):
    """Hash of scripts and all modules of ours they import; comments and docstrings do not count."""
    waiting = [path for name in names for path in sorted(SCRIPTS.glob(f"{name}.py"))]
    seen = {}
    while waiting:
        path = waiting.pop()
        if path not in seen:
            seen[path], imported = _digest_and_imports(path)
            waiting += imported
    text = "".join(f"{path.relative_to(SCRIPTS)}{seen[path]}" for path in sorted(seen))
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def say_problems_last(logs, *, keep_going):
    """Why this run stopped, behind all that Snakemake itself says at the end."""
    found = problems(logs)
    if found and not keep_going:
        found += "\nWhat had not begun was not looked at; --keep-going names the faults of all."
    if found:
        atexit.register(print, found, file=sys.stderr)


def problems(logs):
    """What the jobs of this run stumbled over, each once; empty where none said anything."""
    written = [log for log in sorted(Path(logs).rglob("*.log")) if log.stat().st_mtime >= STARTED]
    found = {}
    for log in written:
        _, *errors = re.split(r"^ERROR ", log.read_text(errors="replace"), maxsplit=1, flags=re.M)
        for message in errors:
            found.setdefault(message.partition("\nTraceback")[0].strip(), log)
    told = [textwrap.indent(f"{message}\n[{log}]", "  ") for message, log in found.items()]
    return "\n".join(["", "Why this run stopped:", *told]) if told else ""


@cache
def _tree(path):
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _digest_and_imports(path):
    """Hash of what one file does, and the files of ours that it imports."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = set()
    for node in _statements(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list) and body and _is_text(body[0]):
            node.body = body[1:] or [ast.Pass(lineno=1, col_offset=0)]
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            parents = path.relative_to(SCRIPTS).parent.parts if node.level else ()
            base = ".".join([*parents, *([node.module] if node.module else [])])
            names |= {base, *(f"{base}.{alias.name}" for alias in node.names)}
    digest = hashlib.sha256("\n".join(_meaning(compile(tree, "", "exec"))).encode()).hexdigest()
    return digest, [file for name in sorted(names - {""}) for file in _files_of(name)]


def _statements(node):
    """A module and all statements in it, however deep."""
    yield node
    for name in ("body", "orelse", "finalbody", "handlers", "cases"):
        parts = getattr(node, name, None)
        for part in parts if isinstance(parts, list) else ():
            yield from _statements(part)


def _meaning(code):
    """What a compiled piece of code does, without the lines on which it stands."""
    counts = (code.co_argcount, code.co_posonlyargcount, code.co_kwonlyargcount, code.co_flags)
    names = (code.co_names, code.co_varnames, code.co_freevars, code.co_cellvars)
    yield f"{code.co_name} {counts} {names} {code.co_code.hex()} {code.co_exceptiontable.hex()}"
    for value in code.co_consts:
        if isinstance(value, CodeType):
            yield from _meaning(value)
        else:
            # the order within a set differs from one Python process to the next
            yield repr(sorted(map(repr, value)) if isinstance(value, frozenset) else value)


def _is_text(node):
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _files_of(name):
    """Files of ours that make up a module; this one moves data and computes nothing."""
    stem = SCRIPTS / name.replace(".", "/")
    candidates = (stem.with_suffix(".py"), stem / "__init__.py")
    return [path for path in candidates if path.exists() and path.name != "step.py"]
