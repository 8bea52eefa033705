"""Put everybody's outcomes, quality and clocks into one table each, and list what was left out."""

from engine.step import Inputs, Output, run
from results.exclusions import (
    conditions_not_done,
    edits,
    excluded_events,
    people_and_visits,
    refused_outcomes,
    spans,
    with_coverage,
)
from results.tables import read_tables, stack, write
from results.wide import wide


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
    found = read_tables(outcomes_of_each)
    judged = read_tables(quality_of_each)
    clocks = read_tables(sync_of_each)
    judged = with_coverage(judged, clocks)
    write(found, "outcomes", outcomes)
    write(wide(found), "outcomes_wide", outcomes_wide)
    write(clocks, "sync", sync)
    write(read_tables(recovery_of_each), "recovery_series", recovery_series)
    write(read_tables(boundaries_of_each), "boundaries", boundaries)
    write(judged, "quality", quality)
    left_out = [
        people_and_visits(study),
        conditions_not_done(study),
        excluded_events(study),
        edits(study),
        spans(judged),
        refused_outcomes(found),
    ]
    write(stack(left_out, "exclusions"), "exclusions", exclusions)


if __name__ == "__main__":
    run(gather_tables)
