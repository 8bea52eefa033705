"""Call one step, or several one after another in one process, which then imports everything once.

python -m engine.steps find_beats --signals ... --then measure_outcomes --beats ...

Each takes the words that it takes alone, as in `python -m find_beats --help`, except those that an
earlier one was given: they are not said again. `--settings` are those of one step.
"""

import gc
import importlib
import inspect
import sys
from itertools import pairwise

from engine.step import OF_ONE_STEP, run_with_words, start_log

THEN = "--then"


def run_words(words):
    """Read the arguments of all steps, then call them in order; a fault ends the process."""
    start_log()
    calls, given = [], {}
    for name, *own_words in _words_of_steps(words):
        step = _step(name)
        shared = given.keys() & inspect.signature(step).parameters
        told = {name: given[name] for name in sorted(shared)} | _by_argument(own_words)
        calls.append((step, [w for name, texts in told.items() for w in (f"--{name}", *texts)]))
        given |= {name: texts for name, texts in told.items() if name != OF_ONE_STEP}
    run_with_words(calls)


def _step(name):
    return getattr(importlib.import_module(name), name)


def _words_of_steps(words):
    """The words of each step, its name first."""
    ends = [n for n, word in enumerate(words) if word == THEN]
    return [words[a + 1 : b] for a, b in pairwise([-1, *ends, len(words)])]


def _by_argument(words):
    """The words behind each `--argument`."""
    starts = [n for n, word in enumerate(words) if word.startswith("--")]
    return {words[a][2:]: words[a + 1 : b] for a, b in pairwise([*starts, len(words)])}


if __name__ == "__main__":
    # imports leave nothing to collect, and looking for it takes a tenth of their time
    gc.disable()
    for step, *_ in _words_of_steps(sys.argv[1:]):
        _step(step)
    gc.freeze()
    gc.enable()
    run_words(sys.argv[1:])
