"""What a rule needs to know of its steps: the shell command, and whether both agree on names.

Both are read from the signatures of the steps, without importing them.
"""

import ast
import os
import re
import sys
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter

from engine.code import SCRIPTS, syntax_tree
from engine.step import OF_ONE_STEP
from study.problems import StudyError

PLACES = {
    "Input": "input",
    "Inputs": "input",
    "OfEach": "of each",
    "OfAll": "of each",
    "Output": "output",
    "Outputs": "output",
}

# parameters by which Snakemake reruns a rule, and which no step takes
NOT_ARGUMENTS = {"code", "rows"}

# the C library keeps freed memory up to these bytes, and Arrow takes its memory from there
MEMORY = {
    "MALLOC_MMAP_THRESHOLD_": "67108864",
    "MALLOC_TRIM_THRESHOLD_": "134217728",
    "ARROW_DEFAULT_MEMORY_POOL": "system",
}

# the steps behind each shell command that was made here
STEPS = {}


def prepare_jobs():
    """Let jobs find this Python and these scripts, and stamp no dates into what they write."""
    for name, first in (("PATH", Path(sys.executable).parent), ("PYTHONPATH", SCRIPTS)):
        further = [os.environ[name]] if os.environ.get(name) else []
        os.environ[name] = os.pathsep.join([str(first), *further])
    os.environ["SOURCE_DATE_EPOCH"] = "0"
    # memory that an array leaves is taken again instead of given back and asked for: a third of a
    # second for each person
    os.environ |= MEMORY


def parameter(given):
    """A value as a step reads it back: a section, a list or a number in JSON, text as it is."""
    text = given if isinstance(given, str) else TypeAdapter(type(given)).dump_json(given).decode()
    # Snakemake would look for wildcards in a text that no function gives
    return lambda wildcards: text


def of_everybody(files, participants):
    """Inputs of a rule that stand once for each participant: all files of each argument.

    Each is a function, because Snakemake would compare every file of a list with the whole list.
    """
    return {
        argument: lambda wildcards, patterns=patterns: [
            pattern.format(participant=p) for p in participants for pattern in patterns
        ]
        for argument, patterns in _patterns(files).items()
    }


def patterns_of(files):
    """The same inputs as parameters: paths with {participant}, which do not grow with people."""
    return {argument: lambda wildcards, p=p: p for argument, p in _patterns(files).items()}


def _patterns(files):
    return {
        argument: [
            without_constraints(file) for file in ([given] if isinstance(given, str) else given)
        ]
        for argument, given in files.items()
    }


def without_constraints(file):
    """The path of an output; Snakemake writes the names that a wildcard may have behind it."""
    return re.sub(r"\{(\w+),[^}]*\}", r"{\1}", str(file))


def command(*steps, goes_on=False):
    """The shell command of a rule: its step, or several steps one after another in one process.

    goes_on : whether a person of whom they fail leaves the reason in the output `unmade`, so that
        the study goes on without (engine/unmade.py)

    Every argument is a file or parameter of the rule by its own name; where a rule runs several
    steps, `settings` of each is the parameter named after the step, what an earlier step makes a
    later one reads, and what several take is said once.
    """
    calls, given = [], set()
    for step in steps:
        words = [step]
        for argument, kind in _kinds_of_arguments(step).items():
            name = step if argument == OF_ONE_STEP and len(steps) > 1 else argument
            if name not in given:
                # files of each participant are given as patterns, which are parameters
                words.append(f"--{argument} {{{kind.replace('of each', 'params')}.{name}:q}}")
            given.add(name)
        calls.append(" ".join(words))
    text = f"python -m engine.steps {' --then '.join(calls)} > {{log:q}} 2>&1"
    if goes_on:
        text += (
            " || python -m engine.unmade $? --participant {params.participant:q} "
            "--unmade {output.unmade:q} --log {log:q} {output:q} >> {log:q} 2>&1"
        )
    STEPS[text] = steps
    return text


def check_steps(rules):
    """Every rule and the steps it calls agree on names; said in the dry run, not hours later."""
    for rule in rules:
        steps = STEPS.get(rule.shellcmd, ())
        takes = {}
        for step in steps:
            for argument, kind in _kinds_of_arguments(step).items():
                several = argument == OF_ONE_STEP and len(steps) > 1
                takes.setdefault(step if several else argument, kind)
        gives = {**_each_of_kind(rule.input, "input"), **_each_of_kind(rule.output, "output")}
        for name in set(dict(rule.params.items())) - NOT_ARGUMENTS:
            gives[name] = "of each" if name in gives else "params"
        # what an earlier step makes is no input of the rule
        takes |= {name: "output" for name in takes if gives.get(name) == "output"}
        if steps and takes != gives:
            only_rule = sorted(set(gives.items()) - set(takes.items()))
            only_steps = sorted(set(takes.items()) - set(gives.items()))
            raise StudyError(
                f"Rule {rule.name} and {', '.join(f'scripts/{name}.py' for name in steps)} "
                f"disagree: only the rule has {only_rule}, only the function has {only_steps}."
            )


def _each_of_kind(files, kind):
    return dict.fromkeys(dict(files.items()), kind)


@cache
def _kinds_of_arguments(name):
    """Parameters of a step's function, each with the place it comes from, in order."""
    (function,) = (
        node
        for node in syntax_tree(SCRIPTS / f"{name}.py").body
        if isinstance(node, ast.FunctionDef) and node.name == name
    )
    parameters = [*function.args.args, *function.args.kwonlyargs]
    return {p.arg: PLACES.get(ast.unparse(p.annotation), "params") for p in parameters}
