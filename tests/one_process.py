"""A study to its end in one process: every job of a dry run in its order, without the engine.

Reads what `snakemake -n --printshellcmds` printed. Twenty processes cost a small study more than
its science; what the engine does with them is tested where it is started.
"""

import os
import shlex
import sys

from engine.rules import prepare_jobs
from engine.step import RESULTS
from engine.steps import run_words

SHELL = "Shell command: python "


def jobs(printed):
    """The words of each job: its steps and what they take."""
    for line in printed.splitlines():
        if line.startswith(SHELL):
            words = shlex.split(line.removeprefix(SHELL).partition(" > ")[0])
            yield [word for word in words if word not in ("-m", "engine.steps")]


if __name__ == "__main__":
    prepare_jobs()
    os.environ[RESULTS] = sys.argv[1]
    for words in jobs(sys.stdin.read()):
        run_words(words)
