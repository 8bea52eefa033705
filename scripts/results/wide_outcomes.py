"""Outcomes as one row per event and window, a column per outcome."""

from results.columns import columns_of
from results.tables import read_table, write_below

EVENT_AND_WINDOW = [name for name in columns_of("outcomes_wide") if name != "<outcome>"]


def write_wide(outcomes_of_each, path):
    """Write the outcomes of everybody so, from the file of each, one person at a time."""
    names = {name for file in outcomes_of_each for name in read_table(file, ["outcome"])["outcome"]}
    everybody = (one_row_per_window(read_table(file)) for file in outcomes_of_each)
    write_below(everybody, [*EVENT_AND_WINDOW, *sorted(names)], path)


def one_row_per_window(outcomes):
    """One row per event and window, a column per outcome; what was refused is missing."""
    if outcomes.empty:
        return outcomes[EVENT_AND_WINDOW]
    labels = outcomes[EVENT_AND_WINDOW]
    row = labels.groupby(EVENT_AND_WINDOW, dropna=False, sort=False).ngroup()
    by_outcome = outcomes.assign(row=row).pivot(index="row", columns="outcome", values="value")
    return labels.assign(row=row).drop_duplicates("row").set_index("row").join(by_outcome)
