"""Call several steps one after another in one process, which then imports everything once.

python -m engine.steps find_beats --signals ... --then measure_outcomes --beats ...

Each takes the words that it takes alone, as in `python -m find_beats --help`.
"""

import importlib
import sys

from engine.step import arguments_of, run_all, start_log

THEN = "--then"


def run_words(words):
    """Read the arguments of all steps, then call them in order; a fault ends the process."""
    start_log()
    calls = []
    for name, *own_words in _apart(words):
        step = getattr(importlib.import_module(name), name)
        calls.append((step, arguments_of(step, own_words)))
    run_all(calls)


def _apart(words):
    """The words of each step, its name first."""
    parts = [[]]
    for word in words:
        if word == THEN:
            parts.append([])
        else:
            parts[-1].append(word)
    return parts


if __name__ == "__main__":
    run_words(sys.argv[1:])
