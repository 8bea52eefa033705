"""Outcomes and figures: the listing of their folder is the list of them."""

import importlib.util
from functools import cache

from step import SCRIPTS
from study import names_in


@cache
def modules_of(folder):
    """Modules of a folder by name, in order of name; file names may begin with a number."""
    modules = {}
    for name in names_in(folder):
        place = importlib.util.spec_from_file_location(name, SCRIPTS / folder / f"{name}.py")
        modules[name] = importlib.util.module_from_spec(place)
        place.loader.exec_module(modules[name])
    return modules


def outcome_modules():
    """Every outcome by its name."""
    return modules_of("outcomes")


def figure_modules():
    """Every figure by its name."""
    return modules_of("figures")
