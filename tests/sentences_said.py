"""What the functions of the report gave while tests ran, for `pytest -p sentences_said`.

Where the environment names a file in SENTENCES_SAID, it holds at the end, as JSON, the texts that
each function of scripts/report/ gave, by file and function, each text once.
"""

import json
import os
import sys
from dataclasses import is_dataclass
from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).parents[1]

REPORT = str(ROOT / "scripts" / "report") + os.sep

GIVEN = {}


def texts_in(value):
    """Every text inside a value, in order."""
    if isinstance(value, str):
        yield str(value)
    elif isinstance(value, dict):
        yield from texts_in([part for pair in value.items() for part in pair])
    elif isinstance(value, list | tuple | set):
        for part in value:
            yield from texts_in(part)
    elif is_dataclass(value) and not isinstance(value, type):
        yield from texts_in(vars(value))
    elif isinstance(value, pd.DataFrame):
        yield from texts_in([*value.columns, *value.astype(object).to_numpy().ravel().tolist()])


def _noted(frame, event, value):
    code = frame.f_code
    if event == "return" and code.co_filename.startswith(REPORT):
        place = Path(code.co_filename).relative_to(ROOT).as_posix()
        of_file = GIVEN.setdefault(place, {})
        of_file.setdefault(code.co_qualname, set()).add(" | ".join(texts_in(value)))


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_call():
    sys.setprofile(_noted)
    yield
    sys.setprofile(None)


def pytest_sessionfinish():
    told = {
        place: {name: sorted(texts) for name, texts in functions.items()}
        for place, functions in GIVEN.items()
    }
    Path(os.environ["SENTENCES_SAID"]).write_text(json.dumps(told), encoding="utf-8")
