"""Settings that the study changed."""

import pandas as pd

from report.page import shown_table
from study.settings_files import changed_settings

ORDER = 85

TITLE = "Settings and rerun"

NEEDS = ()


def section(results):
    changed = [
        (path, setting_in_words(default), setting_in_words(here))
        for path, default, here in changed_settings(results.default_settings, results.settings)
    ]
    table = pd.DataFrame(changed, columns=["setting", "default", "here"])
    return {"changed": shown_table(table, "Settings that differ from the defaults")}


def setting_in_words(value):
    """A setting as people read it: lists and groups of settings without their brackets."""
    if isinstance(value, dict):
        return "; ".join(f"{path}: {setting_in_words(leaf)}" for path, leaf in _leaves(value))
    if isinstance(value, list):
        return ", ".join(setting_in_words(item) for item in value)
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def _leaves(group, path=""):
    """Settings of a group with their full names; what is empty changes nothing."""
    for name, value in group.items():
        full = f"{path}.{name}" if path else str(name)
        if isinstance(value, dict):
            yield from _leaves(value, full)
        elif value not in (None, "", []):
            yield full, value
