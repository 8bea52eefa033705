"""Where numbers come from: definition, window, settings, rows and recordings of each outcome."""

import numpy as np

from engine.listings import described, names_in, windows
from measuring.recipes import (
    functions_behind,
    meaning_of_window,
    recipe_of,
    recordings_behind,
    settings_behind,
)
from report.answer import person_by_condition
from report.page import shown_table
from report.words import label_of, window_of_set
from results.words import counted, in_words, words_of

ORDER = 75

TITLE = "Where the numbers come from"

NEEDS = ("outcomes", "contrasts")


def section(results):
    outcomes = results.outcomes
    given = outcomes[outcomes["value"].notna()]
    asked = set(zip(given["outcome"], given["window"], strict=True)) | set(results.primary)
    by_rows = {"outcomes": positions(outcomes), "contrasts": positions(results.contrasts)}
    told = [
        outcome_explained(name, [w for w in windows() if (name, w) in asked], by_rows, results)
        for name in names_in("outcomes")
    ]
    told = [outcome for outcome in told if outcome["windows"]]
    example = given.iloc[0] if len(given) else None
    if not told:
        return None
    named = {part["window"] for outcome in told for part in outcome["windows"]}
    meanings = [(w, meaning_of_window(w, results.settings)) for w in windows() if w in named]
    return {"outcomes": told, "windows": meanings, "example": example}


def positions(table):
    """Numbers of the rows of each (outcome, window), as a spreadsheet numbers them."""
    return {
        key: indices + 2 for key, indices in table.groupby(["outcome", "window"]).indices.items()
    }


def outcome_explained(name, named_windows, by_rows, results):
    """Everything that stands behind the numbers of one outcome."""
    settings = results.settings
    read = sorted({s for window in named_windows for s in settings_behind(name, window)})
    signals = [words_of(signal) for w in named_windows[:1] for signal in recordings_behind(name, w)]
    return {
        "name": name,
        "label": label_of(name),
        "recipe": recipe_of(name, settings),
        "functions": functions_behind(name),
        "settings": [f"{s} {_value_of(s, settings)}" for s in read],
        "signals": in_words(signals, "or") if signals else "",
        "ratio": described(name).SCALE == "ratio",
        "windows": [window_explained(name, w, by_rows, results) for w in named_windows],
    }


def _value_of(name, settings):
    section = settings.measure_outcomes
    setting = getattr(section if name in type(section).model_fields else settings.protocol, name)
    if isinstance(setting, list):
        return (
            " to ".join(map(str, setting))
            if all(isinstance(v, float) for v in setting)
            else setting
        )
    return f"{setting:g}" if isinstance(setting, float) else setting


def window_explained(name, window, by_rows, results):
    """The values of an outcome in one window: how many, which rows, and of whom."""
    outcomes, no_row = results.outcomes, np.empty(0, dtype=int)
    measured = outcomes.iloc[by_rows["outcomes"].get((name, window), no_row) - 2]
    compared = by_rows["contrasts"].get((name, window), [])
    given = int(measured["value"].notna().sum())
    said = (
        f"{counted(len(measured), 'value')} asked, {given} given, "
        f"{int((measured['status'] == 'flagged').sum())} of them flagged."
    )
    if len(compared):
        said += f" Contrasts: contrasts.tsv, rows {compared.min()} to {compared.max()}."
    by_person = None
    if (name, window) in results.primary:
        cells = person_by_condition(measured, results.conditions)
        if len(cells):
            by_person = shown_table(cells, f"{label_of(name)}, {window_of_set(window)}, by person")
    return {
        "window": window,
        "said": said,
        "of_people": by_person,
    }
