"""A small study, run to its end, for tests that begin from finished results and change them."""

import pytest

from project import copy_of_project, run_study, write_tiny_study


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Two people, run with two cores in a copy of the project."""
    folder = copy_of_project(tmp_path_factory.mktemp("finished") / "project")
    write_tiny_study(folder / "tiny", ("sub-01", "sub-02"))
    run_study(folder, "tiny", cores=2)
    return folder
