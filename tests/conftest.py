"""Which tests start the workflow engine: all of tests/workflow, and those that say so themselves.

`pytest -m "not engine"` answers in some two minutes; without it everything runs. Where several
processes share the tests, those that start the engine come first, so that none is left alone with
them at the end.
"""

from pathlib import Path

import pytest

WORKFLOW = Path(__file__).parent / "workflow"


def pytest_collection_modifyitems(config, items):
    for item in items:
        if WORKFLOW in item.path.parents:
            item.add_marker(pytest.mark.engine)
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: "engine" not in item.keywords)
