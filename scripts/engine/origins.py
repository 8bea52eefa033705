"""All that the rules make, and from what each rule makes it, for the last step of a run."""

import hashlib
import re
from pathlib import Path
from types import SimpleNamespace

from engine.rules import NOT_ARGUMENTS, parameter, without_constraints

# parameters that name a file or a folder: what lies there is an input, not a setting
PLACES = {"study", "participant"}


def made_by(rules, participants):
    """Participant by file or folder that the rules so far make; None where it is of the study.

    What has a wildcard of its own is made on request alone and belongs to no run.
    """
    patterns = [without_constraints(file) for rule in rules for file in rule.output]
    patterns = [p for p in patterns if not re.search(r"\{(?!participant\})", p)]
    return {
        pattern.format(participant=participant): participant
        for pattern in patterns
        for participant in (participants if "{participant}" in pattern else [None])
    }


def everything(rules, participants):
    """All files of all rules so far, as one input; no list of a rule needs to name them again.

    An input function: Snakemake would compare every file of a list with the whole list.
    """
    files = list(made_by(rules, participants))
    return lambda wildcards: files


def origins(rules, results, project):
    """Of each rule so far what the manifest says: an `Origin` of results/manifest.py, as JSON."""
    known = [rule for rule in rules if rule.output]
    return lambda wildcards: parameter([_origin(r, Path(results), Path(project)) for r in known])(
        wildcards
    )


def _origin(rule, results, project):
    parameters = dict(rule.params.items())
    code, table_rows = parameters.get("code"), parameters.get("rows")
    files = [Path(file) for file in _inputs_of(rule, parameters)]
    made = [file for file in files if file.is_relative_to(results)]
    filled = [file for file in files if file not in made and file.is_relative_to(project)]
    return {
        "rule": rule.name,
        "files": [
            Path(without_constraints(f)).relative_to(results).as_posix() for f in rule.output
        ],
        "inputs": [file.relative_to(results).as_posix() for file in made],
        "templates": [file.relative_to(project).as_posix() for file in filled],
        "recordings": any(name == "raw" for name in dict(rule.input.items())),
        "tables": list(table_rows.tables) if table_rows else [],
        "settings_sha256": _digest_of_settings(rule, parameters),
        "scripts": list(code.scripts) if code else [],
    }


def _inputs_of(rule, parameters):
    """Files of a rule, those of everybody as patterns, which are parameters of the same name."""
    named = dict(rule.input.items())
    files = [file for file in rule.input if not callable(file)]
    for name, file in named.items():
        if name in parameters:
            files += parameters[name](None)
        elif not callable(file):
            continue
    return [without_constraints(file) for file in files]


def _digest_of_settings(rule, parameters):
    wildcards = SimpleNamespace(items=lambda: [])
    texts = {
        name: given(wildcards) if callable(given) else str(given)
        for name, given in parameters.items()
        if name not in NOT_ARGUMENTS | PLACES | set(dict(rule.input.items()))
    }
    told = "".join(f"{name}={texts[name]}\n" for name in sorted(texts))
    return hashlib.sha256(told.encode()).hexdigest()
