"""One row per person, a column per outcome and condition, for programs of statistics.

The table is comma-separated with a decimal point; an empty cell is missing. The codebook says what
each column is.
"""

import re

import pandas as pd

from engine.listings import described
from results.tables import number
from results.words import words_of

SHORT_WINDOWS = {"recovery_first_60_s": "rec60", "recovery_steady": "rec", "baseline": "base"}

KEYS = ["outcome", "window", "condition"]


def outcomes_by_person(outcomes, people, conditions):
    """The table and its codebook.

    A value is the mean over the exercises and bouts of one person in one condition. Of an outcome
    that is measured in or after sets only these count, as in the contrasts.
    """
    noted = [name for name in people.columns if people[name].notna().any()]
    people = people[[name for name in noted if name != "row_number"]]
    asked = outcomes["condition"].isin(conditions) & outcomes["value"].notna()
    known = outcomes.loc[asked, ["participant_id", *KEYS, "exercise", "value"]]
    in_sets = set(map(tuple, known.loc[known["exercise"].notna(), KEYS[:2]].to_numpy()))
    of_sets = pd.Series(
        [pair in in_sets for pair in zip(known["outcome"], known["window"], strict=True)],
        index=known.index,
        dtype=bool,
    )
    known = known[known["exercise"].notna() | ~of_sets]
    means = known.groupby([*KEYS, "participant_id"])["value"].mean()
    pairs = dict.fromkeys(zip(known["outcome"], known["window"], strict=True))
    columns, codebook = {}, [_of_person(name, people[name]) for name in people.columns]
    for outcome, window in pairs:
        for condition in conditions:
            if (outcome, window, condition) in means.index.droplevel("participant_id"):
                of_condition = means.loc[(outcome, window, condition)]
                columns[column_name(outcome, window, condition)] = of_condition
                codebook.append(_of_outcome(outcome, window, condition, len(of_condition)))
    wide = pd.DataFrame(columns).reindex(people["participant_id"]).reset_index(drop=True)
    return pd.concat([people.reset_index(drop=True), wide], axis=1), pd.DataFrame(codebook)


def column_name(outcome, window, condition):
    """`smo2_nadir_pct_set_target`: letters, digits and underscores only."""
    name = f"{outcome}_{SHORT_WINDOWS.get(window, window)}_{condition}"
    return re.sub(r"[^A-Za-z0-9_]+", "_", name)


def _of_person(name, of_condition):
    known = {"column": name, "what": words_of(name), "people": int(of_condition.notna().sum())}
    return known | {"how": "as in participants.tsv"}


def _of_outcome(outcome, window, condition, n_people):
    module = described(outcome)
    return {
        "column": column_name(outcome, window, condition),
        "what": f"{module.LABEL}, {words_of(window)}, {condition}",
        "people": n_people,
        "how": "mean over the exercises and bouts of the person in the condition",
        "outcome": outcome,
        "window": window,
        "condition": condition,
        "unit": module.UNIT or None,
        "compared_as": "natural logarithm" if module.SCALE == "ratio" else "as it stands",
    }


def write_csv(table, path):
    """Comma-separated, decimal point, an empty cell where missing, numbers as in other tables."""
    shown = table.astype(object)
    for column in table.columns:
        shown[column] = [
            "" if pd.isna(cell) else number(cell, column) if isinstance(cell, float) else cell
            for cell in table[column]
        ]
    shown.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
