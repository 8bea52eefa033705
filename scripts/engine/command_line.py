"""What a command of launch.py takes."""

import argparse
import sys
from contextlib import contextmanager

from study.problems import StudyError


def parser_of(command, about):
    """A parser whose help says what the module of the command says of itself."""
    return argparse.ArgumentParser(
        prog=f"launch.py {command}",
        description=about,
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


@contextmanager
def faults_told(*further):
    """End a command with the words of a fault that a person can mend.

    `further` : classes of errors whose words say enough as well
    """
    try:
        yield
    except (StudyError, *further) as fault:
        sys.exit(str(fault))
