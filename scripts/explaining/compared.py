"""One row of a table of the comparison, from its words down to the values behind it."""

import pandas as pd

from engine.listings import described
from measuring.recipes import meaning_of_window, recipe_of
from results.columns import TABLES
from results.tables import number


def chain(finished, name, number_of_row, row):
    """Lines from a row of a result table down to the rows of outcomes.tsv behind it."""
    columns = {c: m for c, m in TABLES[name].columns.items() if pd.notna(row.get(c))}
    yield "Row", [f"{name}.tsv, row {number_of_row}", " ".join(TABLES[name].row.split())]
    yield (
        "Cells",
        [
            f"{column} = {_cell(row[column], column)}: {' '.join(meaning.split())}"
            for column, meaning in columns.items()
        ],
    )
    outcome, window = row.get("outcome"), row.get("window")
    if not isinstance(outcome, str) or not isinstance(window, str):
        return
    yield (
        "Definition",
        [recipe_of(outcome, finished.settings), meaning_of_window(window, finished.settings)],
    )
    if described(outcome).SCALE == "ratio":
        yield "Scale", ["Ratios, from differences of natural logarithms."]
    if described(outcome).SCALE == "ordinal":
        yield "Scale", ["Differences of relative effects, from the ranks of all values."]
    yield "Values", list(values_in_words(finished, row))


def _cell(cell, column):
    return number(cell, column) if isinstance(cell, float) else str(cell)


def values_behind(finished, row):
    """Rows of outcomes.tsv of the outcome, window and, where the row has them, the conditions and
    the exercise; the index counts from 0, so that a row of the file is the index and 2."""
    table = finished.table("outcomes")
    asked = table[(table["outcome"] == row["outcome"]) & (table["window"] == row["window"])]
    asked = asked[asked["condition"].isin(finished.settings.study.conditions)]
    contrast = row.get("contrast")
    if isinstance(contrast, str):
        asked = asked[asked["condition"].isin(contrast.split(" - "))]
    exercise = row.get("exercise")
    if isinstance(exercise, str) and exercise != "all":
        asked = asked[asked["exercise"] == exercise]
    return asked


def values_in_words(finished, row):
    """What each person contributes in each condition, with the rows of outcomes.tsv."""
    asked = values_behind(finished, row)
    given = asked[asked["value"].notna()]
    flagged, withheld = int((asked["status"] == "flagged").sum()), len(asked) - len(given)
    yield (
        f"{len(asked)} values asked in outcomes.tsv, {len(given)} given, {flagged} of them "
        f"flagged, {withheld} withheld"
    )
    for (participant, condition), of_person in asked.groupby(["participant_id", "condition"]):
        known = of_person["value"].dropna()
        mean = "no value" if known.empty else f"mean {known.mean():.6g} of {len(known)}"
        lines = ", ".join(spans([n + 2 for n in of_person.index]))
        yield f"{participant}, {condition}: {mean}; rows {lines}"


def spans(numbers):
    """Numbers in order as spans: 3, 5 to 7."""
    first = last = None
    for n in [*numbers, None]:
        if last is not None and n == last + 1:
            last = n
            continue
        if last is not None:
            yield str(first) if first == last else f"{first} to {last}"
        first = last = n
