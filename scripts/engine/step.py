"""Call one step of the workflow, for Snakemake or by hand.

A step is a script with one function of the same name. Its parameters say everything a rule must
give it: files first, annotated `Input`, `Inputs`, `OfEach`, `Output` or `Outputs`, then settings:
whole sections by their class, single values by their type, in JSON but for plain text.
"""

import argparse
import errno
import inspect
import logging
import os
import sys
from functools import cache
from pathlib import Path
from typing import Annotated

from pydantic import TypeAdapter, ValidationError

from engine.memory import give_back_memory
from engine.outputs import whole_or_not
from engine.running import hold_as_job
from study.problems import StudyError

Input = Annotated[Path, "input"]

Inputs = Annotated[list[Path], "input"]

# a command line cannot grow with people: it names one file with {participant} in it
OfEach = Annotated[list[Path], "input of each participant of --study: a path with {participant}"]

# of everybody, those included of whom nothing could be made
OfAll = Annotated[list[Path], "input of each participant of --study, measured or not"]

Output = Annotated[Path, "output"]

Outputs = Annotated[list[Path], "output"]

# an argument that each of several steps in one process has for itself
OF_ONE_STEP = "settings"

NO_ROOM_STATUS = 3

# where the results of this run stand; a step called by hand is not told
RESULTS = "CUFFSTUDY_RESULTS"

# faults of the place where results go, and what to do about each
NO_ROOM = {
    errno.ENOSPC: "Make room on the disk",
    errno.EDQUOT: "Make room within the quota",
    errno.EFBIG: "Raise the limit of file sizes (ulimit -f)",
    errno.EROFS: "Name a place that can be written, with results=... behind --config",
    errno.EACCES: "Allow writing there, or name another place with results=... behind --config",
    errno.EPERM: "Allow writing there, or name another place with results=... behind --config",
}


def run(step):
    """Call `step` with the arguments of the command line; say in one line what went wrong."""
    start_log()
    run_with_words([(step, None)])


def run_with_words(calls):
    """Call each step with the words of a command line, those of this process without any."""
    try:
        calls = [(step, arguments_of(step, words)) for step, words in calls]
    except StudyError as problem:
        logging.error("%s", problem)
        sys.exit(1)
    run_all(calls)


def run_all(calls):
    """Call (step, arguments) in turn; what went wrong ends the process and is said in one line.

    All outputs take their places at the end, together; what an earlier step makes a later one reads
    before it stands there.
    """
    outputs = [output for step, arguments in calls for output in outputs_of(step, arguments)]
    try:
        with whole_or_not(outputs) as made:
            for step, arguments in calls:
                if len(calls) > 1:
                    logging.info("step %s", step.__name__)
                    give_back_memory()
                step(**{name: _where_made(argument, made) for name, argument in arguments.items()})
    except StudyError as problem:
        logging.error("%s", problem)
        sys.exit(1)
    except OSError as problem:
        if problem.errno not in NO_ROOM or not _is_of(problem.filename, outputs):
            _fault(step)
        logging.error("%s", could_not_be_written(problem))
        sys.exit(NO_ROOM_STATUS)
    except Exception:
        _fault(step)


def _fault(step):
    logging.exception("%s: a fault of the program, not of your recordings", step.__name__)
    sys.exit(2)


def could_not_be_written(problem):
    """What a person can do about a disk that takes no more, in one sentence."""
    what = f": {problem.filename}" if problem.filename else ""
    return (
        f"Results cannot be written ({os.strerror(problem.errno)}{what}); what stood there before "
        f"is whole.\n{NO_ROOM[problem.errno]}, then run this again."
    )


def _is_of(file, outputs):
    """Whether a file belongs to these outputs; a full disk often names none."""
    return file is None or any(Path(file).is_relative_to(output.parent) for output in outputs)


def outputs_of(step, arguments):
    """Places of all files and folders that a call of a step makes."""
    kinds = {name: p.annotation for name, p in inspect.signature(step).parameters.items()}
    single = [arguments[name] for name, kind in kinds.items() if kind == Output]
    return single + [f for name, kind in kinds.items() if kind == Outputs for f in arguments[name]]


def _where_made(argument, made):
    if isinstance(argument, list):
        return [_where_made(part, made) for part in argument]
    return made.get(argument, argument) if isinstance(argument, Path) else argument


def start_log():
    """Say what happens, and warnings of libraries, on the standard error."""
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    logging.captureWarnings(True)
    hold_as_job()
    logging.getLogger("fontTools").setLevel(logging.WARNING)


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
            nargs="*" if kind in (Inputs, OfEach, OfAll, Outputs) else None,
            required=True,
            help=_help(kind),
        )
    arguments = vars(parser.parse_args(words))
    for name, kind in kinds.items():
        if kind in (OfEach, OfAll):
            arguments[name] = _of_each(arguments[name], arguments["study"], kind)
    return arguments


def _of_each(patterns, study, kind):
    """The files of everybody who has a recording, in order of participant, then of pattern."""
    if not any("{participant}" in str(pattern) for pattern in patterns):
        return patterns
    from study.rows import participants_of

    people = participants_of(study) if kind == OfAll else people_measured(study)
    if not people:
        raise StudyError("No participant could be measured: mend what is told of each of them.")
    return [Path(str(pattern).format(participant=p)) for p in people for pattern in patterns]


def people_measured(study):
    """Participants with a recording of whom everything could be made, in order."""
    from study.rows import participants_of

    return [p for p in participants_of(study) if not is_unmade(p, os.environ.get(RESULTS))]


def is_unmade(participant, results):
    """Whether a run over these results found that a person's measures could not be made."""
    if results is None:
        return False
    file = Path(results) / "participants" / participant / "unmade.tsv"
    return file.exists() and any(
        line.startswith("person\t") for line in file.read_text(encoding="utf-8").splitlines()
    )


def _is_file(kind):
    return hasattr(kind, "__metadata__")


def _help(kind):
    if _is_file(kind):
        return kind.__metadata__[0]
    return "text" if kind is str else f"{getattr(kind, '__name__', kind)}, in JSON"


@cache
def _reader_of(kind):
    """What makes a setting of its text: text stays as it is, all else is JSON of its type."""
    if kind is str:
        return str

    @cache
    def read(text):
        try:
            return TypeAdapter(kind).validate_json(text)
        except ValidationError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return read
