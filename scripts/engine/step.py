"""Call one step of the workflow, for Snakemake or by hand.

A step is a script with one function of the same name. Its parameters say everything a rule must
give it: files first, annotated `Input`, `Inputs`, `Output` or `Outputs`, then settings: whole
sections by their class, single values by their type, in JSON but for plain text.
"""

import argparse
import inspect
import logging
import sys
from pathlib import Path
from typing import Annotated

from pydantic import TypeAdapter, ValidationError

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
        is_file = getattr(kind, "__metadata__", None)
        parser.add_argument(
            f"--{name}",
            type=Path if is_file else _reader_of(kind),
            nargs="*" if several else None,
            required=True,
            help=_help(kind),
        )
    return vars(parser.parse_args())


def _help(kind):
    if getattr(kind, "__metadata__", None):
        return kind.__metadata__[0]
    return "text" if kind is str else f"{getattr(kind, '__name__', kind)}, in JSON"


def _reader_of(kind):
    """What makes a setting of its text: text stays as it is, all else is JSON of its type."""
    if kind is str:
        return str

    def read(text):
        try:
            return TypeAdapter(kind).validate_json(text)
        except ValidationError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return read
