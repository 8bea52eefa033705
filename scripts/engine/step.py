"""Call one step of the workflow, for Snakemake or by hand.

A step is a script with one function of the same name. Its parameters say everything a rule must
give it: files first, annotated `Input`, `Inputs`, `Output` or `Outputs`, then settings by name.
"""

import argparse
import inspect
import json
import logging
import sys
from pathlib import Path
from typing import Annotated

from study.problems import StudyError

Input = Annotated[Path, "input"]

Inputs = Annotated[list[Path], "input"]

Output = Annotated[Path, "output"]

Outputs = Annotated[list[Path], "output"]


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
