"""A sound study, in which each test makes one mistake."""

import pytest

from project import write_tiny_study


@pytest.fixture
def study(tmp_path):
    return write_tiny_study(tmp_path / "tiny", participants=("sub-01",))
