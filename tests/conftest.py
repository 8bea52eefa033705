"""Which tests start the workflow engine: all of tests/workflow, and those that say so themselves.

`pytest -m "not engine"` answers in about a minute; without it everything runs.
"""

from pathlib import Path

import pytest

WORKFLOW = Path(__file__).parent / "workflow"


def pytest_collection_modifyitems(items):
    for item in items:
        if WORKFLOW in item.path.parents:
            item.add_marker(pytest.mark.engine)
