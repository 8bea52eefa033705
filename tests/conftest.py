"""How the tests run: which start whole programs, and in how many processes.

Tests of tests/workflow, of pages in a browser and those that say so themselves start the workflow
engine or a browser; `pytest -m "not engine"` leaves them out and answers in about a minute on two
cores. Where no file or test is named, files are shared among processes, and those that start
programs come first, so that no process is left alone with them at the end.
"""

import os
from pathlib import Path

import pytest

WORKFLOW = Path(__file__).parent / "workflow"

# sums of several threads are added in another order, and processes that share the cores wait
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


@pytest.hookimpl(tryfirst=True)
def pytest_cmdline_main(config):
    options, plugins = config.option, config.pluginmanager
    is_whole = config.args_source is not pytest.Config.ArgsSource.ARGS
    can_share = plugins.has_plugin("xdist") and not hasattr(config, "workerinput")
    if not (is_whole and can_share) or options.usepdb or options.collectonly:
        return
    if options.numprocesses is None:
        options.numprocesses, options.maxprocesses = "logical", options.maxprocesses or 4
        options.dist, options.loadscopereorder = "loadfile", False


def pytest_collection_modifyitems(config, items):
    for item in items:
        if WORKFLOW in item.path.parents or item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.engine)
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: "engine" not in item.keywords)
