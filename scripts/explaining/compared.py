"""One row of a table of the comparison, from its words down to the values behind it."""

import pandas as pd

from engine.listings import described
from measuring.recipes import meaning_of_window, recipe_of
from results.columns import TABLES, columns_of
from results.tables import as_read, number, stack

# tables that the comparison of conditions makes of outcomes.tsv
RECOMPUTED = (
    *("contrasts", "claims", "joint_tests", "crossover", "models", "sensitivity", "planning"),
)


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


def _cell(value, column):
    return number(value, column) if isinstance(value, float) else str(value)


def values_behind(finished, row):
    """Rows of outcomes.tsv of the outcome, window and, where the row has them, the conditions and
    the exercise; the index counts from 0, so that a row of the file is the index and 2."""
    table = finished.table("outcomes")
    values = table[(table["outcome"] == row["outcome"]) & (table["window"] == row["window"])]
    values = values[values["condition"].isin(finished.settings.study.conditions)]
    contrast = row.get("contrast")
    if isinstance(contrast, str):
        values = values[values["condition"].isin(contrast.split(" - "))]
    exercise = row.get("exercise")
    if isinstance(exercise, str) and exercise != "all":
        values = values[values["exercise"] == exercise]
    return values


def values_in_words(finished, row):
    """What each person contributes in each condition, with the rows of outcomes.tsv."""
    own = values_behind(finished, row)
    given = own[own["value"].notna()]
    flagged, withheld = int((own["status"] == "flagged").sum()), len(own) - len(given)
    yield (
        f"{len(own)} values asked in outcomes.tsv, {len(given)} given, {flagged} of them flagged, "
        f"{withheld} withheld"
    )
    for (participant, condition), values in own.groupby(["participant_id", "condition"]):
        known = values["value"].dropna()
        mean = "no value" if known.empty else f"mean {known.mean():.6g} of {len(known)}"
        lines = ", ".join(spans([n + 2 for n in values.index]))
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


# tables that are made again row by row, in their order, from outcomes.tsv and the study
REMADE = ("failure", "dose", "coupling", "repetitions", "repetition_agreement", "safety")


def remade(finished, name, number_of_row):
    """The same row of one of REMADE made again; None where there is none."""
    table = finished.kept(("remade", name), lambda: as_read(_made_again(finished, name), name))
    return table.iloc[number_of_row - 2] if number_of_row - 2 < len(table) else None


def _made_again(finished, name):
    from study.session_sheet import events_of, table_of

    settings, study = finished.settings, finished.study
    values = finished.table("outcomes")
    sets = values[(values["trial_type"] == "set") & values["value"].notna()]
    band_pct = settings.protocol.failure_band_pct
    if name == "failure":
        from comparison.failure_table import failure_rows

        asked = {"conditions": settings.study.conditions, "seed": settings.study.seed}
        return pd.DataFrame(failure_rows(values, band_pct=band_pct, **asked))
    if name == "dose":
        from comparison.dose_table import dose_rows, doses_of

        noted = finished.table("safety"), finished.table("cuff_checks")
        doses = doses_of(events_of(study), *noted, settings.protocol)
        return pd.DataFrame(
            dose_rows(values, doses, primary=settings.study.primary, band_pct=band_pct)
        )
    if name == "safety":
        from cuff.safety import Known, safety_table

        known = Known.of_study(
            table_of(study, "occlusion"), table_of(study, "titration"), settings.check_safety
        )
        noted = table_of(study, "sessions"), events_of(study), known
        checks = finished.table("cuff_checks")
        return safety_table(*noted, checks, settings.check_safety, settings.protocol)
    from comparison.coupling import agreements, counts_beside_log, couplings

    if name == "coupling":
        return pd.DataFrame(couplings(sets))
    counted = counts_beside_log(sets)
    return counted if name == "repetitions" else pd.DataFrame(agreements(counted))


def compared_again(finished, name, row):
    """The same row of a table compared again from outcomes.tsv; None where there is none."""
    from comparison.outcome_tables import Plan, compare
    from study.plan import changed_after_freezing, excluded_after_freezing
    from study.rows import rows_of
    from study.session_sheet import table_of

    settings, study = finished.settings, finished.study
    departures = [
        *changed_after_freezing(study, settings),
        *excluded_after_freezing(settings.plan, rows_of(study, "edits")),
    ]
    plan = Plan.of(
        settings.compare_conditions,
        settings.study.conditions,
        settings.study.primary,
        settings.study.seed,
        settings.plan,
        departures,
    )
    made_from = finished.table("outcomes"), table_of(study, "sessions"), finished.table("quality")
    again = as_read(stack(compare(*made_from, plan)[name], name), name)
    labels = [c for c in columns_of(name) if isinstance(row.get(c), str) and c in LABELS]
    same = again
    for column in labels:
        same = same[same[column] == row[column]]
    number = {"planning": "n_participants", "crossover": "visit"}.get(name)
    if number is not None and pd.notna(row[number]):
        same = same[same[number] == row[number]]
    return same.iloc[0] if len(same) else None


# columns that name a row of these tables
LABELS = frozenset(
    (
        *("claim", "outcome", "window", "exercise", "contrast", "term", "method", "analysis"),
        *("left_out", "part", "sequence", "condition"),
    )
)
