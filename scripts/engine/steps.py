"""Call one step, or several one after another in one process, which then imports everything once.

python -m engine.steps find_beats --signals ... --then measure_outcomes --beats ...

Each takes the words that it takes alone, as in `python -m find_beats --help`.
"""

import gc
import importlib
import sys

from engine.step import run_with_words, start_log

THEN = "--then"


def run_words(words):
    """Read the arguments of all steps, then call them in order; a fault ends the process."""
    start_log()
    run_with_words([(_step(name), own_words) for name, *own_words in _words_of_steps(words)])


def _step(name):
    return getattr(importlib.import_module(name), name)


def _words_of_steps(words):
    """The words of each step, its name first."""
    parts = [[]]
    for word in words:
        if word == THEN:
            parts.append([])
        else:
            parts[-1].append(word)
    return parts


if __name__ == "__main__":
    # imports leave nothing to collect, and looking for it takes a tenth of their time
    gc.disable()
    for step, *_ in _words_of_steps(sys.argv[1:]):
        _step(step)
    gc.freeze()
    gc.enable()
    run_words(sys.argv[1:])
