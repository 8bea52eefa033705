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


def setting_in_words(setting):
    """A setting as people read it: lists and groups of settings without their brackets."""
    if isinstance(setting, dict):
        return "; ".join(f"{path}: {setting_in_words(leaf)}" for path, leaf in _leaves(setting))
    if isinstance(setting, list):
        return ", ".join(setting_in_words(part) for part in setting)
    return "" if setting is None else f"{setting:g}" if isinstance(setting, float) else str(setting)


def _leaves(group, path=""):
    """Settings of a group with their full names; what is empty changes nothing."""
    for name, setting in group.items():
        full = f"{path}.{name}" if path else str(name)
        if isinstance(setting, dict):
            yield from _leaves(setting, full)
        elif setting not in (None, "", []):
            yield full, setting
