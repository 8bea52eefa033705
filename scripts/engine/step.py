"""Call one step of the workflow, for Snakemake or by hand.

A step is a script with one function of the same name. Its parameters say everything a rule must
give it: files first, annotated `Input`, `Inputs`, `OfEach`, `Output` or `Outputs`, then settings:
whole sections by their class, single values by their type, in JSON but for plain text.
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

# a command line cannot grow with people: it names one file with {participant} in it
OfEach = Annotated[list[Path], "input of each participant of --study: a path with {participant}"]

Output = Annotated[Path, "output"]

Outputs = Annotated[list[Path], "output"]


def run(step):
    """Call `step` with the arguments of the command line; say in one line what went wrong."""
    start_log()
    call(step, arguments_of(step))


def start_log():
    """Say what happens, and warnings of libraries, on the standard error."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    logging.captureWarnings(True)
    logging.getLogger("fontTools").setLevel(logging.WARNING)


def call(step, arguments):
    """Call `step`; what went wrong ends the process and is said in one line."""
    try:
        step(**arguments)
    except StudyError as problem:
        logging.error("%s", problem)
        sys.exit(1)
    except Exception:
        logging.exception("%s: a fault of the program, not of your recordings", step.__name__)
        sys.exit(2)


def arguments_of(step, words=None):
    """Arguments of a step from the words of a command line, of this process without any."""
    module = inspect.getmodule(step)
    parser = argparse.ArgumentParser(
        prog=f"python -m {step.__name__}",
        description=module.__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    kinds = {name: p.annotation for name, p in inspect.signature(step).parameters.items()}
    for name, kind in kinds.items():
        parser.add_argument(
            f"--{name}",
            type=Path if _is_file(kind) else _reader_of(kind),
            nargs="*" if kind in (Inputs, OfEach, Outputs) else None,
            required=True,
            help=_help(kind),
        )
    arguments = vars(parser.parse_args(words))
    for name in [name for name, kind in kinds.items() if kind == OfEach]:
        arguments[name] = _of_each(arguments[name], arguments["study"])
    return arguments


def _of_each(patterns, study):
    """The files of everybody who has a recording, in order of participant, then of pattern."""
    if not any("{participant}" in str(pattern) for pattern in patterns):
        return patterns
    from study.rows import participants_of

    people = participants_of(study)
    return [Path(str(pattern).format(participant=p)) for p in people for pattern in patterns]


def _is_file(kind):
    return hasattr(kind, "__metadata__")


def _help(kind):
    if _is_file(kind):
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
