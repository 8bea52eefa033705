"""Put everybody's outcomes, quality and clocks into one table each, and list what was left out."""

import pandas as pd

from engine.step import Inputs, Output, run
from results.exclusions import (
    EXCLUSION_COLUMNS,
    QUALITY_COLUMNS,
    conditions_not_done,
    edits,
    excluded_events,
    people_and_visits,
    refused_outcomes,
    spans,
    with_coverage,
)
from results.tables import read_tables, write_table
from results.wide import wide
from windows.measuring import OUTCOME_COLUMNS


def gather_tables(
    outcomes_of_each: Inputs,
    sync_of_each: Inputs,
    recovery_of_each: Inputs,
    boundaries_of_each: Inputs,
    quality_of_each: Inputs,
    outcomes: Output,
    outcomes_wide: Output,
    sync: Output,
    quality: Output,
    exclusions: Output,
    recovery_series: Output,
    boundaries: Output,
    *,
    study: str,
):
    found = read_tables(outcomes_of_each)[OUTCOME_COLUMNS]
    judged = read_tables(quality_of_each).reindex(columns=QUALITY_COLUMNS)
    clocks = read_tables(sync_of_each)
    judged = with_coverage(judged, clocks)
    write_table(found, outcomes)
    write_table(wide(found), outcomes_wide)
    write_table(clocks, sync)
    write_table(read_tables(recovery_of_each), recovery_series)
    write_table(read_tables(boundaries_of_each), boundaries)
    write_table(judged, quality)
    left_out = [
        people_and_visits(study),
        conditions_not_done(study),
        excluded_events(study),
        edits(study),
        spans(judged),
        refused_outcomes(found),
    ]
    filled = [table for table in left_out if len(table)]
    stacked = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    write_table(stacked.reindex(columns=EXCLUSION_COLUMNS), exclusions)


if __name__ == "__main__":
    run(gather_tables)
